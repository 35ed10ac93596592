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


def is_steady(values: Floats, length: int, limits: SteadyLimits, resolution: Floats) -> Booleans:
    """True means: drift and scatter of the last `length` values are within their limits.

    `resolution` is the smallest step of the logger at each value. One such step in the
    middle of n values shows as a slope of 1.5 n / (n^2 - 1) steps, and a reading that
    flickers between two steps scatters by half a step.
    """
    fit = fit_trailing_line(values, length)
    # Student's t quantile; `scipy.stats` has it too, and takes a second to import
    critical = float(stdtrit(length - 2, 1 - _SIGNIFICANCE / 2))
    one_step = 1.5 * length / (length**2 - 1) * resolution
    slope_limit = np.maximum(limits.slope_per_block, one_step)
    spread_limit = np.maximum(limits.spread, 0.5 * resolution)
    is_level = np.abs(fit.slope) <= np.maximum(slope_limit, critical * fit.slope_error) + _ROUNDING
    return is_level & (fit.spread <= spread_limit)


def _trailing_sum(values: Floats, weights: Floats) -> Floats:
    """Weighted sum of the last values; summed afresh for each, so that NaN stays local."""
    if values.size < weights.size:
        return np.full(values.size, np.nan)
    sums = np.convolve(values, weights[::-1], mode="valid")
    return np.concatenate([np.full(weights.size - 1, np.nan), sums])
