"""Defects that only a share of the cars bears: the others never fail of it.

F(t) = share * Weibull(t). Fitted to one cohort with left truncation and right censoring, held
against the plain Weibull law, in which every car would fail in the end. Does not belong here:
choosing cohorts (`cohort_rows`).

Sources: Meeker, Technometrics 29 (1987) 51; Majeske, Reliab. Eng. Syst. Saf. 81 (2003) 71; the
share lies at its border under the plain law: Self & Liang, J. Amer. Statist. Assoc. 82 (1987)
605.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import expit, logit
from scipy.stats import chi2

from models.recurrence.weibull import LifeCounts, fit_weibull

if TYPE_CHECKING:
    from collections.abc import Callable

Array = NDArray[np.float64]

CONFIDENCE = 0.9
_FIRST_SHARES = (0.5, 0.03)
_LEAST_SHARE, _MOST_LOGIT = 1e-7, 30.0
# beyond it everything has failed, and its square would overflow
_MOST_LOG = 200.0
# Many ages are taken together to so large a part of themselves.
_MANY_AGES, _AGE_PART = 200, 0.02
# of Newton's method: most steps, the longest of them, and the gain from which on it goes on
_MOST_STEPS, _LONGEST_STEP, _LEAST_GAIN = 80, 1.5, 1e-10
_MOST_HALVINGS = 30
_LEAST_BEND = 1e-9
# laws tried when laws are drawn, of what width at most, by a t law of so many degrees
_TRIED_LAWS, _FLAT_BEND, _WIDE_FREEDOM = 400, 0.25, 5.0
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

    def lives(self) -> LifeCounts:
        """The same ages as a plain Weibull fit takes them."""
        at = np.r_[self.failed, self.left, self.entered]
        exposure = np.r_[self.n_failed, self.n_left, -self.n_entered]
        return LifeCounts(self.failed, self.n_failed[None, :], at, exposure[None, :])

    def together(self) -> Ages:
        """Where they are many, ages within 2 % of each other taken together at their mean."""
        return Ages(
            *_together(self.failed, self.n_failed),
            *_together(self.left, self.n_left),
            *_together(self.entered, self.n_entered),
        )


@dataclass(frozen=True)
class DefectFit:
    """Share of cars that bear the defect with its interval, and the law by which it strikes.

    The interval is null where a limited share has little support. `p_value`: chance of as much
    support for a limited share when all cars would fail. `weight`: how far to believe in it
    beside the plain law, by Akaike's weights (Burnham & Anderson 2002).
    """

    share: float
    share_low: float | None
    share_high: float | None
    shape: float
    scale: float
    log_likelihood: float
    p_value: float
    weight: float
    ages: Ages

    def draw(self, rng: np.random.Generator, n: int, dispersion: float) -> Array:
        """Laws as likely as the ages make them: log shape, log scale and logit share, (n, 3).

        Drawn from a wide law around the best fit and drawn again by their likelihood, which is
        taken to the power 1 / dispersion.
        """
        best = np.array([np.log(self.shape), np.log(self.scale), logit(self.share)])
        bend, ways = np.linalg.eigh(_loss(best, self.ages)[2])
        # where the likelihood hardly bends, the width of all that is looked at
        width = np.sqrt(dispersion / np.maximum(bend, _FLAT_BEND))
        steps = rng.standard_t(_WIDE_FREEDOM, (_TRIED_LAWS, 3))
        tried = np.clip(best + (steps * width) @ ways.T, -_MOST_LOGIT, _MOST_LOGIT)
        fit = np.array([-_loss(law, self.ages)[0] for law in tried]) / dispersion
        drawn_by = -0.5 * (_WIDE_FREEDOM + 1.0) * np.log1p(steps**2 / _WIDE_FREEDOM).sum(axis=1)
        weight = np.exp(fit - drawn_by - (fit - drawn_by).max())
        return np.asarray(tried[rng.choice(_TRIED_LAWS, n, p=weight / weight.sum())])


def struck_share(laws: Array, age: Array) -> Array:
    """Share of the cars that a defect has struck by an age, by laws as drawn, (n, ages)."""
    shape, log_scale, odds = (laws[:, [place]] for place in range(3))
    with np.errstate(divide="ignore"):
        steep = np.exp(shape) * (np.log(np.maximum(age, 0.0))[None, :] - log_scale)
    return np.asarray(-expit(odds) * np.expm1(-np.exp(np.minimum(steep, _MOST_LOG))))


def _together(ages: Array, weights: Array) -> tuple[Array, Array]:
    if ages.size <= _MANY_AGES:
        return ages, weights
    _, group = np.unique(np.floor(np.log(ages) / _AGE_PART), return_inverse=True)
    total = np.bincount(group, weights).astype(np.float64)
    return np.asarray(np.bincount(group, weights * ages) / total), np.asarray(total)


def fit_defects(ages: Ages, confidence: float = CONFIDENCE) -> DefectFit | None:
    """The maximum likelihood fit; the interval of the share is that of its profile.

    None where not even the plain Weibull law can be fitted.
    """
    ages = ages.together()
    plain = fit_weibull(ages.lives())
    if not np.isfinite(plain.shape[0]):
        return None
    shape, scale = float(plain.shape[0]), float(plain.scale[0])
    longest = float(max(ages.failed.max(initial=0.0), ages.left.max(initial=0.0)))
    starts = [
        np.array([np.log(shape), np.log(min(scale, longest * part)), logit(part)])
        for part in _FIRST_SHARES
    ]
    found, loss = min((_descend(start, ages) for start in starts), key=lambda each: each[1])
    support = max(0.0, 2.0 * (-loss - float(plain.log_likelihood[0])))
    p_value = 0.5 * float(chi2.sf(support, 1))
    ends: tuple[float | None, float | None] = (None, None)
    if p_value < _SUPPORTED_P:
        ends = _share_interval(ages, found, loss + 0.5 * float(chi2.ppf(confidence, 1)))
    laws = (float(np.exp(found[0])), float(np.exp(found[1])))
    weight = float(expit(0.5 * support - 1.0))
    return DefectFit(float(expit(found[2])), *ends, *laws, -loss, p_value, weight, ages)


def _descend(start: Array, ages: Ages, n_free: int = 3) -> tuple[Array, float]:
    """The least loss by the first parameters: Newton's method, downhill wherever it bends."""
    at = start
    value, slopes, bends = _loss(at, ages)
    for _ in range(_MOST_STEPS):
        bend, ways = np.linalg.eigh(bends[:n_free, :n_free])
        steepness = np.maximum(np.abs(bend), _LEAST_BEND * max(1.0, float(np.abs(bend).max())))
        step = np.zeros(3)
        step[:n_free] = -ways @ ((ways.T @ slopes[:n_free]) / steepness)
        gain = -float(slopes[:n_free] @ step[:n_free])
        if gain < _LEAST_GAIN:
            break
        step *= min(1.0, _LONGEST_STEP / float(np.sqrt(step @ step)))
        for _ in range(_MOST_HALVINGS):
            tried = _loss(at + step, ages)
            if tried[0] < value:
                break
            step = 0.5 * step
        else:
            break
        at = at + step
        value, slopes, bends = tried
    return at, value


def _loss(parameters: Array, ages: Ages) -> tuple[float, Array, Array]:
    """Minus the log-likelihood by log shape, log scale, logit share: value, (3,) and (3, 3)."""
    log_shape, log_scale, odds = np.clip(parameters, -_MOST_LOGIT, _MOST_LOGIT)
    shape, share = float(np.exp(log_shape)), float(expit(odds))
    log_age = np.log(ages.failed)
    steep = shape * (log_age - log_scale)
    hazard = np.exp(np.minimum(steep, _MOST_LOG))
    n = float(ages.n_failed.sum())
    value = float(ages.n_failed @ (steep - log_age - hazard)) + n * (
        float(np.log(share)) + log_shape
    )
    slopes, bends = _by_law(steep, shape, ages.n_failed * (1.0 - hazard), -ages.n_failed * hazard)
    slopes += np.array([n, 0.0, n * (1.0 - share)])
    bends[2, 2] -= n * share * (1.0 - share)
    for at, weights in ((ages.left, ages.n_left), (ages.entered, -ages.n_entered)):
        survived, by_parameter, twice = _survival(at, weights, (shape, log_scale, share))
        value += survived
        slopes += by_parameter
        bends += twice
    return -value, -slopes, -bends


def _by_law(steep: Array, shape: float, first: Array, second: Array) -> tuple[Array, Array]:
    """Derivatives by log shape and log scale from those by `steep`, summed, (3,) and (3, 3)."""
    with_steep, bent = float(first @ steep), float(second @ steep)
    slopes = np.array([with_steep, -shape * first.sum(), 0.0])
    both = -shape * (bent + first.sum())
    bends = np.array(
        [
            [second @ steep**2 + with_steep, both, 0.0],
            [both, shape**2 * second.sum(), 0.0],
            [0.0] * 3,
        ]
    )
    return slopes, bends


def _survival(
    at: Array, weights: Array, law: tuple[float, float, float]
) -> tuple[float, Array, Array]:
    """Logarithms of the shares that survive their ages, summed, and derivatives of the sum."""
    shape, log_scale, share = law
    steep = shape * (np.log(at) - log_scale)
    hazard = np.exp(np.minimum(steep, _MOST_LOG))
    spared, struck = np.exp(-hazard), -np.expm1(-hazard)
    survives = 1.0 - share * struck
    lost = spared * hazard / survives
    first = -share * lost
    second = first * (1.0 - hazard) - first**2
    by_share = -struck / survives
    slopes, bends = _by_law(steep, shape, weights * first, weights * second)
    odds = share * (1.0 - share)
    slopes[2] = odds * float(weights @ by_share)
    bends[2, 2] = odds * float(weights @ (by_share * (1.0 - 2.0 * share) - odds * by_share**2))
    mixed = -odds * weights * (lost - share * lost * by_share)
    bends[0, 2] = bends[2, 0] = float(mixed @ steep)
    bends[1, 2] = bends[2, 1] = -shape * float(mixed.sum())
    return float(weights @ np.log(survives)), slopes, bends


def _share_interval(ages: Ages, found: Array, ceiling: float) -> tuple[float, float]:
    """Shares at which the best loss with that share reaches the ceiling."""
    best = float(np.clip(found[2], logit(_LEAST_SHARE), _MOST_LOGIT))
    nearest = found.copy()

    def over(odds: float) -> float:
        # one share's law is next to the law of the share before
        nearest[2] = odds
        nearest[:], loss = _descend(nearest, ages, 2)
        return loss - ceiling

    low = _crossing(over, best, -1.0, logit(_LEAST_SHARE))
    nearest[:] = found
    high = _crossing(over, best, 1.0, _MOST_LOGIT)
    return (
        0.0 if low is None else float(expit(low)),
        1.0 if high is None else float(expit(high)),
    )


def _crossing(
    over: Callable[[float], float], best: float, way: float, limit: float
) -> float | None:
    """Where the ceiling is crossed, searched from the best outwards; None: not up to the limit."""
    inner, step = best, 0.25
    while inner != limit:
        outer = inner + way * min(step, abs(limit - inner))
        if over(outer) > 0.0:
            return float(brentq(over, inner, outer, xtol=1e-5))
        inner, step = outer, 2.0 * step
    return None
