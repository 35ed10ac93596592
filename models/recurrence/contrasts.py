"""Does a cohort fail more often than the others of its kind: compared age by age.

Takes at risk and repairs by cohort and bin; `contrast_rates` compares each cohort with the rest
of its parent group, and `contrast_means` two mean cumulative functions at an age. Where no fleet
size is known, repairs of all components stand for cars at risk, and rates become shares of
them. Does not belong here: counting (`ledger`).

Sources: Mantel & Haenszel (1959) for the sums over ages; Przyborowski & Wilenski, Biometrika 31
(1940) 313, for two counts given their sum; Clopper & Pearson (1934);
Lawless & Nadeau (1995) for the difference of two means; variances are raised where cars
differ, after McCullagh & Nelder.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, betaincinv
from scipy.stats import norm

from models.multiplicity import adjusted_within

Array = NDArray[np.float64]
Indices = NDArray[np.int64]

CONFIDENCE = 0.9


@dataclass(frozen=True)
class Contrast:
    """Repairs a cohort would have had at the others' rate, ratio with interval, p, (k,) each.

    The ratio is NaN where none of the others was repaired; its low end is told all the same.
    """

    expected: Array
    ratio: Array
    low: Array
    high: Array
    p_value: Array


@dataclass(frozen=True)
class Exposed:
    """Cars at risk and repairs by cohort and bin, (k, b), and the parent group of each, (k,)."""

    at_risk: Array
    counts: Array
    parent: Indices


def contrast_rates(
    exposed: Exposed, dispersion: Array, is_reference: NDArray[np.bool_] | None = None
) -> Contrast:
    """Each cohort against the rest of its parent group at the same ages.

    Parameters
    ----------
    dispersion : (k,) by which the variance of counts exceeds that of independent repairs
    is_reference : (k,) which cohorts make the rest; all when not said
    """
    at_risk, counts, parent = exposed.at_risk, exposed.counts, exposed.parent
    kept = np.ones(parent.size, dtype=bool) if is_reference is None else is_reference
    group = np.zeros((int(parent.max(initial=-1)) + 1, parent.size))
    group[parent, np.arange(parent.size)] = kept
    own = kept[:, None]
    rest_at_risk = (group @ at_risk)[parent] - own * at_risk
    rest_counts = (group @ counts)[parent] - own * counts
    both = at_risk + rest_at_risk
    # ages that only one of the two has reached compare nothing
    is_shared = (at_risk > 0.0) & (rest_at_risk > 0.0)
    observed = np.where(is_shared, counts, 0.0).sum(axis=1)
    total = observed + np.where(is_shared, rest_counts, 0.0).sum(axis=1)
    expected = _summed_ratio(at_risk * rest_counts, rest_at_risk, is_shared)
    pooled = _summed_ratio(at_risk * (counts + rest_counts), both, is_shared)
    return _contrast(observed, total, (expected, pooled), dispersion)


def contrast_with_sound(
    exposed: Exposed, dispersion: Array, false_discovery_rate: float
) -> tuple[Contrast, Array]:
    """Each cohort against those of its kind that do not stand out themselves, and q-values.

    One bad batch among the others would make all of them look good. What stands out by the
    first comparison is therefore no reference in the second.
    """
    first = contrast_rates(exposed, dispersion)
    stands_out = (q_values(first.p_value) <= false_discovery_rate) & (
        exposed.counts.sum(axis=1) > first.expected
    )
    second = contrast_rates(exposed, dispersion, ~stands_out)
    return second, q_values(second.p_value)


def q_values(p_values: Array) -> Array:
    """Benjamini-Hochberg adjusted p-values; NaN stays NaN and counts for nothing."""
    told = np.isfinite(p_values)
    adjusted = np.full(p_values.size, np.nan)
    family = np.zeros(int(told.sum()), dtype=np.int64)
    adjusted[told] = adjusted_within(p_values[told], family)
    return adjusted


def _summed_ratio(top: Array, bottom: Array, where: NDArray[np.bool_]) -> Array:
    return np.asarray(np.divide(top, bottom, out=np.zeros_like(top), where=where).sum(axis=1))


def _contrast(
    observed: Array, total: Array, sums: tuple[Array, Array], dispersion: Array
) -> Contrast:
    """The comparison from sums over shared ages.

    Given their total, repairs in the cohort are binomial when nothing differs; where cars
    differ both counts are divided by the dispersion. Ends of the interval are those of Clopper
    and Pearson for the share, turned into a ratio of rates.
    """
    expected, pooled = sums
    is_told = (total > 0.0) & (pooled > 0.0) & (pooled < total)
    share = np.where(is_told, pooled / np.maximum(total, 1.0), 0.5)
    own, rest = observed / dispersion, (total - observed) / dispersion
    upper = np.where(own > 0.0, betainc(np.maximum(own, 1e-12), rest + 1.0, share), 1.0)
    lower = np.where(rest > 0.0, betainc(np.maximum(rest, 1e-12), own + 1.0, 1.0 - share), 1.0)
    p_value = np.minimum(2.0 * np.minimum(upper, lower), 1.0)
    tail = 0.5 - 0.5 * CONFIDENCE
    odds = (1.0 - share) / share
    low = np.where(own > 0.0, betaincinv(np.maximum(own, 1e-12), rest + 1.0, tail), 0.0)
    high = np.where(rest > 0.0, betaincinv(own + 1.0, np.maximum(rest, 1e-12), 1.0 - tail), 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = observed / expected
        ends = (odds * low / (1.0 - low), odds * high / (1.0 - high))
        # the sums over ages weigh a little otherwise than the share does
        adjust = np.where((own > 0.0) & (rest > 0.0), ratio / (odds * own / rest), 1.0)
    told = (expected, ratio, adjust * ends[0], adjust * ends[1], p_value)
    return Contrast(*(np.where(is_told & np.isfinite(x), x, np.nan) for x in told))


def contrast_means(means: tuple[Array, Array], variances: tuple[Array, Array]) -> tuple[Array, ...]:
    """Difference of two mean cumulative functions at an age: it, its interval, its p.

    The variances are the robust ones, so that cars may differ and repairs hang together.
    """
    difference = means[0] - means[1]
    error = np.sqrt(variances[0] + variances[1])
    z = norm.ppf(0.5 + 0.5 * CONFIDENCE)
    with np.errstate(divide="ignore", invalid="ignore"):
        p_value = 2.0 * norm.sf(np.abs(difference) / error)
    return difference, difference - z * error, difference + z * error, p_value
