"""Rates of groups drawn towards what was expected of them, as far as each says little itself.

Array functions on `Counts`: the true ratio of a group to its expectation varies from group to
group about 1 (gamma for counts, beta for shares), by how much the groups say themselves. That
spread is not taken for known: every spread counts by how likely it makes all counts. Gives
the posterior of each group's ratio. Does not belong here: limits of chance (`funnel`).

Sources: Clayton & Kaldor, Biometrics 43 (1987) 671 (gamma and Poisson), Gelman, Bayesian
Analysis 1 (2006) 515 (half-normal prior of the spread).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, betaln, gammainc, gammaln

if TYPE_CHECKING:
    from collections.abc import Callable

    from models.funnel import Counts

Array = NDArray[np.float64]

# spreads of the true ratio that are considered, and the scale of their half-normal prior: half
# as much again as expected is common between workshops, thrice is not [default]
_SPREADS = np.geomspace(0.02, 2.0, 28)
_PRIOR_SCALE = 0.5
_HALVINGS = 50
_MOST_RATIO = 1e3


@dataclass(frozen=True)
class Posteriors:
    """Posterior of seen / expected per group, (m,): mean, ends of 90 %, chance to exceed 1.

    `spread` is the posterior mean of the standard deviation of the true ratios.
    """

    ratio: Array
    low: Array
    high: Array
    above_one: Array
    spread: float


def ratio_posteriors(counts: Counts) -> Posteriors:
    """What each group's ratio is likely to be, given all groups."""
    if counts.expected.size == 0:
        return Posteriors(*(np.empty(0),) * 4, spread=0.0)
    first, second, scale = _posteriors(counts)
    weights = _weights(counts)
    mean = first / second if counts.trials is None else scale * first / (first + second)
    cdf = _mixture(counts, (first, second, scale), weights)
    return Posteriors(
        (mean * weights).sum(axis=1),
        _quantile(cdf, 0.05, counts.expected.size),
        _quantile(cdf, 0.95, counts.expected.size),
        1.0 - cdf(np.ones(counts.expected.size)),
        float((_SPREADS * weights).sum()),
    )


def _prior(counts: Counts) -> tuple[Array, Array]:
    """Parameters of the law of a group's ratio (or share) at each spread, (m, k) each."""
    if counts.trials is None:
        shape = np.broadcast_to(_SPREADS**-2, (counts.expected.size, _SPREADS.size))
        return shape, shape
    share = np.clip(counts.share, 1e-6, 1.0 - 1e-6)[:, None]
    strength = np.maximum((1.0 - share) / (share * _SPREADS**2) - 1.0, 0.5)
    return strength * share, strength * (1.0 - share)


def _posteriors(counts: Counts) -> tuple[Array, Array, Array]:
    """Parameters after the counts are seen, and what turns a share into a ratio, (m, 1)."""
    first, second = _prior(counts)
    seen, expected = counts.seen[:, None], counts.expected[:, None]
    if counts.trials is None:
        return first + seen, second + expected, np.ones_like(expected)
    share = np.clip(counts.share, 1e-6, 1.0 - 1e-6)[:, None]
    return first + seen, second + counts.trials[:, None] - seen, 1.0 / share


def _weights(counts: Counts) -> Array:
    """Weight of each spread, (k,): its prior times how likely it makes all counts."""
    first, second = _prior(counts)
    seen, expected = counts.seen[:, None], counts.expected[:, None]
    if counts.trials is None:
        each = gammaln(first + seen) - gammaln(first) + first * np.log(first)
        each = each - (first + seen) * np.log(first + expected)
    else:
        missed = counts.trials[:, None] - seen
        each = betaln(first + seen, second + missed) - betaln(first, second)
    # the steps of the grid are equal in the logarithm, hence the factor
    log_weight = each.sum(axis=0) + np.log(_SPREADS) - 0.5 * (_SPREADS / _PRIOR_SCALE) ** 2
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _mixture(
    counts: Counts, law: tuple[Array, Array, Array], weights: Array
) -> Callable[[Array], Array]:
    """The cumulated posterior of the ratios as a function of one ratio per group."""
    first, second, scale = law

    def cdf(ratio: Array) -> Array:
        at = ratio[:, None]
        if counts.trials is None:
            return np.asarray(gammainc(first, second * at) @ weights)
        return np.asarray(betainc(first, second, np.clip(at / scale, 0.0, 1.0)) @ weights)

    return cdf


def _quantile(cdf: Callable[[Array], Array], share: float, size: int) -> Array:
    low, high = np.full(size, np.log(1.0 / _MOST_RATIO)), np.full(size, np.log(_MOST_RATIO))
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        is_below = cdf(np.exp(middle)) < share
        low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
    return np.asarray(np.exp(0.5 * (low + high)))
