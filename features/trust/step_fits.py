"""Steps of a clamp in its readings: when, how far, and at which pace.

Holds `refine_steps`, which fits moment, size and time constant to the readings around suspected
steps, and `fit_steps`, which does so for those that `clamp_steps` found and keeps the ones that
a clamp makes. Steps read at like instants are fitted together. Does not belong here: searching
for steps (`clamp_steps`), what a step means (`clamp_moves`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.trust.clamp_grid import ClampGrid
    from features.trust.clamp_steps import Step
    from features.trust.ordered import Ordered

    Floats = NDArray[np.float64]

_AROUND_S = 90.0
_NEAR_S = 40.0
_FEWEST_READINGS = 24
_TIME_CONSTANTS_S = np.array([3.0, 5.0, 8.0, 12.0, 17.0, 24.0, 34.0, 48.0, 70.0])
_LEAST_EXPLAINED = 0.4
LEAST_STEP_K = 4.0
# readings nearer to a step show its pace without the trends around it, where they fit so well
_NEARER_S, _FITS_NEARER = ((30.0, 75.0), (20.0, 45.0)), 0.97
# a line that a start leaves on its way warms or cools in a minute; a step of a clamp is sharper
_SHARP_S, _SHARP_K = 12.0, 7.0


@dataclass(frozen=True)
class FittedStep:
    """A step in the readings: moment [s], size [K], time constant [s], share explained [1]."""

    moment_s: float
    size_k: float
    time_constant_s: float
    explained: float


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


def fit_steps(grid: ClampGrid, ordered: Ordered, steps: list[Step]) -> list[FittedStep | None]:
    """The steps in the readings; None where these show none that a clamp makes."""
    suspected = [_suspected(grid, ordered, step) for step in steps]
    fitted = refine_steps(suspected)
    asked = [place for place, each in enumerate(fitted) if each is not None]
    for span_s in _NEARER_S:
        nearer = refine_steps([_nearer(suspected[at], fitted[at], span_s) for at in asked])
        found = dict(zip(asked, nearer, strict=True))
        fits = {at: x for at, x in found.items() if x and x.explained >= _FITS_NEARER}
        for place, better in fits.items():
            fitted[place] = better
        asked = [place for place in asked if place not in fits]
    return [
        each if each is not None and _is_of_a_clamp(step, each) else None
        for step, each in zip(steps, fitted, strict=True)
    ]


def _suspected(grid: ClampGrid, ordered: Ordered, step: Step) -> Suspected:
    span = slice(int(ordered.first[step.test]), int(ordered.first[step.test + 1]))
    time_s = ordered.samples["time_s"][span].to_numpy()
    return Suspected(
        time_s - time_s[0],
        ordered.samples[step.channel][span].cast(float).to_numpy(),
        float(grid.start_s[step.block]),
        step.size_k > 0,
    )


def _nearer(
    suspected: Suspected, fitted: FittedStep | None, span_s: tuple[float, float]
) -> Suspected:
    moment_s = suspected.near_s if fitted is None else fitted.moment_s
    return replace(suspected, near_s=moment_s, span_s=span_s)


def _is_of_a_clamp(step: Step, fitted: FittedStep) -> bool:
    is_sharp = fitted.time_constant_s <= _SHARP_S and abs(fitted.size_k) >= _SHARP_K
    if step.is_settling and not (is_sharp and fitted.explained >= _FITS_NEARER):
        return False
    return fitted.explained >= _LEAST_EXPLAINED and abs(fitted.size_k) >= LEAST_STEP_K
