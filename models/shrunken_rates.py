"""Rates of small groups drawn towards what all groups have in common, with intervals.

Array functions. Claims against expected claims: gamma law of the true ratios, fitted to all
groups by maximum likelihood (gamma-Poisson). Shares of cars: beta law (beta-binomial). A group
of few claims is drawn far towards the common law, one of many hardly at all, so that small
groups do not fill the top of a list by chance. Lists are ordered by `low`, never by the raw
rate. Does not belong here: which groups there are.

Sources: Clayton & Kaldor, Biometrics 43 (1987) 671 for gamma-Poisson; Griffiths, Biometrics
29 (1973) 637 for beta-binomial (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import betaln, gammaln
from scipy.stats import beta, gamma

if TYPE_CHECKING:
    from collections.abc import Callable

Array = NDArray[np.float64]

# Groups alike to within chance have no largest likelihood in the shape: it is held below this,
# where the law is 1 % wide.
_SHARPEST = 1e4
_LEAST_GROUPS = 3
_TAIL = 0.05


@dataclass(frozen=True)
class Shrunken:
    """Per group: mean of the posterior and its 90 % interval; `first`, `second`: the prior.

    Gamma-Poisson: shape and rate. Beta-binomial: the two shapes.
    """

    mean: Array
    low: Array
    high: Array
    first: float
    second: float


def shrink_ratios(claims: Array, expected: Array) -> Shrunken:
    """Ratios of claims to expected claims, (n,), drawn towards their common gamma law.

    Fewer than three groups give no law; then the prior is one claim at ratio 1.
    """
    shape, rate = 1.0, 1.0
    if (expected > 0).sum() >= _LEAST_GROUPS and claims.sum() > 0:
        known, due = claims[expected > 0], expected[expected > 0]

        def loss(logs: Array) -> float:
            a, b = np.exp(logs)
            each = gammaln(a + known) - gammaln(a) + a * np.log(b) - (a + known) * np.log(b + due)
            return -float(each.sum())

        mean = known.sum() / due.sum()
        shape, rate = _best(loss, [(a, a / mean) for a in (0.5, 3.0, 30.0)])
    law = gamma(shape + claims, scale=1.0 / (rate + expected))
    return Shrunken(law.mean(), law.ppf(_TAIL), law.ppf(1.0 - _TAIL), shape, rate)


def shrink_shares(hits: Array, trials: Array) -> Shrunken:
    """Shares, (n,), drawn towards their common beta law; fewer than three groups: uniform."""
    first, second = 1.0, 1.0
    if (trials > 0).sum() >= _LEAST_GROUPS and 0 < hits.sum() < trials.sum():
        known, tried = hits[trials > 0], trials[trials > 0]

        def loss(logs: Array) -> float:
            a, b = np.exp(logs)
            return -float((betaln(a + known, b + tried - known) - betaln(a, b)).sum())

        mean = known.sum() / tried.sum()
        first, second = _best(loss, [(mean * m, (1 - mean) * m) for m in (1.0, 10.0, 100.0)])
    law = beta(first + hits, second + trials - hits)
    return Shrunken(law.mean(), law.ppf(_TAIL), law.ppf(1.0 - _TAIL), first, second)


def _best(loss: Callable[[Array], float], starts: list[tuple[float, float]]) -> tuple[float, float]:
    """The two positive parameters of least loss, from several starts."""
    bound = (float(np.log(1e-3)), float(np.log(_SHARPEST)))
    found = [
        minimize(loss, np.log(start), bounds=[bound, bound], method="L-BFGS-B") for start in starts
    ]
    best = min(found, key=lambda each: float(each.fun))
    return float(np.exp(best.x[0])), float(np.exp(best.x[1]))
