"""Do cars differ, and do failures come faster with time: tests that pool no rates.

Cars that each fail at a steady rate of their own look, thrown together, as if failures became
rarer with time, because the bad ones fail first (Proschan, Technometrics 5 (1963) 375). So the
trend is tested car by car, and whether cars differ is tested by itself. Array functions. Does
not belong here: counting (`ledger`), the words (`recurrence_sentences`).

Sources: Laplace's test over many systems, Cox & Lewis (1966), Ascher & Feingold (1984); the
score test of extra variation, Dean & Lawless, J. Amer. Statist. Assoc. 84 (1989) 467; gaps of
k cars, Scholz & Stephens, J. Amer. Statist. Assoc. 82 (1987) 918.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

if TYPE_CHECKING:
    from collections.abc import Sequence

Array = NDArray[np.float64]
Indices = NDArray[np.int64]

# Table 1 of Scholz & Stephens: coefficients of the critical values in 1, 1/sqrt(k-1), 1/(k-1),
# the last two rows added by the same authors' later software (as scipy carries them).
_ANDERSON_P = np.array([0.25, 0.1, 0.05, 0.025, 0.01, 0.005, 0.001])
_ANDERSON_LEVELS = np.array(
    [
        [0.675, -0.245, -0.105],
        [1.281, 0.25, -0.305],
        [1.645, 0.678, -0.362],
        [1.96, 1.149, -0.391],
        [2.326, 1.822, -0.396],
        [2.573, 2.364, -0.345],
        [3.085, 3.615, -0.154],
    ]
)


@dataclass(frozen=True)
class Trial:
    """A statistic, and the chance of one as far out when there is nothing to find."""

    statistic: Array
    p_value: Array


def laplace_trend(cohort: Indices, age: Array, watch: tuple[Array, Array], n: int) -> Trial:
    """Laplace's test over the cars of each of n cohorts, (n,); positive: ever more often.

    Given how often each car failed, a steady car's failures lie evenly over its own watch;
    how much cars differ in rate does not matter.

    Parameters
    ----------
    cohort, age : (m,) of each failure
    watch : ages at which the watch of that failure's car began and ended, (m,) each
    """
    begun, ended = watch
    away = np.bincount(cohort, age - 0.5 * (begun + ended), n)
    variance = np.bincount(cohort, (ended - begun) ** 2 / 12.0, n)
    z = np.divide(away, np.sqrt(variance), out=np.full(n, np.nan), where=variance > 0.0)
    return Trial(z, 2.0 * norm.sf(np.abs(z)))


def extra_variation(excess: Array, expected_squares: Array) -> tuple[Array, Trial]:
    """Variance of the factor by which cars differ, and the score test that it is 0, (n,) each.

    Parameters
    ----------
    excess : (n,) sums over cars of (failures - expected)^2 - failures
    expected_squares : (n,) sums over cars of expected^2
    """
    told = expected_squares > 0.0
    variance = np.divide(excess, expected_squares, out=np.full(excess.size, np.nan), where=told)
    z = np.divide(
        excess, np.sqrt(2.0 * expected_squares), out=np.full(excess.size, np.nan), where=told
    )
    return np.maximum(variance, 0.0), Trial(z, norm.sf(z))


def gaps_differ(gaps: Sequence[Array]) -> tuple[float, float]:
    """Anderson & Darling's test that the gaps between failures of k cars have one law.

    Gives the standardised statistic of Scholz & Stephens and its p-value by their table, which
    ends at 0.25 and 0.001. Cars need a gap each; not all gaps may be equal.
    """
    pooled = np.sort(np.concatenate(gaps))
    ages, ties = np.unique(pooled, return_counts=True)
    total, k = pooled.size, len(gaps)
    reached = np.cumsum(ties)[:-1]
    raw = 0.0
    for each in gaps:
        own = np.searchsorted(np.sort(each), ages[:-1], "right")
        top = (total * own - each.size * reached) ** 2
        raw += float((ties[:-1] * top / (reached * (total - reached))).sum() / each.size)
    statistic = (raw / total - (k - 1)) / _anderson_deviation([each.size for each in gaps])
    return statistic, _anderson_p_value(statistic, k)


def _anderson_p_value(statistic: float, k: int) -> float:
    """By a parabola through the logarithms of table 1 of Scholz & Stephens."""
    critical = _ANDERSON_LEVELS @ np.array([1.0, (k - 1) ** -0.5, 1.0 / (k - 1)])
    log_p = np.polyval(np.polyfit(critical, np.log(_ANDERSON_P), 2), statistic)
    return float(np.clip(np.exp(log_p), _ANDERSON_P[-1], _ANDERSON_P[0]))


def _anderson_deviation(sizes: Sequence[int]) -> float:
    """Standard deviation of the k-sample statistic without differences (Scholz & Stephens)."""
    total, k = sum(sizes), len(sizes)
    inverse = sum(1.0 / size for size in sizes)
    steps = 1.0 / np.arange(total - 1, 1, -1)
    h = float(steps.sum() + 1.0)
    g = float((np.cumsum(steps) / np.arange(2, total)).sum())
    a = (4 * g - 6) * (k - 1) + (10 - 6 * g) * inverse
    b = (2 * g - 4) * k**2 + 8 * h * k + (2 * g - 14 * h - 4) * inverse - 8 * h + 4 * g - 6
    c = (6 * h + 2 * g - 2) * k**2 + (4 * h - 4 * g + 6) * k + (2 * h - 6) * inverse + 4 * h
    d = (2 * h + 6) * k**2 - 4 * h * k
    spread = (a * total**3 + b * total**2 + c * total + d) / (
        (total - 1.0) * (total - 2.0) * (total - 3.0)
    )
    return float(np.sqrt(spread))
