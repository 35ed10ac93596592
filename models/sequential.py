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
from scipy.stats import gamma

from models.cusum import average_run_length

Array = NDArray[np.float64]

# Limits are computed on a grid, rounded to the careful side: a longer horizon, a less certain
# expectation.
_GRID = 1.5
_LARGEST_CERTAINTY, _LONGEST_HORIZON = 2000.0, 1000.0
# Beyond it the exact limit lies a few hundredths below the one that holds for ever.
_COUNTED_HORIZON = 60.0
_BISECTIONS = 12
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
    steps = np.concatenate([np.ones((len(alive), 1)), factors.cumprod(axis=1)], axis=1)
    steps *= (alive * stays**size)[:, None]
    carried = np.zeros(len(alive) + most)
    for count in counts:
        carried[count : count + most] += steps[count]
    return carried


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
    low, high = 0.0, float(np.log(1.0 / chance))
    if horizon > _COUNTED_HORIZON:
        return high
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        if crossing_chance(middle, ratio, certainty, horizon) > chance:
            low = middle
        else:
            high = middle
    return high


@lru_cache(maxsize=4096)
def _later_limit(chance: float, ratio: float, certainty: float, horizon: float) -> float:
    low, high = 0.5, 60.0
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        if later_crossing_chance(middle, ratio, certainty, horizon) > chance:
            low = middle
        else:
            high = middle
        if high - low < 1e-3:
            break
    return high


def later_crossing_chance(limit: float, ratio: float, certainty: float, horizon: float) -> float:
    """Chance that a healthy cohort's cumulative sum reaches the limit within the horizon.

    From the average run length, over the law of the true rate; crossings of a healthy stream
    come nearly without memory.
    """
    rates = gamma.ppf((np.arange(_NODES) + 0.5) / _NODES, certainty) / certainty
    chances = [1.0 - np.exp(-horizon * rate / _run_length(limit, ratio, rate)) for rate in rates]
    return float(np.mean(chances))


def _run_length(limit: float, ratio: float, rate: float) -> float:
    """Claims until the cumulative sum of `log(ratio) - (ratio - 1) * waiting time` crosses."""

    def increment_cdf(value: Array) -> Array:
        wait = np.maximum(np.log(ratio) - value, 0.0) / (ratio - 1.0)
        return np.asarray(np.exp(-rate * wait))

    return average_run_length(increment_cdf, limit, slices=_SLICES)
