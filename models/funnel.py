"""Funnels: between which limits a count lies by chance, and how far one lies outside.

Array functions on counts, what was expected of them, and, where a count has a highest value,
the number of trials. Exact binomial and Poisson limits, interpolated between whole numbers;
more scatter than chance explains widens them by a variance between groups, found from
winsorised scores. Does not belong here: whose counts they are (`compared_rates`).

Sources: Spiegelhalter, Statistics in Medicine 24 (2005) 1185: the interpolated exact limits
(appendix A.1) and the additive allowance for over-dispersion found from winsorised scores (from
memory). Other than there, the scatter is divided by that of a winsorised normal law, for else
shops that differ would seem to differ less than they do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom, chi2, norm, poisson

Array = NDArray[np.float64]

# share of the scores at each end that is drawn in before their scatter is measured [source above]
_WINSORISED = 0.1
# mean square of a normal score so drawn in, 0.679 [computed: integral of min(|z|, 1.282)^2]
_EDGE = float(norm.isf(_WINSORISED))
_DRAWN_IN = (
    1.0 - 2.0 * _WINSORISED - 2.0 * _EDGE * float(norm.pdf(_EDGE)) + 2.0 * _WINSORISED * _EDGE**2
)
# with fewer groups the scatter between them cannot be told from chance [default]
_LEAST_GROUPS = 10
# over-dispersion counts when chance gives so much less often than this [source above]
_SIGNIFICANT = 0.05
# beyond this many standard deviations probabilities are rounding
_MOST_SCORE = 8.0


@dataclass(frozen=True)
class Counts:
    """Counts of groups, (m,) each: seen, expected, and of how many trials (None: of no limit)."""

    seen: Array
    expected: Array
    trials: Array | None = None

    @property
    def share(self) -> Array:
        """Expected share of the trials; only of counts that have them."""
        if self.trials is None:
            raise ValueError("these counts have no number of trials")
        return np.clip(self.expected / np.maximum(self.trials, 1.0), 0.0, 1.0)

    @property
    def precision(self) -> Array:
        """One over the variance of seen / expected, were there chance alone."""
        if self.trials is None:
            return self.expected
        return self.expected / np.maximum(1.0 - self.share, 1e-9)


@dataclass(frozen=True)
class Scatter:
    """How far the groups scatter: `dispersion` is 1 by chance alone.

    `variance` is that between groups, of seen / expected; 0 where chance explains the scatter.
    """

    dispersion: float
    variance: float


def limits(counts: Counts, tail_probability: float, scatter: Scatter) -> tuple[Array, Array]:
    """Lower and upper limit of seen / expected, each left by chance with the probability.

    Parameters
    ----------
    counts : Counts
        What was seen plays no part.
    tail_probability : float
        Of one side: 0.001 for 99.8 % limits.
    scatter : Scatter
        Widens the limits where its variance is above zero.
    """
    wide = norm.isf(tail_probability) * np.sqrt(1.0 + scatter.variance * counts.precision)
    low = np.maximum(count_limit(counts, norm.cdf(-wide)), 0.0)
    # where nothing is as good as certain, the line between whole numbers falls below zero
    high = np.maximum(count_limit(counts, norm.cdf(wide)), 0.0)
    if counts.trials is not None:
        high = np.minimum(high, counts.trials)
    per_count = 1.0 / np.maximum(counts.expected, 1e-12)
    return low * per_count, high * per_count


def count_limit(counts: Counts, probability: Array | float) -> Array:
    """The count below which chance stays with the probability, between whole numbers.

    With r the least whole number whose cumulated probability F(r) reaches p:
    r - (F(r) - p) / f(r).
    """
    probability = np.clip(probability, 1e-15, 1.0 - 1e-15)
    law = _law(counts)
    whole = np.asarray(law.ppf(probability), dtype=np.float64)
    back = (law.cdf(whole) - probability) / np.maximum(law.pmf(whole), 1e-300)
    return np.asarray(whole - back, dtype=np.float64)


def scores(counts: Counts) -> Array:
    """How far each count lies from what was expected, in standard deviations of a normal law.

    By the middle of the probability of the count itself (mid-p), so that equal groups have
    scores of mean 0 and variance of at most about 1.
    """
    law = _law(counts)
    own = 0.5 * law.pmf(counts.seen)
    above, below = law.sf(counts.seen) + own, law.cdf(counts.seen) - own
    score = np.where(above < below, norm.isf(above), norm.ppf(below))
    return np.asarray(np.clip(score, -_MOST_SCORE, _MOST_SCORE), dtype=np.float64)


def find_scatter(counts: Counts) -> Scatter:
    """The scatter between the groups beyond chance; none where it is not significant."""
    counted = counts.expected > 0.0
    n = int(counted.sum())
    if n < _LEAST_GROUPS:
        return Scatter(1.0, 0.0)
    drawn = scores(counts)[counted]
    ends = np.quantile(drawn, [_WINSORISED, 1.0 - _WINSORISED])
    dispersion = float(np.mean(np.clip(drawn, *ends) ** 2)) / _DRAWN_IN
    if n * dispersion <= chi2.isf(_SIGNIFICANT, n):
        return Scatter(dispersion, 0.0)
    weight = counts.precision[counted]
    spare = weight.sum() - (weight**2).sum() / weight.sum()
    return Scatter(dispersion, float(max(0.0, (n * dispersion - (n - 1)) / spare)))


def _law(counts: Counts) -> binom | poisson:
    if counts.trials is None:
        return poisson(counts.expected)
    return binom(counts.trials, counts.share)
