"""Sums of two exponentials, fitted to many short series at once.

T(t) = T_inf + A1 exp(-t / tau1) + A2 exp(-t / tau2), for the fall of the duct air after a
start: a fast part of coil and refrigerant, a slow one of case and cabin. Array functions. The
time constants start from the best pair of a grid, for which the sums over the series are
worked out once for all, and are refined by damped Gauss-Newton steps (Levenberg, Marquardt).
Does not belong here: which stretch is fitted and whether the fit may be told
(`transient_pull_down`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Booleans = NDArray[np.bool_]

# Time constants of the grid, s, a factor of 1.5 apart.
_GRID_S = np.geomspace(4.0, 1500.0, 16)
# Two time constants that are closer cannot be told from one (tuning value).
_LEAST_RATIO = 1.6
_STEPS = 40
_PARAMETERS = 5
_FIRST_DAMPING = 1e-3
# Settled: a step takes less than this share off the squares, or none does.
_LEAST_IMPROVEMENT = 1e-9
_LARGEST_DAMPING = 1e6
_TINY = 1e-12


@dataclass(frozen=True)
class TwoExponentials:
    """Fits by series: `values` and `errors` of level, A1, ln tau1, A2, ln tau2; and the rest.

    `errors` are standard, by the scatter of the rest, as if its values were independent.
    """

    values: Floats
    errors: Floats
    rest: Floats

    @property
    def time_constants_s(self) -> Floats:
        """The two time constants of each series, the faster first."""
        return np.exp(self.values[:, [2, 4]])


def fit_two_exponentials(
    first_s: Floats, step_s: float, readings: Floats, inside: Booleans
) -> TwoExponentials:
    """The fits of series on even grids.

    Parameters
    ----------
    first_s
        Time of the first value of each series, s.
    step_s
        From value to value.
    readings
        Means over one step each, series by place; what is not inside is not read.
    """
    time_s = first_s[:, None] + step_s * np.arange(readings.shape[1])[None, :]
    read = np.where(inside, readings, 0.0)
    values = _best_of_grid(first_s, step_s, read, inside)
    damping = np.full(values.shape[0], _FIRST_DAMPING)
    curve, slopes = _curve(values, time_s)
    squares = _squares(read - curve, inside)
    for _ in range(_STEPS):
        moved = values + _step(slopes, read - curve, inside, damping)
        moved[:, [2, 4]] = np.clip(moved[:, [2, 4]], np.log(0.5), np.log(2e4))
        moved_curve, moved_slopes = _curve(moved, time_s)
        moved_squares = _squares(read - moved_curve, inside)
        better = moved_squares <= squares
        is_done = better & (squares - moved_squares <= _LEAST_IMPROVEMENT * squares)
        damping = np.where(better, damping / 5.0, damping * 4.0)
        values = np.where(better[:, None], moved, values)
        curve = np.where(better[:, None], moved_curve, curve)
        slopes = np.where(better[:, None, None], moved_slopes, slopes)
        squares = np.where(better, moved_squares, squares)
        if np.all(is_done | (damping > _LARGEST_DAMPING)):
            break
    errors = _errors(slopes, squares, inside)
    rest = np.where(inside, read - curve, 0.0)
    return TwoExponentials(_at_instant(values, step_s), errors, rest)


def have_two_falling_parts(
    first_s: Floats, step_s: float, readings: Floats, inside: Booleans
) -> Booleans:
    """True means: with the best pair of the grid both parts fall; arguments as for the fit."""
    values = _best_of_grid(first_s, step_s, np.where(inside, readings, 0.0), inside)
    return np.asarray((values[:, 1] > 0.0) & (values[:, 3] > 0.0))


def _at_instant(values: Floats, step_s: float) -> Floats:
    """Amplitudes of the curve itself from those of its means over steps.

    A mean of exp(-t / tau) over a step is that at its middle times sinh(x) / x, x = step / 2 tau.
    """
    half = 0.5 * step_s / np.exp(values[:, [2, 4]])
    found = values.copy()
    found[:, [1, 3]] *= half / np.sinh(half)
    return found


def _best_of_grid(first_s: Floats, step_s: float, read: Floats, inside: Booleans) -> Floats:
    """Parameters with the best pair of time constants of the grid.

    On an even grid an exponential that begins later is the same one with another amplitude,
    so one set of exponentials serves all series.
    """
    weight = inside.astype(np.float64)
    shapes = np.exp(-step_s * np.arange(read.shape[1])[:, None] / _GRID_S[None, :])
    one, other = np.triu_indices(_GRID_S.size, k=1)
    apart = _GRID_S[other] / _GRID_S[one] >= _LEAST_RATIO
    one, other = one[apart], other[apart]
    count = np.maximum(weight.sum(axis=1), 1.0)[:, None]
    total = weight @ shapes
    mean = read.sum(axis=1, keepdims=True) / count
    along = read @ shapes - mean * total
    size = weight @ shapes**2 - total**2 / count
    # not by `@`: a product of this size is spread over threads, which costs more than it saves
    both = np.einsum("tb,bp->tp", weight, shapes[:, one] * shapes[:, other])
    cross = both - total[:, one] * total[:, other] / count
    width = size[:, one] * size[:, other] - cross**2
    is_fit = width > _TINY * size[:, one] * size[:, other]
    safe = np.where(is_fit, width, 1.0)
    first = (along[:, one] * size[:, other] - along[:, other] * cross) / safe
    second = (along[:, other] * size[:, one] - along[:, one] * cross) / safe
    gain = np.where(is_fit, first * along[:, one] + second * along[:, other], -np.inf)
    best = np.argmax(gain, axis=1)
    place = np.arange(best.size)
    level = (
        mean[:, 0] - (first * total[:, one] + second * total[:, other])[place, best] / count[:, 0]
    )
    pair_s = np.stack([_GRID_S[one[best]], _GRID_S[other[best]]])
    return np.stack(
        [
            level,
            first[place, best] * np.exp(first_s / pair_s[0]),
            np.log(pair_s[0]),
            second[place, best] * np.exp(first_s / pair_s[1]),
            np.log(pair_s[1]),
        ],
        axis=1,
    )


def _curve(values: Floats, time_s: Floats) -> tuple[Floats, Floats]:
    """The curve, and its slopes by level, A1, ln tau1, A2, ln tau2 (series, parameter, place)."""
    slopes = np.ones((values.shape[0], _PARAMETERS, time_s.shape[1]))
    curve = np.repeat(values[:, :1], time_s.shape[1], axis=1)
    for amplitude in (1, 3):
        in_constants = time_s / np.exp(values[:, amplitude + 1])[:, None]
        slopes[:, amplitude] = np.exp(-in_constants)
        part = values[:, amplitude, None] * slopes[:, amplitude]
        slopes[:, amplitude + 1] = part * in_constants
        curve = curve + part
    return curve, slopes


def _squares(rest: Floats, inside: Booleans) -> Floats:
    return np.asarray((np.where(inside, rest, 0.0) ** 2).sum(axis=1))


def _normal(slopes: Floats, inside: Booleans) -> Floats:
    weighted = slopes * inside[:, None, :]
    return np.asarray(weighted @ slopes.transpose(0, 2, 1))


def _step(slopes: Floats, rest: Floats, inside: Booleans, damping: Floats) -> Floats:
    """A damped Gauss-Newton step of every series."""
    normal = _normal(slopes, inside)
    size = np.einsum("tpp->tp", normal)
    damped = normal + np.eye(_PARAMETERS) * (damping[:, None] * size + _TINY)[:, :, None]
    along = slopes @ np.where(inside, rest, 0.0)[:, :, None]
    return np.asarray(np.linalg.solve(damped, along)[:, :, 0])


def _errors(slopes: Floats, squares: Floats, inside: Booleans) -> Floats:
    """Standard errors of the parameters; infinite where the data do not tell them."""
    normal = _normal(slopes, inside)
    size = np.sqrt(np.maximum(np.einsum("tpp->tp", normal), _TINY))
    scaled = normal / size[:, :, None] / size[:, None, :]
    inverse = np.linalg.inv(scaled + 1e-10 * np.eye(_PARAMETERS))
    freedom = np.maximum(inside.sum(axis=1) - _PARAMETERS, 1)
    variance = np.einsum("tpp->tp", inverse) / size**2 * (squares / freedom)[:, None]
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))
