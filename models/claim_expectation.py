"""Claims that a cohort would have, were it like the others: age, calendar and reporting allowed.

Array functions over cohorts of one model and one component. Time is counted in months of
30.44 days back from the day of judgement, so that no month is incomplete. Every cohort is
compared with the others only: its own cars and claims are left out of the age curve, of the
calendar (hot summers bring claims to all) and of the scatter between healthy cohorts. Claims
not yet reported are allowed for by the delays seen so far. Does not belong here: who is in a
cohort (`claim_cohorts`), evidence and limits (`sequential`).

Source: multiplicative fit by alternating margins as in Breslow & Day, Statistical Methods in
Cancer Research II (1987) (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Numbers = NDArray[np.int64]

_ROUNDS = 12
# Claims added to every age on the side of the average [default].
_AGE_PRIOR = 1.0
# Months differ by at least this variance, seen or not: seasons are real [default].
_LEAST_CALENDAR_VARIANCE, _CALENDAR_VARIANCE = 0.01, 0.05
# Ages differ smoothly; neighbours lend to each other.
_KERNEL = np.array([1.0, 2.0, 3.0, 4.0, 3.0, 2.0, 1.0])
_AGE_BLOCK, _CALENDAR_BLOCK = 9, 3
# Share of the other cohorts that is left out of their scatter on the high side: a second bad
# batch must not excuse the first.
_TRIMMED_SHARE = 0.1
_TINY = 1e-12


@dataclass(frozen=True)
class Followed:
    """Cohorts and their claims.

    `exposure` (c, a, t): car-months by age and month; `claims` (c, a, t): claims by age and
    month in which they arose, reported by now.
    """

    exposure: Array
    claims: Array

    @property
    def cars(self) -> Array:
        """Cars of each cohort that came into service, (c,)."""
        return np.asarray(2.0 * self.exposure[:, 0].sum(axis=1))


@dataclass(frozen=True)
class Expected:
    """What each cohort would have, were it like the others.

    `by_month` (c, t) claims arising; `ahead` (c,) claims over all the time it is followed;
    `certainty` (c,) of that, as the shape of a gamma law; `others` (c,) claims of the other
    cohorts behind it.
    """

    by_month: Array
    ahead: Array
    certainty: Array
    others: Array


def reported_by(share: Array, by_month: Array) -> Array:
    """Claims reported by the end of each month (c, t), from those arising in each (c, t).

    `share` is that reported by the end of the same month, of the next, and so on.
    """
    n_months = by_month.shape[1]
    padded = np.concatenate([share, np.ones(max(n_months - share.size, 0))])[:n_months]
    later = np.subtract.outer(np.arange(n_months), np.arange(n_months))
    known = np.where(later >= 0, padded[np.maximum(later, 0)], 0.0)
    return np.asarray(by_month @ known.T)


def expect_claims(followed: Followed, share: Array, counts_for_others: Array) -> Expected:
    """What each cohort would have had at the rates of the others.

    Parameters
    ----------
    share : reported within so many months of arising; place 0 is the same month.
    counts_for_others : (c,) 1, or 0 for cohorts already known to be bad.
    """
    exposure = followed.exposure
    complete = _completeness(share, exposure.shape[2])
    weight = counts_for_others[:, None, None]
    cars_months = exposure * complete
    others = (weight * cars_months).sum(axis=0)[None] - weight * cars_months
    claims_age = followed.claims.sum(axis=2)
    claims_month = followed.claims.sum(axis=1)
    by_age = (counts_for_others @ claims_age)[None] - counts_for_others[:, None] * claims_age
    by_calendar = (counts_for_others @ claims_month)[None] - (
        counts_for_others[:, None] * claims_month
    )
    rate, season, between = _fitted_margins(others, by_age, by_calendar)
    each = exposure * rate[:, :, None] * season[:, None, :]
    by_month = each.sum(axis=1)
    variance = _variance(each * complete, by_age, by_calendar, between)
    seen = (each * complete).sum(axis=(1, 2))
    scatter = _scatter_of_others(claims_age.sum(axis=1), seen, variance, counts_for_others)
    certainty = 1.0 / np.maximum(variance + scatter, 1e-4)
    ahead = np.maximum(followed.cars * rate.sum(axis=1), by_month.sum(axis=1))
    return Expected(by_month, ahead, certainty, by_age.sum(axis=1))


def _completeness(share: Array, n_months: int) -> Array:
    """Share of the claims of each month that is reported by now, oldest month first."""
    complete = np.ones(n_months)
    known = min(share.size, n_months)
    complete[n_months - known :] = share[:known][::-1]
    return complete


def _smooth(values: Array) -> Array:
    """Sums over neighbours along the last axis, weighted by the kernel."""
    half = len(_KERNEL) // 2
    padded = np.pad(values, ((0, 0), (half, half)))
    windows = np.lib.stride_tricks.sliding_window_view(padded, len(_KERNEL), axis=1)
    return np.asarray(windows @ (_KERNEL / _KERNEL[half]))


def _fitted_margins(
    exposure: Array, by_age: Array, by_calendar: Array
) -> tuple[Array, Array, Array]:
    """Rate per age (c, a) and factor per month (c, t), fitted to the margins by turns.

    The third, (c,), is the variance between months beyond chance, which the factors of the
    months are drawn in by.
    """
    total = by_age.sum(axis=1, keepdims=True)
    mean = (total + _TINY) / (exposure.sum(axis=(1, 2))[:, None] + _TINY)
    season = np.ones_like(by_calendar)
    between = np.full(len(total), _CALENDAR_VARIANCE)
    claims_near = _smooth(by_age)
    rate = np.broadcast_to(mean, by_age.shape)
    for step in range(_ROUNDS):
        at_risk = _smooth(np.einsum("cat,ct->ca", exposure, season))
        rate = mean * (claims_near + _AGE_PRIOR) / (at_risk * mean + _AGE_PRIOR)
        due = np.einsum("cat,ca->ct", exposure, rate)
        if step == _ROUNDS // 2:
            between = _between_months(by_calendar, due)
        prior = 1.0 / between[:, None]
        season = (by_calendar + prior) / (due + prior)
    due = np.einsum("cat,ca,ct->c", exposure, rate, season)[:, None]
    return rate * (total + _TINY) / (due + _TINY), season, between


def _between_months(claims: Array, due: Array) -> Array:
    """Variance of the months' factors beyond chance, (c,)."""
    excess = ((claims - due) ** 2 - due).sum(axis=1) / np.maximum((due**2).sum(axis=1), _TINY)
    return np.asarray(np.clip(excess, _LEAST_CALENDAR_VARIANCE, 1.0))


def _variance(each: Array, by_age: Array, by_calendar: Array, between: Array) -> Array:
    """Relative variance of the expected claims, from the counts behind rates and months.

    Months whose factors were drawn in cannot be further off than months differ.
    """
    whole = np.maximum(each.sum(axis=(1, 2)), _TINY)[:, None]
    ages = _blocks(each.sum(axis=2), _AGE_BLOCK) / whole
    months = _blocks(each.sum(axis=1), _CALENDAR_BLOCK) / whole
    behind = _blocks(by_calendar, _CALENDAR_BLOCK) + _CALENDAR_BLOCK / between[:, None]
    variance = (ages**2 / (_blocks(by_age, _AGE_BLOCK) + 1.0)).sum(axis=1)
    return np.asarray(variance + (months**2 / behind).sum(axis=1))


def _blocks(values: Array, size: int) -> Array:
    """Sums over blocks of neighbours along the last axis."""
    return np.asarray(np.add.reduceat(values, np.arange(0, values.shape[1], size), axis=1))


def _scatter_of_others(claims: Array, expected: Array, variance: Array, counts: Array) -> Array:
    """Relative variance between the other cohorts beyond that of chance, for each cohort.

    Less its own standard error: scatter is counted only as far as it is seen.
    """
    known = (counts > 0) & (expected > _TINY)
    if known.sum() < 3:
        return np.zeros(len(claims))
    surplus = np.where(known, (claims - expected) / np.sqrt(np.maximum(expected, _TINY)), np.nan)
    used = known & (surplus <= np.nanquantile(surplus, 1.0 - _TRIMMED_SHARE))
    by_chance = expected + expected**2 * variance
    excess = np.where(used, (claims - expected) ** 2 - by_chance, 0.0)
    squares = np.where(used, expected**2, 0.0)
    noise = np.where(used, 2.0 * by_chance**2 + by_chance, 0.0)
    least = (excess.sum() - excess) - np.sqrt(noise.sum() - noise)
    return np.asarray(np.clip(least / np.maximum(squares.sum() - squares, _TINY), 0.0, 1.0))
