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
from functools import lru_cache
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


# ---- the readings around one step
_AROUND_S = 90.0
_NEAR_S = 40.0
_FEWEST_READINGS = 24
_TIME_CONSTANTS_S = np.array([3.0, 5.0, 8.0, 12.0, 17.0, 24.0, 34.0, 48.0, 70.0])


@dataclass(frozen=True)
class Suspected:
    """Readings of one clamp and the instant near which a step up or down is looked for [s].

    `span_s`: how long before and after the instant readings count.
    """

    time_s: Floats
    values: Floats
    near_s: float
    is_up: bool
    span_s: tuple[float, float] = (_AROUND_S, _AROUND_S)


def refine_step(suspected: Suspected) -> FittedStep | None:
    """The first-order step that fits best to readings near an instant; None without readings.

    Fitted: a straight line, and from the moment on size (1 - exp(-t / time constant)), up or
    down as told.
    """
    return refine_steps([suspected])[0]


def refine_steps(suspected: list[Suspected]) -> list[FittedStep | None]:
    """What `refine_step` gives for each; those read at like instants are fitted together."""
    fitted: list[FittedStep | None] = [None] * len(suspected)
    alike: dict[tuple[bytes, float, float], list[tuple[int, Floats]]] = {}
    for place, each in enumerate(suspected):
        since_s = each.time_s - each.near_s
        inside = (since_s >= -each.span_s[0]) & (since_s <= each.span_s[1])
        inside &= np.isfinite(each.values)
        if np.count_nonzero(inside) >= _FEWEST_READINGS:
            before_s, after_s = (min(_NEAR_S, span_s) for span_s in each.span_s)
            key = since_s[inside].tobytes(), before_s, after_s
            alike.setdefault(key, []).append((place, each.values[inside]))
    for key, found in alike.items():
        own = [suspected[place] for place, _ in found]
        values = np.array([readings for _, readings in found])
        for (place, _), step in zip(found, _best_steps(own, values, _shapes_at(*key)), strict=True):
            fitted[place] = step
    return fitted


def _best_steps(suspected: list[Suspected], values: Floats, shapes: _Shapes) -> list[FittedStep]:
    """The best step of each row of values, all read at the instants of the shapes."""
    left = values - (values @ shapes.line) @ shapes.line.T
    size = (left @ shapes.shape) / shapes.power
    is_up = np.array([[each.is_up] for each in suspected])
    best = np.argmax(np.where((size > 0) == is_up, size**2 * shapes.power, 0.0), axis=1)
    sized = size[np.arange(best.size), best]
    unexplained = np.maximum(np.sum(left**2, axis=1), 1e-12)
    explained = sized**2 * shapes.power[best] / unexplained
    return [
        FittedStep(
            each.near_s + float(shapes.moments_s[place % shapes.moments_s.size]),
            float(sized[row]),
            float(_TIME_CONSTANTS_S[place // shapes.moments_s.size]),
            float(explained[row]),
        )
        for row, (each, place) in enumerate(zip(suspected, best.tolist(), strict=True))
    ]


@dataclass(frozen=True)
class _Shapes:
    """What steps can look like at some instants: a column of `shape` for each.

    `line`: a basis of straight lines; `power`: what no line explains of each shape.
    """

    moments_s: Floats
    shape: Floats
    line: Floats
    power: Floats


@lru_cache(maxsize=16)
def _shapes_at(instants: bytes, before_s: float, after_s: float) -> _Shapes:
    """The shapes at instants [s] around a moment; loggers of one interval share them.

    `instants`: the bytes of an array; a step begins at most so long before or after the moment.
    """
    time_s = np.frombuffer(instants)
    moments = np.arange(max(-before_s, time_s[0] + 3.0), after_s, 1.0)
    shape = _shapes(time_s, moments)
    line = np.linalg.qr(np.column_stack((np.ones(time_s.size), time_s)))[0]
    power = np.maximum(
        np.einsum("ij,ij->j", shape, shape) - np.sum((line.T @ shape) ** 2, axis=0), 1e-9
    )
    return _Shapes(moments, shape, line, power)


def _shapes(time_s: Floats, moments_s: Floats) -> Floats:
    """Unit steps at all times: a column for each time constant and, within it, moment.

    The exponential of a difference is a product of two, which saves nearly all of them.
    """
    falling = np.exp(-time_s[:, None] / _TIME_CONSTANTS_S)
    rising = np.exp(moments_s / _TIME_CONSTANTS_S[:, None])
    has_begun = time_s[:, None] > moments_s
    shapes = (1.0 - falling[:, :, None] * rising) * has_begun[:, None, :]
    return np.asarray(shapes.reshape(time_s.size, -1))
