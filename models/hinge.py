"""The fall of subcooling through a leak: flat while the reserve lasts, then straight, then zero.

Array functions over many cars with equally many visits. SC(t) = SC0 - b max(0, t - t_r),
not below zero; t_r is when the reserve in the receiver is used up, b the fall in K per year.
A Bayesian change point: the posterior on a grid over t_r and b under the leak prior; the
level SC0 of the car is integrated out against the spread between cars, its noise against
what the fleet says of it. Does not belong here: which visits (`visits`), the priors
themselves (`leak_priors`), words.

With rate r, reserve R and kelvins per gram k, all log-normal, b = r k and t_r = R / r are
log-normal together, which gives the prior over the grid, and r given both is log-normal
again. Where a node of the grid puts a visit at the floor, its reading is compared with zero.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models.binned_law import BinnedLaw, LogBins, bin_atoms

if TYPE_CHECKING:
    from models.leak_priors import Leaking, LeakPrior

Array = NDArray[np.float64]

# Cells over the time seen, over the future, and over the fall from 0.1 to 100 K per year.
_SEEN_CELLS, _FUTURE_CELLS, _FALL_CELLS = 30, 12, 34
_FALL_ENDS = np.geomspace(0.1, 100.0, _FALL_CELLS + 1)
_FALLS = np.sqrt(_FALL_ENDS[1:] * _FALL_ENDS[:-1])
_FARTHEST_YEARS = 100.0
# Borders of the bins for times since the start (2 % of the time elapsed) and for rates.
_TIME_BINS = LogBins(0.0, 300.0, 400, offset=0.1)
_RATE_BINS = LogBins(0.1, 20000.0, 400)
# Nodes and weights of a normal, exact to the fifth power (Gauss and Hermite).
_NORMAL_NODES = np.array([-(3.0**0.5), 0.0, 3.0**0.5])
_NORMAL_WEIGHTS = np.array([1.0, 4.0, 1.0]) / 6.0
# Nodes lighter than this share of the heaviest are left out of the laws.
_LIGHTEST = 1e-5
# So few that the nodes of all of them stay in the cache of a processor.
_CARS_AT_ONCE = 32


@dataclass(frozen=True)
class HingeVisits:
    """Visits of m cars, n each.

    `times` (m, n) years since the first visit; `deviations` of subcooling (m, n), K;
    `floors` (m, n) the deviation at which subcooling is zero; `noise` and its `freedom`
    (m,); `between` (m,) standard deviation of the level between healthy cars; `limit` (m,)
    fall below the expected value at which the band ends; `full_before` (m,) years from the
    last full charge to the first visit, NaN where not known.
    """

    times: Array
    deviations: Array
    floors: Array
    noise: Array
    freedom: Array
    between: Array
    limit: Array
    full_before: Array

    def part(self, rows: slice) -> HingeVisits:
        """The visits of some of the cars."""
        return HingeVisits(*(getattr(self, field.name)[rows] for field in fields(self)))


@dataclass(frozen=True)
class HingeLaws:
    """What the visits say, per car: laws of times in years since `start`, and of the rate.

    `fall` is in K per year once the reserve is used up.

    `start` (m,) is the last full charge, else the first visit, in years since that visit;
    `decline_probability` that subcooling has fallen by more than the noise of a visit by the
    last of them, `prior_decline` the same before any visit was looked at. Without a prior
    learned from the model there is no law of the rate.
    """

    start: Array
    crossing: BinnedLaw
    exhausted: BinnedLaw
    fall: BinnedLaw
    rate: BinnedLaw | None
    decline_probability: Array
    prior_decline: Array


@dataclass(frozen=True)
class _Grid:
    """Nodes over the time of exhaustion (m, T), with the width of their cells."""

    since_full: Array
    width: Array
    start: Array

    @property
    def exhausted(self) -> Array:
        """Time at which the reserve is used up, years since the first visit."""
        return np.asarray(self.since_full + self.start[:, None])


def hinge_laws(visits: HingeVisits, prior: LeakPrior) -> HingeLaws:
    """The laws of leak, exhaustion and crossing of every car under one leak prior."""
    parts = [
        _laws(visits.part(slice(first, first + _CARS_AT_ONCE)), prior)
        for first in range(0, max(len(visits.times), 1), _CARS_AT_ONCE)
    ]
    return HingeLaws(
        start=np.concatenate([part.start for part in parts]),
        crossing=_joined([part.crossing for part in parts]),
        exhausted=_joined([part.exhausted for part in parts]),
        fall=_joined([part.fall for part in parts]),
        rate=_joined([part.rate for part in parts if part.rate is not None])
        if prior.is_learned
        else None,
        decline_probability=np.concatenate([part.decline_probability for part in parts]),
        prior_decline=np.concatenate([part.prior_decline for part in parts]),
    )


def _joined(laws: list[BinnedLaw]) -> BinnedLaw:
    return BinnedLaw(laws[0].ends, np.concatenate([law.cumulated for law in laws]))


def _laws(visits: HingeVisits, prior: LeakPrior) -> HingeLaws:
    grid = _grid(visits)
    reserve = _reserve(visits, prior)
    log_priors = _log_prior(grid, prior, reserve)
    before = _normalised(np.logaddexp.reduce(log_priors, axis=3))
    log_likelihood, level, level_sd = _fit_levels(visits, grid)
    after = _normalised(np.log(np.maximum(before, 1e-300)) + log_likelihood)
    has_fallen = _fall_at_last(visits, grid) > visits.noise[:, None, None]
    return HingeLaws(
        start=grid.start,
        crossing=_crossing_law(visits, grid, after, (level, level_sd)),
        exhausted=_exhausted_law(grid, after),
        fall=BinnedLaw(_FALL_ENDS, np.cumsum(after.sum(axis=1), axis=1)),
        rate=_rate_law(grid, after, log_priors, (prior, reserve)) if prior.is_learned else None,
        decline_probability=(after * has_fallen).sum(axis=(1, 2)),
        prior_decline=(before * has_fallen).sum(axis=(1, 2)),
    )


def _grid(visits: HingeVisits) -> _Grid:
    start = -np.nan_to_num(visits.full_before)
    seen = visits.times[:, -1] - start
    shares = (np.arange(_SEEN_CELLS) + 0.5) / _SEEN_CELLS
    ends = seen[:, None] * (_FARTHEST_YEARS / seen[:, None]) ** np.linspace(
        0.0, 1.0, _FUTURE_CELLS + 1
    )
    since_full = np.hstack([seen[:, None] * shares, np.sqrt(ends[:, 1:] * ends[:, :-1])])
    width = np.hstack(
        [np.repeat(seen[:, None] / _SEEN_CELLS, _SEEN_CELLS, axis=1), np.diff(ends, axis=1)]
    )
    return _Grid(since_full, width, start)


def _reserve(visits: HingeVisits, prior: LeakPrior) -> tuple[Array, Array]:
    """Mean and variance of the logarithm of the reserve at the start of each car."""
    known, unknown = np.isfinite(visits.full_before), prior.with_unknown_start
    return (
        np.where(known, prior.reserve_log_mean, unknown.reserve_log_mean),
        np.where(known, prior.reserve_log_variance, unknown.reserve_log_variance),
    )


def _log_prior(grid: _Grid, prior: LeakPrior, reserve: tuple[Array, Array]) -> Array:
    """Logarithm of the prior of each node and kind of leaking, (m, T, B, kinds)."""
    log_time, log_fall = np.log(grid.since_full)[:, :, None], np.log(_FALLS)
    cells = (np.log(grid.width) - np.log(grid.since_full))[:, :, None]
    reserve_mean, reserve_variance = (part[:, None, None] for part in reserve)
    parts = []
    for kind in prior.kinds:
        # log b = log r + log k and log t_r = log R - log r share the variance of log r
        by_rate = kind.log_sigma**2
        of_fall = by_rate + prior.kelvin_log_variance
        of_time = by_rate + reserve_variance
        shared = by_rate - prior.log_covariance
        determinant = of_fall * of_time - shared**2
        fall = log_fall - kind.log_mean - prior.kelvin_log_mean
        time = log_time + kind.log_mean - reserve_mean
        square = of_time * fall**2 + 2.0 * shared * fall * time + of_fall * time**2
        parts.append(
            np.log(kind.share) - 0.5 * np.log(determinant) - 0.5 * square / determinant + cells
        )
    return np.stack(parts, axis=-1)


def _normalised(log_weights: Array) -> Array:
    weights = np.exp(log_weights - log_weights.max(axis=(1, 2), keepdims=True))
    return np.asarray(weights / weights.sum(axis=(1, 2), keepdims=True))


def _fit_levels(visits: HingeVisits, grid: _Grid) -> tuple[Array, ...]:
    """Log-likelihood of each node, and mean and deviation of the car's level given it.

    A visit that the node puts at the floor says nothing of the level. The nodes of the
    future put no fall into the visits and are all alike.
    """
    nodes = (len(visits.times), _SEEN_CELLS + 1, _FALL_CELLS)
    # single precision holds the sums to a ten-thousandth, in half the time
    times, deviations, lowest, exhausted, falls = (
        values.astype(np.float32)
        for values in (
            visits.times,
            visits.deviations,
            visits.floors,
            grid.exhausted[:, : _SEEN_CELLS + 1],
            -_FALLS,
        )
    )
    n_free, total, squares = (np.zeros(nodes, dtype=np.float32) for _ in range(3))
    courses = []
    for number in range(visits.times.shape[1]):
        fallen = np.maximum(times[:, number, None] - exhausted, np.float32(0.0))
        course = fallen[:, :, None] * falls
        is_free = course > lowest[:, number, None, None]
        left = (deviations[:, number, None, None] - course) * is_free
        n_free += is_free
        total += left
        squares += left * left
        courses.append((number, course, ~is_free))
    ratio = ((visits.between / visits.noise) ** 2).astype(np.float32)[:, None, None]
    shrinking = ratio / (1.0 + n_free * ratio)
    level = shrinking * total
    squares -= level * total
    for number, course, is_down in courses:
        if is_down.any():
            held = np.maximum(course + level, lowest[:, number, None, None])
            squares += is_down * (deviations[:, number, None, None] - held) ** 2
    noise, freedom = visits.noise[:, None, None], visits.freedom[:, None, None]
    scaled = freedom * noise**2
    count = visits.times.shape[1]
    squares = np.maximum(squares, 0.0).astype(np.float64)
    log_likelihood = -0.5 * (freedom + count) * np.log1p(squares / scaled)
    log_likelihood -= 0.5 * np.log1p(n_free * ratio)
    deviation = np.sqrt((scaled + squares) / (freedom + count) * shrinking)
    everywhere = np.minimum(np.arange(grid.width.shape[1]), _SEEN_CELLS)
    return tuple(
        np.asarray(part[:, everywhere], dtype=np.float64)
        for part in (log_likelihood, level, deviation)
    )


def _fall_at_last(visits: HingeVisits, grid: _Grid) -> Array:
    since = np.maximum(visits.times[:, -1:] - grid.exhausted, 0.0)
    return np.asarray(since[:, :, None] * _FALLS)


def _heavy(weights: Array) -> tuple[NDArray[np.int64], ...]:
    """Places (car, time, fall) of the nodes that matter."""
    return np.nonzero(weights > _LIGHTEST * weights.max(axis=(1, 2), keepdims=True))


def _crossing_law(
    visits: HingeVisits, grid: _Grid, weights: Array, levels: tuple[Array, Array]
) -> BinnedLaw:
    """Law of the first time outside the band, years since the start.

    Never for a car whose band reaches down to no subcooling at all.
    """
    car, time, fall = places = _heavy(weights)
    level = levels[0][places][:, None] + _NORMAL_NODES * levels[1][places][:, None]
    room = visits.limit[car][:, None] + level
    since = grid.since_full[car, time][:, None] + room / _FALLS[fall][:, None]
    since = np.where(room > 0, since, 0.0)
    lowest = np.median(visits.floors, axis=1)[car][:, None]
    since = np.where(lowest < -visits.limit[car][:, None], since, np.inf)
    share = weights[places][:, None] * _NORMAL_WEIGHTS
    rows = np.repeat(car, _NORMAL_NODES.size)
    return bin_atoms(_TIME_BINS, since.ravel(), share.ravel(), rows, len(weights))


def _exhausted_law(grid: _Grid, weights: Array) -> BinnedLaw:
    shares = weights.sum(axis=2)
    car = np.repeat(np.arange(len(shares)), shares.shape[1])
    return bin_atoms(_TIME_BINS, grid.since_full.ravel(), shares.ravel(), car, len(shares))


def _rate_law(
    grid: _Grid, weights: Array, log_priors: Array, known: tuple[LeakPrior, tuple[Array, Array]]
) -> BinnedLaw:
    """Law of the leak rate in g/a: log-normal at each node and for each kind of leaking."""
    prior, reserve = known
    car, time, fall = places = _heavy(weights)
    of_kinds = log_priors[places]
    share = np.exp(of_kinds - np.logaddexp.reduce(of_kinds, axis=1)[:, None])
    values, shares = [], []
    for number, kind in enumerate(prior.kinds):
        node = (np.log(_FALLS[fall]), np.log(grid.since_full[car, time]))
        middle, deviation = _rate_given(kind, prior, node, (reserve[0][car], reserve[1][car]))
        values.append(np.exp(middle[:, None] + deviation[:, None] * _NORMAL_NODES))
        shares.append((weights[places] * share[:, number])[:, None] * _NORMAL_WEIGHTS)
    rows = np.repeat(car, len(prior.kinds) * _NORMAL_NODES.size)
    return bin_atoms(
        _RATE_BINS, np.hstack(values).ravel(), np.hstack(shares).ravel(), rows, len(weights)
    )


def _rate_given(
    kind: Leaking,
    prior: LeakPrior,
    node: tuple[Array, Array],
    reserve: tuple[Array, Array],
) -> tuple[Array, Array]:
    """Mean and deviation of log r given log b and log t_r."""
    log_fall, log_time = node
    mean, variance = reserve
    # two correlated readings of log r: log b - log k, and log R - log t_r
    of_fall, joint = prior.kelvin_log_variance, -prior.log_covariance
    determinant = of_fall * variance - joint**2
    by_fall = (variance - joint) / determinant
    by_time = (of_fall - joint) / determinant
    by_rate = 1.0 / kind.log_sigma**2
    precision = by_rate + by_fall + by_time
    middle = (
        by_rate * kind.log_mean
        + by_fall * (log_fall - prior.kelvin_log_mean)
        + by_time * (mean - log_time)
    ) / precision
    return middle, np.sqrt(1.0 / precision)
