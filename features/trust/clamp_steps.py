"""Steps of one clamp that no pressure and no clamp beside it shares: where and how large.

Holds `find_steps`, which searches all clamps of stacked tests on the block grid. A clamp that
is taken off its line, or put on another, goes from one temperature to another like its sensor,
while the circuit goes on as before. What happens to the circuit shows on the pressures and on
the clamp up- or downstream too. Does not belong here: the readings around a step (`step_fits`),
what it means (`clamp_moves`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from features.trust.clamp_grid import CLAMPS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.trust.clamp_grid import ClampGrid

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]
    Places = NDArray[np.int64]

# the clamp that a change of the circuit reaches as well
BESIDE = {
    "compressor_suction_c": "evaporator_outlet_c",
    "evaporator_outlet_c": "compressor_suction_c",
    "condenser_outlet_c": "expansion_inlet_c",
    "expansion_inlet_c": "condenser_outlet_c",
    "compressor_discharge_c": "compressor_suction_c",
    "rear_evaporator_outlet_c": "evaporator_outlet_c",
}
# means of 40 s before and after; between them the sensor has time to follow: 15 s for a clamp
# on a pipe, 45 s for one in the air (time constants of 5 to 15 s on a pipe are common practice)
_WIDTH = 8
_GAPS = (3, 9)
# what pressures, neighbour and the clamp's own trend do meanwhile, in K, counts against a step;
# this much they always may
_ALLOWED_K = 1.5
_LEAST_STEP_K = 4.0
# size over what is shared: clean logs of faulty cars stay below (tuned on simulated fleets)
_LEAST_SCORE = 1.5
# lines that warm up (or, behind an internal heat exchanger, cool down) after a start, and need
# a larger step that way meanwhile
_WARMING = {"compressor_suction_c": 1, "compressor_discharge_c": 1, "expansion_inlet_c": -1}
_LEAST_SCORE_WARMING = 5.5
# puts steps that need no more proof before all that do
_FIRST = 1e6
_WARMING_S = 150.0
_SETTLED_S = 15.0


@dataclass(frozen=True)
class Step:
    """A suspected step: test number, channel, place of its block, size [K], score.

    `is_settling`: a start may have left the line on its way, the way of the step.
    """

    test: int
    channel: str
    block: int
    size_k: float
    score: float
    is_settling: bool = False


def find_steps(grid: ClampGrid) -> list[Step]:
    """The strongest step of each clamp and test that the circuit does not share."""
    if grid.start_s.size == 0:
        return []
    short = {
        name: grid.rolling(grid.of(name), _WIDTH)
        for name in (*CLAMPS, "evaporating_c", "condensing_c")
        if name in grid.values
    }
    may_speak = grid.is_at_work & (grid.since_start_s >= _SETTLED_S)
    steps: list[Step] = []
    for name in CLAMPS:
        if name in grid.values:
            sized = [_scores(grid, name, short, may_speak, gap) for gap in _GAPS]
            score = np.fmax(*(each[0] for each in sized))
            size = np.where(score == sized[0][0], sized[0][1], sized[1][1])
            steps += _strongest(grid, name, score, size)
    return steps


def _scores(
    grid: ClampGrid, name: str, short: dict[str, Floats], may_speak: Booleans, gap: int
) -> tuple[Floats, Floats]:
    """Score and size [K] of a step at each block; NaN where nothing can be said."""
    size, score = _change(grid, short[name], gap), np.full(may_speak.size, np.nan)
    # few blocks have a step at all; only these are looked into
    at = np.flatnonzero((np.abs(size) >= _LEAST_STEP_K) & may_speak)
    own = size[at]

    def moved_k(other: str) -> Floats:
        values = short.get(other)
        if values is None:
            return np.full(at.size, np.nan)
        return np.abs(values[at + gap] - values[at - _WIDTH])

    shared = np.fmax(moved_k("evaporating_c"), moved_k("condensing_c"))
    # the trend before, carried on over the step
    half = [_half(grid, name, at - back) for back in (_WIDTH // 2, _WIDTH)]
    per_block = (half[0] - half[1]) / (_WIDTH / 2)
    trend = per_block * (gap + _WIDTH)
    beyond = np.where(np.sign(own - trend) == np.sign(own), np.fmin(abs(own - trend), abs(own)), 0)
    at_rest = np.fmax(shared, np.nan_to_num(moved_k(BESIDE[name])))
    score[at] = beyond / (_ALLOWED_K + at_rest + np.abs(per_block) * _WIDTH / 2)
    return score, size


def _change(grid: ClampGrid, short: Floats, gap: int) -> Floats:
    """Mean of the 40 s after a gap less the mean of the 40 s before, at each block."""
    change = np.full(short.size, np.nan)
    if short.size > _WIDTH + gap:
        reaches = grid.reaches(_WIDTH + gap)[: -_WIDTH - gap]
        step = short[_WIDTH + gap :] - short[: -_WIDTH - gap]
        change[_WIDTH:-gap] = np.where(reaches, step, np.nan)
    return change


def _half(grid: ClampGrid, name: str, at: Places) -> Floats:
    """Mean of half the width of blocks from each of some blocks on, as `ClampGrid.rolling`."""
    return grid.rolling_at(grid.of(name), _WIDTH // 2, at)


def _strongest(grid: ClampGrid, name: str, score: Floats, size: Floats) -> list[Step]:
    """The strongest step of each test; for want of others, one that a settling line could make."""
    is_settling = np.zeros(score.size, dtype=np.bool_)
    if name in _WARMING:
        is_settling = (np.sign(size) == _WARMING[name]) & (grid.since_start_s < _WARMING_S)
    is_found = score >= np.where(is_settling, _LEAST_SCORE_WARMING, _LEAST_SCORE)
    found = np.where(is_found, score + _FIRST, np.where(score >= _LEAST_SCORE, score, 0.0))
    best = np.maximum.reduceat(found, grid.first[:-1])
    steps = []
    for test in np.flatnonzero(best > 0.0):
        span = found[grid.first[test] : grid.first[test + 1]]
        place = int(grid.first[test] + np.argmax(span))
        sized, scored = float(size[place]), float(score[place])
        steps.append(Step(int(test), name, place, sized, scored, not is_found[place]))
    return steps
