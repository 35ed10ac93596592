"""Weibull lives of many cohorts at once: left truncation, right censoring, profile intervals.

For a given shape the scale that fits best has a closed form, so that the likelihood is a
function of the shape alone; and the likelihood region is known at each shape from Lambert's
function, so that the interval of any quantity of both parameters is its range over the
region. Array functions; the first axis are cohorts. Does not belong here: counting (`ledger`).

l = sum d log h(t) - sum [H(exit) - H(entry)],  H(t) = (t / scale)^shape. Source: Meeker &
Escobar, Statistical Methods for Reliability Data (1998), chapters 8 and 11.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import lambertw
from scipy.stats import chi2

if TYPE_CHECKING:
    from collections.abc import Callable

Array = NDArray[np.float64]

CONFIDENCE = 0.9
# shapes looked at: beyond them a life is a point or nothing
_SHAPES = np.geomspace(0.05, 50.0, 180)
_REGION_POINTS = 25
_MOST_STEPS = 60
_TOLERANCE = 1e-13
_LEAST_TO_SPARE = 1e-12


@dataclass(frozen=True)
class LifeCounts:
    """What a Weibull fit needs of each cohort, ages shared between cohorts.

    failures (k, f) at `failure_ages` (f,); exposure (k, x) at `exposure_ages` (x,): leavings,
    failed or not, count positive, entries count negative.
    """

    failure_ages: Array
    failures: Array
    exposure_ages: Array
    exposure: Array


@dataclass(frozen=True)
class WeibullFit:
    """Shapes and scales (k,), their intervals (k, 2), and the likelihood regions.

    NaN where a cohort could not be fitted; an end of an interval that lies beyond all shapes
    looked at is 0 or inf.
    """

    shape: Array
    scale: Array
    shape_interval: Array
    log_likelihood: Array
    region_shapes: Array
    region_log_scales: Array

    def scale_interval(self) -> Array:
        """Profile-likelihood intervals of the scale, (k, 2)."""
        return np.asarray(np.exp(self._range(self.region_log_scales)))

    def quantile_interval(self, share: float) -> Array:
        """Profile-likelihood intervals of the age by which a share has failed, (k, 2)."""
        away = np.log(-np.log1p(-share)) / self.region_shapes[..., None]
        return np.asarray(np.exp(self._range(self.region_log_scales + away)))

    def failed_share(self, age: float) -> Array:
        """Share failed by an age, (k,)."""
        return np.asarray(-np.expm1(-((age / self.scale) ** self.shape)))

    def failed_share_interval(self, age: float) -> Array:
        """Profile-likelihood intervals of the share failed by an age, (k, 2)."""
        log_hazard = self.region_shapes[..., None] * (np.log(age) - self.region_log_scales)
        return np.asarray(-np.expm1(-np.exp(self._range(log_hazard))))

    def _range(self, values: Array) -> Array:
        """Least and greatest value over the region, between its points by a parabola."""
        return np.stack([-_highest(-values.min(axis=-1)), _highest(values.max(axis=-1))], axis=-1)


def counts_of_ages(entries: Array, exits: Array, failed: NDArray[np.bool_]) -> LifeCounts:
    """The counts of one cohort from the ages of its cars; an entry of 0 is no truncation."""
    late = entries[entries > 0.0]
    ages = np.r_[exits, late]
    signs = np.r_[np.ones(exits.size), -np.ones(late.size)]
    return LifeCounts(exits[failed], np.ones((1, int(failed.sum()))), ages, signs[None, :])


def fit_weibull(counts: LifeCounts, confidence: float = CONFIDENCE) -> WeibullFit:
    """Maximum likelihood fits with profile-likelihood intervals.

    A cohort needs failures at two different ages at least; NaN otherwise.
    """
    profile = _Profile(counts)
    grid = profile.on_grid(_SHAPES)
    best = np.argmax(grid, axis=1)
    is_inside = (best > 0) & (best < _SHAPES.size - 1) & np.isfinite(grid.max(axis=1))
    inner = np.clip(best, 1, _SHAPES.size - 2)
    shape = _root(profile.slope, _SHAPES[inner - 1], _SHAPES[inner + 1])
    shape = np.where(is_inside, shape, np.nan)
    peak = profile.at(shape)
    floor = peak - 0.5 * chi2.ppf(confidence, 1)
    ends = _ends(profile, grid, shape, floor)
    region_shapes = _region_shapes(np.maximum(ends, _SHAPES[:1]))
    log_scales = profile.log_scales(region_shapes, floor)
    scale = np.exp(profile.log_scale(shape))
    return WeibullFit(shape, scale, ends, peak, region_shapes, log_scales)


class _Profile:
    """The profile likelihood of the shape, by cohort; ages are taken relative to the longest."""

    def __init__(self, counts: LifeCounts) -> None:
        self._unit = float(counts.exposure_ages.max(initial=1e-300))
        self._log_ages = np.log(counts.exposure_ages / self._unit)
        self._exposure = counts.exposure
        log_failure = np.log(counts.failure_ages / self._unit)
        self.n_failed = counts.failures.sum(axis=1)
        self._log_sum = counts.failures @ log_failure
        # the likelihood is of ages as they are given, not of relative ones
        self._shift = self.n_failed * np.log(self._unit)

    def on_grid(self, shapes: Array) -> Array:
        """At the same shapes for all cohorts, (k, g)."""
        sums = self._exposure @ np.exp(self._log_ages[:, None] * shapes)
        n, log_sum, shift = (x[:, None] for x in (self.n_failed, self._log_sum, self._shift))
        return _profile_value(shapes[None, :], sums, (n, log_sum, shift))

    def at(self, shape: Array) -> Array:
        """At a shape for each cohort, (k,)."""
        parts = (self.n_failed, self._log_sum, self._shift)
        return _profile_value(shape, self._sums(shape)[0], parts)

    def slope(self, shape: Array) -> Array:
        """The derivative by the shape, (k,)."""
        sums, moments = self._sums(shape)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(self.n_failed * (1.0 / shape - moments / sums) + self._log_sum)

    def _sums(self, shape: Array) -> tuple[Array, Array]:
        powers = np.exp(shape[:, None] * self._log_ages)
        powers *= self._exposure
        return powers.sum(axis=1), powers @ self._log_ages

    def log_scale(self, shape: Array) -> Array:
        """The logarithm of the scale that fits best at a shape, (k,)."""
        with np.errstate(divide="ignore", invalid="ignore"):
            best = np.log(self._sums(shape)[0] / self.n_failed) / shape
        return np.asarray(best + np.log(self._unit))

    def log_scales(self, shapes: Array, floor: Array) -> Array:
        """Ends of the scales at each shape whose likelihood is not below the floor, (k, p, 2).

        With x = sum(t^shape) / (n scale^shape) the loss is n (x - 1 - log x).
        """
        ends = np.empty((*shapes.shape, 2))
        for point in range(shapes.shape[1]):
            shape = shapes[:, point]
            sums = self._sums(shape)[0]
            likelihood = _profile_value(shape, sums, (self.n_failed, self._log_sum, self._shift))
            to_spare = np.maximum(likelihood - floor, 0.0) / np.maximum(self.n_failed, 1.0)
            # at the very end nothing is to spare, and x = 1
            inner = -np.exp(-1.0 - np.maximum(to_spare, _LEAST_TO_SPARE))
            with np.errstate(invalid="ignore", divide="ignore"):
                x_low, x_high = (-lambertw(inner, branch).real for branch in (0, -1))
                best = np.log(sums / self.n_failed) / shape + np.log(self._unit)
                ends[:, point, 0] = best - np.log(x_high) / shape
                ends[:, point, 1] = best - np.log(x_low) / shape
        return ends


def _profile_value(shape: Array, sums: Array, parts: tuple[Array, Array, Array]) -> Array:
    n, log_sum, shift = parts
    with np.errstate(divide="ignore", invalid="ignore"):
        value = n * (np.log(shape) - np.log(sums / n) - 1.0) + (shape - 1.0) * log_sum - shift
    return np.where((n > 0) & (sums > 0.0), value, -np.inf)


def _ends(profile: _Profile, grid: Array, shape: Array, floor: Array) -> Array:
    """Where the profile falls to its floor on both sides of the best shape, (k, 2)."""
    below = grid < floor[:, None]
    is_left = _SHAPES[None, :] < shape[:, None]
    left = np.where(below & is_left, np.arange(_SHAPES.size), -1).max(axis=1)
    right = np.where(below & ~is_left, np.arange(_SHAPES.size), _SHAPES.size).min(axis=1)

    def over(at: Array) -> Array:
        return profile.at(at) - floor

    # the floor is crossed between a point of the grid below it and the next one inwards
    low = _root(
        over, _SHAPES[np.maximum(left, 0)], np.fmin(_SHAPES[np.maximum(left, 0) + 1], shape)
    )
    last = np.minimum(right, _SHAPES.size - 1)
    high = _root(over, np.fmax(_SHAPES[last - 1], shape), _SHAPES[last])
    ends = np.stack(
        [np.where(left < 0, 0.0, low), np.where(right >= _SHAPES.size, np.inf, high)], 1
    )
    return np.asarray(np.where(np.isfinite(shape)[:, None], ends, np.nan))


def _region_shapes(ends: Array) -> Array:
    """Shapes across the region, denser towards its ends, (k, p)."""
    nodes = 0.5 - 0.5 * np.cos(np.pi * np.arange(_REGION_POINTS) / (_REGION_POINTS - 1))
    low, high = np.log(ends[:, 0]), np.log(np.minimum(ends[:, 1], _SHAPES[-1]))
    return np.asarray(np.exp(low[:, None] + (high - low)[:, None] * nodes))


def _root(function: Callable[[Array], Array], low: Array, high: Array) -> Array:
    """A zero between two ends of opposite sign for each cohort, by the Illinois rule."""
    f_low, f_high = function(low), function(high)
    at = 0.5 * (low + high)
    for _ in range(_MOST_STEPS):
        with np.errstate(divide="ignore", invalid="ignore"):
            at = high - f_high * (high - low) / (f_high - f_low)
        at = np.where(np.isfinite(at), at, 0.5 * (low + high))
        value = function(at)
        crossed = np.sign(value) != np.sign(f_high)
        low, f_low = np.where(crossed, high, low), np.where(crossed, f_high, 0.5 * f_low)
        moved = np.abs(at - high)
        high, f_high = at, value
        if not np.any((moved > _TOLERANCE * np.abs(at)) & (value != 0.0)):
            break
    return at


def _highest(values: Array) -> Array:
    """Greatest value along the last axis: the top of the parabola through its highest points.

    The points are evenly spaced in their number, and the parabola is one in it.
    """
    place = np.clip(np.argmax(values, axis=-1), 1, values.shape[-1] - 2)[..., None]
    before, at, after = (
        np.take_along_axis(values, place + step, axis=-1)[..., 0] for step in (-1, 0, 1)
    )
    bend = before - 2.0 * at + after
    is_top = (bend < 0.0) & (at >= before) & (at >= after)
    rise = np.divide((after - before) ** 2, -8.0 * bend, out=np.zeros_like(at), where=is_top)
    return np.asarray(np.maximum(np.maximum(before, at + rise), after))
