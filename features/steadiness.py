"""Is a channel steady over the trailing window? Slope and scatter against limits.

Array functions: one value per block, NaN where unknown; the window is the block and the
`length - 1` before it. The line through the window is found by least squares; the drift
must be within its limit or not distinguishable from noise (Student's t), the scatter
about the line within its own limit. What a coarse logger cannot resolve is not held
against the car. Does not belong here: which channels and limits apply (`settling`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import stdtrit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

_SIGNIFICANCE = 0.05
# A drift that may be chance is let pass up to so many times its limit (tuning value).
_FARTHEST = 1.5
# Where the quantile is worked out; between them it runs straight, within 0.1 %.
_PHI = np.linspace(0.0, 0.95, 191)
# A line through fewer effective values says nothing.
_FEWEST = 3.0
# A slope exactly at its limit is not to fail by the last bit.
_ROUNDING = 1e-9


@dataclass(frozen=True)
class SteadyLimits:
    """Largest drift per block and largest scatter (1 sd of block means), in the channel's unit."""

    slope_per_block: float
    spread: float


@dataclass(frozen=True)
class TrailingFit:
    """Least-squares line over the trailing window: slope per block, its error, the scatter."""

    slope: Floats
    slope_error: Floats
    spread: Floats


def fit_trailing_line(values: Floats, length: int) -> TrailingFit:
    """The line through the last `length` values at every value; NaN where one is missing."""
    place = np.arange(length, dtype=np.float64) - (length - 1) / 2
    sum_of_squares = float((place**2).sum())
    mean = _trailing_sum(values, np.ones(length)) / length
    slope = _trailing_sum(values, place) / sum_of_squares
    total = _trailing_sum(values**2, np.ones(length)) - length * mean**2
    residual = np.maximum(total - slope**2 * sum_of_squares, 0.0)
    spread = np.sqrt(residual / (length - 2))
    return TrailingFit(slope, spread / np.sqrt(sum_of_squares), spread)


def is_steady(
    values: Floats,
    length: int,
    limits: SteadyLimits,
    resolution: Floats,
    phi: Floats | float = 0.0,
) -> Booleans:
    """True means: drift and scatter of the last `length` values are within their limits.

    `resolution` is the smallest step of the logger at each value; a reading that flickers
    between two steps scatters by half a step. `phi` is how much neighbouring values are
    alike: n of them count as n (1 - phi) / (1 + phi). A drift beyond its limit passes where
    it cannot be told from noise, but never at more than twice the limit: that much would
    move what is read in the window.
    """
    fit = fit_trailing_line(values, length)
    slope_limit = np.maximum(limits.slope_per_block, slope_of_one_step(resolution, length))
    spread_limit = np.maximum(limits.spread, 0.5 * resolution)
    by_chance = np.minimum(_slope_by_chance(fit, length, phi), _FARTHEST * slope_limit)
    is_level = np.abs(fit.slope) <= np.maximum(slope_limit, by_chance) + _ROUNDING
    return is_level & (fit.spread <= spread_limit)


def slope_of_one_step(resolution: Floats, length: int) -> Floats:
    """Slope that one step of the logger in the middle of n values shows as."""
    return np.asarray(1.5 * length / (length**2 - 1) * resolution)


def effective_number(n: int, phi: Floats | float) -> Floats:
    """How many independent values count as much as n of first-order autoregression.

    Source: n (1 - phi) / (1 + phi), Bayley & Hammersley 1946, J. R. Stat. Soc. 8:184, for
    large n, from memory.
    """
    return np.asarray(n * (1.0 - np.asarray(phi)) / (1.0 + np.asarray(phi)))


def _slope_by_chance(fit: TrailingFit, length: int, phi: Floats | float) -> Floats:
    """The slope that noise of this scatter alone exceeds in one window of twenty."""
    effective = np.maximum(effective_number(length, _PHI), _FEWEST)
    # Student's t quantile; `scipy.stats` has it too, and takes a second to import
    critical = stdtrit(effective - 2.0, 1.0 - _SIGNIFICANCE / 2)
    errors = np.interp(phi, _PHI, critical * np.sqrt(length / effective))
    return np.asarray(errors * fit.slope_error)


def _trailing_sum(values: Floats, weights: Floats) -> Floats:
    """Weighted sum of the last values; summed afresh for each, so that NaN stays local."""
    if values.size < weights.size:
        return np.full(values.size, np.nan)
    sums = np.convolve(values, weights[::-1], mode="valid")
    return np.concatenate([np.full(weights.size - 1, np.nan), sums])
