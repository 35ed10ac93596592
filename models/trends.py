"""Trends without a model: the slope of Theil and Sen, and the test of Mann and Kendall.

Array functions over many series of equal length at once. Does not belong here: which visits
make a series (`visits`), what a slope means for a car (`drift`).

Sources: Sen, J. Am. Statist. Assoc. 63 (1968) 1379, for slope and interval; Kendall, Rank
Correlation Methods (1948), for the exact law of the number of inversions and, with ties or
many visits, the normal one (as carried out by `scipy.stats`, which the tests compare).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri
from scipy.stats import norm

Array = NDArray[np.float64]

# Above it the normal law is within 0.002 of the exact one [computed].
_MOST_EXACT = 30


@dataclass(frozen=True)
class Slopes:
    """Slopes of many series: middle and the ends of the interval, (m,) each."""

    slope: Array
    low: Array
    high: Array


def theil_sen(times: Array, values: Array, confidence: float) -> Slopes:
    """Median of the slopes between all pairs of visits, with Sen's interval.

    Parameters
    ----------
    times, values : (m, n); the times of a series rise strictly.
    confidence : float
        Share that the interval is to hold, e.g. 0.9.
    """
    count = times.shape[1]
    first, second = np.triu_indices(count, 1)
    slopes = np.sort(
        (values[:, second] - values[:, first]) / (times[:, second] - times[:, first]), axis=1
    )
    low_place, high_place = _ranks_of_interval(values, slopes.shape[1], confidence)
    rows = np.arange(len(values))
    return Slopes(np.median(slopes, axis=1), slopes[rows, low_place], slopes[rows, high_place])


def _ranks_of_interval(
    values: Array, pairs: int, confidence: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Places of the ends of Sen's interval among the ordered slopes, per series."""
    reach = ndtri(0.5 + 0.5 * confidence) * np.sqrt(_variance_of_score(values))
    high = np.minimum(np.round((pairs + reach) / 2), pairs - 1).astype(np.int64)
    low = np.maximum(np.round((pairs - reach) / 2) - 1, 0).astype(np.int64)
    return low, high


def mann_kendall_p(values: Array) -> Array:
    """Two-sided p-values of series (m, n) in order of time against no trend.

    Exact without ties up to thirty visits, else by the normal law with ties allowed for;
    one where all values are equal.
    """
    count = values.shape[1]
    first, second = np.triu_indices(count, 1)
    score = np.sign(values[:, second] - values[:, first]).sum(axis=1)
    variance = _variance_of_score(values)
    safe = np.where(variance > 0, variance, 1.0)
    p_values: Array = np.where(variance > 0, 2.0 * norm.sf(np.abs(score) / np.sqrt(safe)), 1.0)
    if count <= _MOST_EXACT:
        pairs = first.size
        inversions = ((pairs - np.abs(score)) / 2).astype(np.int64)
        exact = np.minimum(1.0, 2.0 * _inversion_law(count)[inversions])
        p_values = np.where(_has_ties(values), p_values, exact)
    return p_values


@cache
def _inversion_law(count: int) -> Array:
    """Chance of at most k inversions in a random order of `count` values, for every k."""
    law = np.ones(1)
    for size in range(2, count + 1):
        law = np.convolve(law, np.full(size, 1.0 / size))
    return np.asarray(np.cumsum(law))


def _has_ties(values: Array) -> NDArray[np.bool_]:
    ordered = np.sort(values, axis=1)
    return np.asarray((np.diff(ordered, axis=1) == 0).any(axis=1))


def _variance_of_score(values: Array) -> Array:
    """Variance of Kendall's score without a trend, ties among the values allowed for."""
    count = values.shape[1]
    alike = (values[:, :, None] == values[:, None, :]).sum(axis=2)
    # a value of a tie of t stands t times here, so each tie is counted once
    ties = ((alike - 1) * (2 * alike + 5)).sum(axis=1)
    variance: Array = (count * (count - 1) * (2 * count + 5) - ties) / 18.0
    return variance
