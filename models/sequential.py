"""Sequential tests of a stream of claims: evidence, chance of a false crossing, limits.

Array functions. A watched cohort has claims and, on the same clock, expected claims. The
evidence is the logarithm of a likelihood ratio: claims come `ratio` times as often as
expected, against as often as expected. What is expected is itself uncertain: a healthy
cohort's true rate is taken as the expected one times a gamma variate of mean 1 and shape
`certainty` (variance 1 / certainty), so that a poor expectation cannot make a warning.
Two watches: from the first day on (Wald's test, left open on the healthy side), and for what
begins later a cumulative sum that forgets good times (`cusum`). Limits are found so that a
healthy cohort ever crosses one within the horizon with the chance stated; the first exactly,
claim by claim. Does not belong here: cohorts, expected claims (`claim_expectation`), states.

Sources: Wald, Sequential Analysis (1947); the recursion over straight-line crossings of
counts as in Noe, Ann. Math. Statist. 43 (1972) 58 (from memory); Vardeman & Ray,
Technometrics 27 (1985) 145 for cumulative sums of waiting times (from memory).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline
from scipy.optimize import brentq
from scipy.stats import gamma

from models.cusum import average_run_length

Array = NDArray[np.float64]

# Limits are computed on a grid, rounded to the careful side: a longer horizon, a less certain
# expectation.
_GRID = 1.5
_LARGEST_CERTAINTY, _LONGEST_HORIZON = 2000.0, 1000.0
# Beyond it the exact limit lies a few hundredths below the one that holds for ever.
_COUNTED_HORIZON = 60.0
# How close a limit is looked for; it is rounded up by as much.
_CLOSE = 4e-3
# Limits and logarithms of rates over which run lengths are computed once for each ratio.
_LONGEST_LIMIT, _N_LIMITS = 60.0, 70
_LOG_RATES, _N_RATES = (-4.0, 2.2), 24
_LARGEST_LOG_LENGTH = 22.0
_NODES, _SLICES = 9, 60
# How far above its mean a count is carried: what lies beyond is below 1e-9.
_WIDTHS, _LEAST_STEPS = 8.0, 14


def log_ratio(claims: Array, expected: Array, ratio: float, certainty: float) -> Array:
    """Logarithm of the likelihood ratio after so many claims where so many were expected.

    With a certain expectation this is `claims * log(ratio) - (ratio - 1) * expected`.
    """
    uncertain = (certainty + claims) * np.log1p((ratio - 1.0) * expected / (certainty + expected))
    return np.asarray(claims * np.log(ratio) - uncertain)


def crossing_chance(limit: float, ratio: float, certainty: float, horizon: float) -> float:
    """Chance that a healthy cohort's evidence ever reaches the limit, exactly.

    Parameters
    ----------
    limit : of `log_ratio`.
    ratio, certainty : as in `log_ratio`.
    horizon : claims expected in all the time it is followed.

    The n-th claim crosses when it comes before e_n, the expected count at which n claims make
    the evidence equal to the limit; those that have not crossed are carried from e_n to
    e_n+1 by the negative binomial law of counts whose rate is uncertain.
    """
    n = int(np.floor(limit / np.log(ratio))) + 1
    reached, alive = 0.0, np.ones(1)
    while True:
        growth = np.exp((n * np.log(ratio) - limit) / (certainty + n))
        crossed_until = certainty * (growth - 1.0) / (ratio - growth)
        now = min(crossed_until, horizon)
        alive = _carried(alive, certainty, reached, now)[:n]
        if crossed_until >= horizon:
            return float(1.0 - alive.sum())
        reached, n = now, n + 1


def _carried(alive: Array, certainty: float, start: float, end: float) -> Array:
    """Distribution of the count at `end`, from that at `start` (place: number of claims)."""
    counts = np.arange(len(alive))
    size = certainty + counts
    stays = (certainty + start) / (certainty + end)
    mean = size[-1] * (1.0 - stays) / stays
    most = int(mean + _WIDTHS * np.sqrt(mean / stays)) + _LEAST_STEPS
    # each probability from the one before: size + k - 1 over k, times the chance to go on
    more = np.arange(1, most)
    factors = (size[:, None] + more[None, :] - 1.0) / more[None, :] * (1.0 - stays)
    n = len(alive)
    steps = np.zeros((n, n + most))
    steps[:, 0] = 1.0
    steps[:, 1:most] = factors.cumprod(axis=1)
    steps *= (alive * stays**size)[:, None]
    # read in rows one shorter, each row stands one place further right: counts after the step
    return np.asarray(steps.ravel()[:-n].reshape(n, n + most - 1).sum(axis=0))


def first_day_limit(chance: float, ratio: float, certainty: float, horizon: float) -> float:
    """Limit of the watch from the first day on that a healthy cohort crosses with `chance`."""
    return _first_day_limit(chance, ratio, *_on_grid(certainty, horizon))


def later_limit(chance: float, ratio: float, certainty: float, horizon: float) -> float:
    """Limit of the cumulative sum that a healthy cohort crosses with `chance`."""
    return _later_limit(chance, ratio, *_on_grid(certainty, horizon))


def _on_grid(certainty: float, horizon: float) -> tuple[float, float]:
    known = min(max(certainty, 1.0), _LARGEST_CERTAINTY)
    ahead = min(max(horizon, 0.2), _LONGEST_HORIZON)
    down = _GRID ** np.floor(np.log(known) / np.log(_GRID))
    up = _GRID ** np.ceil(np.log(ahead) / np.log(_GRID))
    return float(down), float(up)


@lru_cache(maxsize=4096)
def _first_day_limit(chance: float, ratio: float, certainty: float, horizon: float) -> float:
    # Ville's inequality: no limit above log(1 / chance) is ever needed.
    highest = float(np.log(1.0 / chance))
    if horizon > _COUNTED_HORIZON:
        return highest

    def excess(limit: float) -> float:
        return float(
            np.log(max(crossing_chance(limit, ratio, certainty, horizon), 1e-300) / chance)
        )

    low = highest
    while low > 0.0 and excess(low) < 0.0:
        low = max(low - 1.0, 0.0)
    if low == highest or excess(low) < 0.0:
        return low
    above = min(low + 1.0, highest)
    return min(float(brentq(excess, low, above, xtol=_CLOSE)) + _CLOSE, highest)


@lru_cache(maxsize=4096)
def _later_limit(chance: float, ratio: float, certainty: float, horizon: float) -> float:
    low, high = float(np.log(ratio)), _LONGEST_LIMIT

    def excess(limit: float) -> float:
        return later_crossing_chance(limit, ratio, certainty, horizon) - chance

    if excess(low) <= 0.0 or excess(high) > 0.0:
        return low if excess(low) <= 0.0 else high
    return float(brentq(excess, low, high, xtol=_CLOSE)) + _CLOSE


def later_crossing_chance(limit: float, ratio: float, certainty: float, horizon: float) -> float:
    """Chance that a healthy cohort's cumulative sum reaches the limit within the horizon.

    From the average run length, over the law of the true rate; crossings of a healthy stream
    come nearly without memory.
    """
    rates = _rate_nodes(certainty)
    lengths = np.exp(_log_run_lengths(ratio).ev(limit, np.log(rates)))
    return float(np.mean(-np.expm1(-horizon * rates / lengths)))


@lru_cache(maxsize=256)
def _rate_nodes(certainty: float) -> Array:
    """Rates that stand for equal shares of the healthy cohorts."""
    return np.asarray(gamma.ppf((np.arange(_NODES) + 0.5) / _NODES, certainty) / certainty)


@lru_cache(maxsize=16)
def _log_run_lengths(ratio: float) -> RectBivariateSpline:
    """Logarithm of the claims until a crossing, over limit and logarithm of the rate."""
    # below the first, a single claim would do
    limits = np.geomspace(np.log(ratio), _LONGEST_LIMIT, _N_LIMITS)
    log_rates = np.linspace(*_LOG_RATES, _N_RATES)
    lengths = [_log_lengths(limits, ratio, float(np.exp(each))) for each in log_rates]
    return RectBivariateSpline(limits, log_rates, np.column_stack(lengths))


def _log_lengths(limits: Array, ratio: float, rate: float) -> Array:
    """At one rate; beyond what the chain can count they grow evenly with the limit."""
    found = [float(np.log(_run_length(float(limit), ratio, rate))) for limit in limits[:2]]
    for limit in limits[2:]:
        if found[-1] < _LARGEST_LOG_LENGTH:
            found.append(float(np.log(_run_length(float(limit), ratio, rate))))
        else:
            found.append(2.0 * found[-1] - found[-2])
    return np.array(found)


def _run_length(limit: float, ratio: float, rate: float) -> float:
    """Claims until the cumulative sum of `log(ratio) - (ratio - 1) * waiting time` crosses."""

    def increment_cdf(value: Array) -> Array:
        wait = np.maximum(np.log(ratio) - value, 0.0) / (ratio - 1.0)
        return np.asarray(np.exp(-rate * wait))

    return average_run_length(increment_cdf, limit, slices=_SLICES)
