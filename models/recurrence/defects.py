"""Defects that only a share of the cars bears: the others never fail of it.

F(t) = share * Weibull(t). Fitted to one cohort with left truncation and right censoring, held
against the plain Weibull law, in which every car would fail in the end. Does not belong here:
choosing cohorts (`recurrence_rows`).

Sources: Meeker, Technometrics 29 (1987) 51; Majeske, Reliab. Eng. Syst. Saf. 81 (2003) 71; the
share lies at its border under the plain law: Self & Liang, J. Amer. Statist. Assoc. 82 (1987)
605.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize
from scipy.special import expit, logit
from scipy.stats import chi2

Array = NDArray[np.float64]

CONFIDENCE = 0.9
_FIRST_SHARES = (0.5, 0.03)
_LEAST_SHARE, _MOST_LOGIT = 1e-7, 30.0
# beyond it everything has failed, and its square would overflow
_MOST_LOG = 200.0
# a limited share with less support than this gets no interval
_SUPPORTED_P = 0.1


@dataclass(frozen=True)
class Ages:
    """Ages with weights: failures, leavings without failure, and late entries."""

    failed: Array
    n_failed: Array
    left: Array
    n_left: Array
    entered: Array
    n_entered: Array


@dataclass(frozen=True)
class DefectFit:
    """Share of cars that bear the defect with its interval, and the law by which it strikes.

    The interval is null where a limited share has little support. `p_value`: chance of as much
    support for a limited share when all cars would fail.
    """

    share: float
    share_low: float | None
    share_high: float | None
    shape: float
    scale: float
    log_likelihood: float
    p_value: float

    def cumulative_hazard(self, age: Array) -> Array:
        """Cumulative hazard of a car of which it is not known whether it bears the defect."""
        struck = -np.expm1(-((np.maximum(age, 0.0) / self.scale) ** self.shape))
        return np.asarray(-np.log1p(-self.share * struck))


def fit_defects(
    ages: Ages, plain: tuple[float, float, float], confidence: float = CONFIDENCE
) -> DefectFit:
    """The maximum likelihood fit; the interval of the share is that of its profile.

    Parameters
    ----------
    ages : ages of one cohort
    plain : shape, scale and log-likelihood of the plain Weibull law of the same ages
    """
    shape, scale, plain_likelihood = plain
    longest = float(max(ages.failed.max(initial=0.0), ages.left.max(initial=0.0)))
    starts = [
        np.array([np.log(shape), np.log(min(scale, longest * part)), logit(part)])
        for part in _FIRST_SHARES
    ]
    best = min((_descend(start, ages) for start in starts), key=lambda found: found[1])
    found, loss = best
    share = float(expit(found[2]))
    support = max(0.0, 2.0 * (-loss - plain_likelihood))
    p_value = 0.5 * float(chi2.sf(support, 1))
    ends: tuple[float | None, float | None] = (None, None)
    if p_value < _SUPPORTED_P:
        ends = _share_interval(ages, found, loss + 0.5 * chi2.ppf(confidence, 1))
    laws = (float(np.exp(found[0])), float(np.exp(found[1])))
    return DefectFit(share, *ends, *laws, -loss, p_value)


def _descend(start: Array, ages: Ages) -> tuple[Array, float]:
    result = minimize(_loss, start, args=(ages,), jac=True, method="BFGS", options={"gtol": 1e-7})
    return result.x, float(result.fun)


def _loss(parameters: Array, ages: Ages) -> tuple[float, Array]:
    """Minus the log-likelihood and its gradient by log shape, log scale and logit share."""
    log_shape, log_scale, odds = np.clip(parameters, -_MOST_LOGIT, _MOST_LOGIT)
    shape, share = np.exp(log_shape), expit(odds)
    steep = shape * (np.log(ages.failed) - log_scale)
    hazard = np.exp(np.minimum(steep, _MOST_LOG))
    density = np.log(share) + log_shape + steep - np.log(ages.failed) - hazard
    value = ages.n_failed @ density
    slopes = np.array(
        [
            ages.n_failed @ (1.0 + steep * (1.0 - hazard)),
            ages.n_failed @ (-shape * (1.0 - hazard)),
            ages.n_failed.sum() * (1.0 - share),
        ]
    )
    for at, weights in ((ages.left, ages.n_left), (ages.entered, -ages.n_entered)):
        survived, by_parameter = _survival(at, (shape, log_scale, share))
        value += weights @ survived
        slopes += weights @ by_parameter
    return -float(value), -slopes


def _survival(at: Array, law: tuple[float, float, float]) -> tuple[Array, Array]:
    """Logarithm of the share that survives an age, and its gradient, (n,) and (n, 3)."""
    shape, log_scale, share = law
    steep = shape * (np.log(at) - log_scale)
    hazard = np.exp(np.minimum(steep, _MOST_LOG))
    spared = np.exp(-hazard)
    struck = -np.expm1(-hazard)
    survives = 1.0 - share * struck
    by_hazard = -share * spared * hazard / survives
    gradient = np.stack(
        [by_hazard * steep, -by_hazard * shape, -struck * share * (1.0 - share) / survives], axis=1
    )
    return np.log(survives), gradient


def _share_interval(ages: Ages, found: Array, ceiling: float) -> tuple[float, float]:
    """Shares at which the best loss with that share reaches the ceiling."""

    def over(odds: float) -> float:
        def loss(pair: Array) -> tuple[float, Array]:
            value, slopes = _loss(np.r_[pair, odds], ages)
            return value, slopes[:2]

        result = minimize(loss, found[:2], jac=True, method="BFGS", options={"gtol": 1e-6})
        return float(result.fun) - ceiling

    best = float(np.clip(found[2], logit(_LEAST_SHARE), _MOST_LOGIT))
    low, high = logit(_LEAST_SHARE), _MOST_LOGIT
    is_low_open, is_high_open = over(low) <= 0.0, over(high) <= 0.0
    return (
        0.0 if is_low_open else float(expit(brentq(over, low, best, xtol=1e-6))),
        1.0 if is_high_open else float(expit(brentq(over, best, high, xtol=1e-6))),
    )
