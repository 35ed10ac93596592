"""The share that has not yet failed: Kaplan & Meier with delayed entry, Greenwood's variance.

Array functions on counts of failures and of those at risk, over the last axis; any axes in
front are cohorts. Does not belong here: who is at risk when (`ledger`, or `risk_table` for
single ages).

Sources: Kaplan & Meier, J. Amer. Statist. Assoc. 53 (1958) 457; Greenwood (1926); interval on
the scale log(-log S), Kalbfleisch & Prentice, The Statistical Analysis of Failure Time Data.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

Array = NDArray[np.float64]

CONFIDENCE = 0.9


@dataclass(frozen=True)
class RiskTable:
    """Distinct ages of failure, and how many failed and were at risk at each, (m,)."""

    ages: Array
    failures: Array
    at_risk: Array


@dataclass(frozen=True)
class Survival:
    """Share not yet failed and the standard error of it, (..., m) as the counts."""

    share: Array
    standard_error: Array
    log_error: Array

    def interval(self, confidence: float = CONFIDENCE) -> tuple[Array, Array]:
        """Ends of the two-sided interval on the scale log(-log S); 1 and 1 before a failure."""
        z = norm.ppf(0.5 + 0.5 * confidence)
        with np.errstate(divide="ignore", invalid="ignore"):
            hazard = -np.log(self.share)
            width = np.exp(z * self.log_error / hazard)
            low, high = np.exp(-hazard * width), np.exp(-hazard / width)
        is_told = (self.share > 0.0) & (self.share < 1.0)
        return np.where(is_told, low, self.share), np.where(is_told, high, self.share)


def risk_table(entries: Array, exits: Array, failed: NDArray[np.bool_]) -> RiskTable:
    """Counts at the distinct ages of failure, from the ages of single cars.

    A car is at risk at t when entry < t <= exit.
    """
    ages, counts = np.unique(exits[failed], return_counts=True)
    entered = np.searchsorted(np.sort(entries), ages, side="left")
    left = np.searchsorted(np.sort(exits), ages, side="left")
    return RiskTable(ages, counts.astype(np.float64), (entered - left).astype(np.float64))


def product_limit(failures: Array, at_risk: Array) -> Survival:
    """The product-limit estimate along the last axis.

    Once all at risk have failed the share is 0 and its error not known (0 is given).
    """
    counted = np.maximum(at_risk, 1.0)
    stays = 1.0 - failures / counted
    share = np.asarray(np.cumprod(stays, axis=-1))
    left = at_risk - failures
    terms = np.divide(failures, counted * left, out=np.zeros_like(counted), where=left > 0.0)
    log_error = np.sqrt(np.cumsum(terms, axis=-1))
    return Survival(share, np.asarray(share * log_error), np.asarray(log_error))
