"""Rates of groups drawn towards what was expected of them, as far as each says little itself.

Array functions on `Counts`: the true ratio of a group to its expectation varies from group to
group about 1 (gamma for counts, beta for shares of trials), by how much the groups say
themselves. That spread is not taken for known: every spread counts by how likely it makes all
counts. A group of few cases is drawn far in, one of many hardly at all, so that small groups
do not fill the top of a list by chance; lists are ordered by `low`, never by the raw rate.
Does not belong here: limits of chance (`funnel`), which groups there are.

Sources: Clayton & Kaldor, Biometrics 43 (1987) 671 (gamma and Poisson); Griffiths, Biometrics
29 (1973) 637 (beta and binomial, from memory); Gelman, Bayesian Analysis 1 (2006) 515
(half-normal prior of the spread).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize.elementwise import find_root
from scipy.special import betainc, betaln, gammainc, gammaln

from models.funnel import Counts

Array = NDArray[np.float64]
Numbers = NDArray[np.int64]

# spreads of the true ratio that are considered, and the scale of their half-normal prior: half
# as much again as expected is common between workshops, thrice is not [default]
SPREADS = np.geomspace(0.02, 2.0, 28)
_PRIOR_SCALE = 0.5
# spreads so unlikely are left out
_LEAST_WEIGHT = 1e-7
_TAIL = 0.05
_LEAST_EXPECTED = 1e-9
# ends of intervals are looked for within this factor of 1, to this of their logarithm
_MOST_RATIO, _CLOSE = 1e6, 1e-7


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


@dataclass(frozen=True)
class _Laws:
    """Law of each group's ratio (share, with trials) at each spread, (m, k), and the weights.

    `scale` turns the law's variable into a ratio.
    """

    first: Array
    second: Array
    scale: Array
    weights: Array
    has_trials: bool

    def below(self, ratio: Array, rows: Numbers) -> Array:
        """Chance that the ratio of each group of `rows` is below the one given for it."""
        first, second, at = self.first[rows], self.second[rows], ratio[:, None]
        if self.has_trials:
            each = betainc(first, second, np.clip(at / self.scale[rows], 0.0, 1.0))
        else:
            each = gammainc(first, second * at)
        return np.asarray(each @ self.weights)


def ratio_posteriors(counts: Counts) -> Posteriors:
    """What each group's ratio is likely to be, given all groups."""
    if counts.expected.size == 0:
        return Posteriors(*(np.empty(0),) * 4, spread=0.0)
    held = Counts(counts.seen, np.maximum(counts.expected, _LEAST_EXPECTED), counts.trials)
    log_weight = spread_log_weights(held)
    weights = np.exp(log_weight - log_weight.max())
    weights /= weights.sum()
    kept = weights > _LEAST_WEIGHT
    laws = _laws(held, SPREADS[kept], weights[kept] / weights[kept].sum())
    mean = laws.first / (laws.first + laws.second if laws.has_trials else laws.second)
    return Posteriors(
        (mean * laws.scale) @ laws.weights,
        _quantile(laws, _TAIL),
        _quantile(laws, 1.0 - _TAIL),
        1.0 - laws.below(np.ones(len(mean)), np.arange(len(mean))),
        float((SPREADS * weights).sum()),
    )


def share_posteriors(hits: Array, trials: Array) -> Posteriors:
    """Shares of trials, (m,), drawn towards the share of all groups together.

    The result is in shares: `ratio` the mean share; `above_one` the chance to exceed that of all.
    """
    if trials.sum() == 0:
        return Posteriors(*(np.zeros(trials.size),) * 4, spread=0.0)
    # as with one case more among all, so that none seen is not taken for impossible
    common = (hits.sum() + 0.5) / (trials.sum() + 1.0)
    found = ratio_posteriors(Counts(hits, common * trials, trials))
    return Posteriors(
        common * found.ratio, common * found.low, common * found.high, found.above_one, found.spread
    )


def log_marginals(counts: Counts, shape: Array, rate: Array) -> Array:
    """Log-likelihood of all counts, (k,), at priors given by two parameters, (k,) or (m, k).

    Shape and rate of a gamma law; with trials, the two shapes of a beta law of the share.
    """
    seen, expected = counts.seen[:, None], counts.expected[:, None]
    if counts.trials is not None:
        missed = counts.trials[:, None] - seen
        return np.asarray((betaln(shape + seen, rate + missed) - betaln(shape, rate)).sum(axis=0))
    each = gammaln(shape + seen) - gammaln(shape) + shape * np.log(rate)
    return np.asarray((each - (shape + seen) * np.log(rate + expected)).sum(axis=0))


def spread_log_weights(counts: Counts) -> Array:
    """Logarithm of the weight of each spread, (k,): prior times how likely it makes all counts."""
    # the steps of the grid are equal in the logarithm, hence the middle term
    prior = np.log(SPREADS) - 0.5 * (SPREADS / _PRIOR_SCALE) ** 2
    return log_marginals(counts, *_priors(counts, SPREADS)) + prior


def _priors(counts: Counts, spreads: Array) -> tuple[Array, Array]:
    if counts.trials is None:
        return spreads**-2, spreads**-2
    share = _shares(counts)
    strength = np.maximum((1.0 - share) / (share * spreads**2) - 1.0, 0.5)
    return strength * share, strength * (1.0 - share)


def _shares(counts: Counts) -> Array:
    return np.asarray(np.clip(counts.share, 1e-6, 1.0 - 1e-6)[:, None])


def _laws(counts: Counts, spreads: Array, weights: Array) -> _Laws:
    first, second = _priors(counts, spreads)
    seen, expected = counts.seen[:, None], counts.expected[:, None]
    if counts.trials is None:
        return _Laws(first + seen, second + expected, np.ones_like(expected), weights, False)  # noqa: FBT003 - a field of the record
    missed = counts.trials[:, None] - seen
    return _Laws(first + seen, second + missed, 1.0 / _shares(counts), weights, True)  # noqa: FBT003 - a field of the record


def _quantile(laws: _Laws, share: float) -> Array:
    """The ratio that each group stays below with the chance, (m,)."""
    rows = np.arange(len(laws.first), dtype=np.int64)
    ends = (np.full(rows.size, np.log(1.0 / _MOST_RATIO)), np.full(rows.size, np.log(_MOST_RATIO)))

    def excess(log_ratio: Array, row: Numbers) -> Array:
        return laws.below(np.exp(log_ratio), row) - share

    found = find_root(excess, ends, args=(rows,), tolerances={"xatol": _CLOSE, "fatol": _CLOSE})
    # a group whose end lies beyond the ends looked between
    beyond = np.where(excess(ends[0], rows) > 0.0, *ends)
    return np.exp(np.where(found.success, found.x, beyond))
