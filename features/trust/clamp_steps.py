"""Steps of one clamp that no pressure and no clamp beside it shares: where, how large, how fast.

Holds `find_steps`, which searches all clamps of stacked tests on the block grid, and
`refine_step`, which fits moment, size and time constant to the readings around one of them.
A clamp that is taken off its line, or put on another, goes from one temperature to another
like its sensor, while the circuit goes on as before. What happens to the circuit shows on the
pressures and on the clamp up- or downstream too. Does not belong here: what a step means
(`clamp_moves`).
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

# the clamp that a change of the circuit reaches as well
_BESIDE = {
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
_WARMING_S = 150.0
_SETTLED_S = 15.0


@dataclass(frozen=True)
class Step:
    """A suspected step: test number, channel, place of its block, size [K], score."""

    test: int
    channel: str
    block: int
    size_k: float
    score: float


@dataclass(frozen=True)
class FittedStep:
    """A step in the readings: moment [s], size [K], time constant [s], share explained [1]."""

    moment_s: float
    size_k: float
    time_constant_s: float
    explained: float


def find_steps(grid: ClampGrid) -> list[Step]:
    """The strongest step of each clamp and test that the circuit does not share."""
    if grid.start_s.size == 0:
        return []
    short = {
        name: grid.rolling(grid.of(name), _WIDTH)
        for name in (*CLAMPS, "evaporating_c", "condensing_c")
    }
    half = {name: grid.rolling(grid.of(name), _WIDTH // 2) for name in CLAMPS}
    steps: list[Step] = []
    for name in CLAMPS:
        if name in grid.values:
            sized = [_scores(grid, name, short, half[name], gap) for gap in _GAPS]
            score = np.fmax(*(each[0] for each in sized))
            size = np.where(score == sized[0][0], sized[0][1], sized[1][1])
            steps += _strongest(grid, name, score, size)
    return steps


def _scores(
    grid: ClampGrid, name: str, short: dict[str, Floats], half: Floats, gap: int
) -> tuple[Floats, Floats]:
    """Score and size [K] of a step at each block; NaN where nothing can be said."""
    own = _change(grid, short[name], gap)
    shared = np.fmax(
        np.abs(_change(grid, short["evaporating_c"], gap)),
        np.abs(_change(grid, short["condensing_c"], gap)),
    )
    beside = np.abs(_change(grid, short[_BESIDE[name]], gap))
    # the trend before, carried on over the step
    per_block = (grid.later(half, -_WIDTH // 2) - grid.later(half, -_WIDTH)) / (_WIDTH / 2)
    trend = per_block * (gap + _WIDTH)
    beyond = np.where(np.sign(own - trend) == np.sign(own), np.fmin(abs(own - trend), abs(own)), 0)
    at_rest = np.fmax(shared, np.nan_to_num(beside)) + np.abs(per_block) * _WIDTH / 2
    score = beyond / (_ALLOWED_K + at_rest)
    spoken = (np.abs(own) >= _LEAST_STEP_K) & (grid.since_start_s >= _SETTLED_S)
    return np.where(spoken & grid.is_running, score, np.nan), own


def _change(grid: ClampGrid, short: Floats, gap: int) -> Floats:
    """Mean of the 40 s after a gap less the mean of the 40 s before, at each block."""
    before = grid.later(np.where(grid.reaches(_WIDTH + gap), short, np.nan), -_WIDTH)
    return grid.later(short, gap) - before


def _strongest(grid: ClampGrid, name: str, score: Floats, size: Floats) -> list[Step]:
    needed = np.full(score.size, _LEAST_SCORE)
    if name in _WARMING:
        is_that_way = np.sign(size) == _WARMING[name]
        needed[is_that_way & (grid.since_start_s < _WARMING_S)] = _LEAST_SCORE_WARMING
    found = np.where(score >= needed, score, 0.0)
    best = np.maximum.reduceat(found, grid.first[:-1])
    steps = []
    for test in np.flatnonzero(best > 0.0):
        span = found[grid.first[test] : grid.first[test + 1]]
        place = int(grid.first[test] + np.argmax(span))
        steps.append(Step(int(test), name, place, float(size[place]), float(found[place])))
    return steps


# ---- the readings around one step
_AROUND_S = 90.0
_NEAR_S = 40.0
_FEWEST_READINGS = 24
_TIME_CONSTANTS_S = np.array([3.0, 5.0, 8.0, 12.0, 17.0, 24.0, 34.0, 48.0, 70.0])


def refine_step(
    time_s: Floats,
    values: Floats,
    near_s: float,
    *,
    is_up: bool,
    span_s: tuple[float, float] = (_AROUND_S, _AROUND_S),
) -> FittedStep | None:
    """The first-order step that fits best to readings near an instant; None without readings.

    `span_s`: how long before and after the instant readings count.

    Fitted: a straight line, and from the moment on size (1 - exp(-t / time constant)), up or
    down as told.
    """
    since_s = time_s - near_s
    inside = np.isfinite(values) & (since_s >= -span_s[0]) & (since_s <= span_s[1])
    if np.count_nonzero(inside) < _FEWEST_READINGS:
        return None
    time_s, values = time_s[inside], values[inside]
    earliest_s, latest_s = near_s - min(_NEAR_S, span_s[0]), near_s + min(_NEAR_S, span_s[1])
    moments = np.arange(max(earliest_s, time_s[0] + 3.0), latest_s, 1.0)
    moment, tau = (each.ravel() for each in np.meshgrid(moments, _TIME_CONSTANTS_S))
    since = np.clip(time_s[:, None] - moment, 0.0, None)
    shape = 1.0 - np.exp(-since / tau)
    line = np.linalg.qr(np.column_stack((np.ones(time_s.size), time_s - near_s)))[0]
    shape -= line @ (line.T @ shape)
    left = values - line @ (line.T @ values)
    power = np.maximum((shape**2).sum(axis=0), 1e-9)
    size = shape.T @ left / power
    best = int(np.argmax(np.where((size > 0) == is_up, size**2 * power, 0.0)))
    explained = float(size[best] ** 2 * power[best] / max(float(left @ left), 1e-12))
    return FittedStep(float(moment[best]), float(size[best]), float(tau[best]), explained)
