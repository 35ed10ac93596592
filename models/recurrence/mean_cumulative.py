"""Mean number of repairs per car by an age, with the robust variance, for many cohorts at once.

The mean cumulative function counts every repair, first or tenth, over the cars watched at
that age. Its variance is that of Nelson (1995) and Lawless & Nadeau (Technometrics 37 (1995)
158): sum over cars of [sum over t_k <= t of Y_i(t_k) / Y(t_k) (dN_i(t_k) - dM(t_k))]^2, which
supposes nothing of how repairs of one car hang together. The square is expanded into sums
over repairs and over leavings, so that its cost grows with their number and not with cars
times ages. Does not belong here: bins of age (`clocks`), comparing cohorts (`contrasts`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

Array = NDArray[np.float64]
Indices = NDArray[np.int64]

CONFIDENCE = 0.9


@dataclass(frozen=True)
class Spans:
    """Cars in whole bins: cohort, first and last bin at risk, and how many cars, (n,) each."""

    cohort: Indices
    enter_bin: Indices
    leave_bin: Indices
    weight: Array


@dataclass(frozen=True)
class Repairs:
    """Repairs sorted by car and bin: cohort, car, bin, and the bins of their car, (m,) each."""

    cohort: Indices
    car: Indices
    bin: Indices
    enter_bin: Indices
    leave_bin: Indices


@dataclass(frozen=True)
class MeanCumulative:
    """Mean repairs per car, its variance, cars at risk and repairs, by cohort and bin, (k, b)."""

    mean: Array
    variance: Array
    at_risk: Array
    repairs: Array

    def interval(self, confidence: float = CONFIDENCE) -> tuple[Array, Array]:
        """Ends of the two-sided interval, normal in the logarithm; 0 and 0 before a repair."""
        z = norm.ppf(0.5 + 0.5 * confidence)
        has = self.mean > 0.0
        width = np.exp(
            np.divide(
                z * np.sqrt(self.variance), self.mean, out=np.zeros_like(self.mean), where=has
            )
        )
        return np.where(has, self.mean / width, 0.0), np.where(has, self.mean * width, 0.0)


def cars_at_risk(spans: Spans, shape: tuple[int, int]) -> Array:
    """Cars watched in each bin, (k, b)."""
    change = _summed(spans.cohort, spans.enter_bin, spans.weight, shape)
    change[:, 1:] -= _summed(spans.cohort, spans.leave_bin, spans.weight, shape)[:, :-1]
    return np.cumsum(change, axis=1)


def mean_cumulative(spans: Spans, repairs: Repairs, shape: tuple[int, int]) -> MeanCumulative:
    """The mean cumulative functions of all cohorts.

    Parameters
    ----------
    spans, repairs : cars and their repairs; each repair lies within the span of its car.
    shape : number of cohorts and of bins
    """
    at_risk = cars_at_risk(spans, shape)
    counts = _summed(repairs.cohort, repairs.bin, np.ones(repairs.bin.size), shape)
    share = np.divide(1.0, at_risk, out=np.zeros(shape), where=at_risk > 0.0)
    rise = counts * share
    drawn = np.cumsum(rise * share, axis=1)
    variance = (
        _own_squares(repairs, share, shape)
        - 2.0 * _cross_products(repairs, share, drawn)
        + _fleet_squares(spans, drawn)
    )
    return MeanCumulative(np.cumsum(rise, axis=1), np.maximum(variance, 0.0), at_risk, counts)


def mean_cumulative_of_ages(
    car: Indices, age: Array, entries: Array, exits: Array
) -> tuple[Array, MeanCumulative]:
    """The function of one cohort from exact ages: the distinct ages of repair, and it there.

    Parameters
    ----------
    car, age : (m,) whose repair and when; entry < age <= exit of the car
    entries, exits : (n,) ages between which each car was watched
    """
    ages = np.unique(age)
    enter = np.searchsorted(ages, entries, side="right")
    leave = np.searchsorted(ages, exits, side="right") - 1
    kept = leave >= enter
    zeros = np.zeros(entries.size, dtype=np.int64)
    spans = Spans(zeros[kept], enter[kept], leave[kept], np.ones(int(kept.sum())))
    order = np.lexsort((age, car))
    whose = car[order]
    at = np.searchsorted(ages, age[order])
    repairs = Repairs(zeros[whose], whose, at, enter[whose], leave[whose])
    return ages, mean_cumulative(spans, repairs, (1, ages.size))


def _summed(cohort: Indices, at: Indices, weights: Array, shape: tuple[int, int]) -> Array:
    flat = np.bincount(cohort * shape[1] + at, weights=weights, minlength=shape[0] * shape[1])
    return flat.astype(np.float64).reshape(shape)


def _running(cohort: Indices, at: Indices, weights: Array, shape: tuple[int, int]) -> Array:
    """Sums of all up to and including each bin."""
    return np.cumsum(_summed(cohort, at, weights, shape), axis=1)


def _until_the_bin_before(sums: Array) -> Array:
    """The running sums moved one bin on: what left in a bin is still there in it."""
    return np.concatenate([np.zeros((sums.shape[0], 1)), sums[:, :-1]], axis=1)


def _before(drawn: Array, cohort: Indices, enter_bin: Indices) -> Array:
    """The value of `drawn` just before a car enters."""
    return np.where(enter_bin > 0, drawn[cohort, np.maximum(enter_bin - 1, 0)], 0.0)


def _own_squares(repairs: Repairs, share: Array, shape: tuple[int, int]) -> Array:
    """Sum over cars of the square of a car's own repairs over those at risk, by bin."""
    step = share[repairs.cohort, repairs.bin]
    before = _sums_before(repairs.car, step)
    return _running(repairs.cohort, repairs.bin, step * (2.0 * before + step), shape)


def _sums_before(car: Indices, step: Array) -> Array:
    """Of each repair, the sum of its car's earlier steps."""
    running = np.cumsum(step) - step
    first = np.r_[True, car[1:] != car[:-1]] if car.size else np.empty(0, dtype=bool)
    begins = np.flatnonzero(first)
    sizes = np.diff(np.r_[begins, car.size])
    return np.asarray(running - np.repeat(running[begins], sizes))


def _cross_products(repairs: Repairs, share: Array, drawn: Array) -> Array:
    """Sum over cars of own repairs times what their cohort draws from them, by bin."""
    shape = drawn.shape
    step = share[repairs.cohort, repairs.bin]
    entered = _before(drawn, repairs.cohort, repairs.enter_bin)
    left_at = drawn[repairs.cohort, repairs.leave_bin]

    def watched(weights: Array) -> Array:
        came = _running(repairs.cohort, repairs.bin, weights, shape)
        went = _running(repairs.cohort, repairs.leave_bin, weights, shape)
        return came - _until_the_bin_before(went)

    gone = _running(repairs.cohort, repairs.leave_bin, step * (left_at - entered), shape)
    return np.asarray(drawn * watched(step) - watched(step * entered) + _until_the_bin_before(gone))


def _fleet_squares(spans: Spans, drawn: Array) -> Array:
    """Sum over cars of the square of what their cohort draws from them, by bin."""
    shape = drawn.shape
    entered = _before(drawn, spans.cohort, spans.enter_bin)
    taken = drawn[spans.cohort, spans.leave_bin] - entered

    def watched(weights: Array) -> Array:
        came = _running(spans.cohort, spans.enter_bin, weights, shape)
        went = _running(spans.cohort, spans.leave_bin, weights, shape)
        return came - _until_the_bin_before(went)

    gone = _running(spans.cohort, spans.leave_bin, spans.weight * taken**2, shape)
    still = (
        drawn**2 * watched(spans.weight)
        - 2.0 * drawn * watched(spans.weight * entered)
        + watched(spans.weight * entered**2)
    )
    return np.asarray(still + _until_the_bin_before(gone))
