"""Early warning by claims: which cohorts have more than cohorts like them, and since when.

Takes the frames that recurrence rests on (`ClaimRecords`), gives CLAIM_WARNINGS. Every cohort of a
model is held against the others (`claim_expectation`) and watched by two sequential tests
(`sequential`) whose limits keep to a stated budget: so many false warnings per hundred cohorts
followed for the whole time. A cohort that is warned of no longer counts among the others. Does
not belong here: words (`early_warning_words`), tests and residuals (`batch_warning`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
from scipy.stats import f as fisher

from models.claim_cohorts import CohortClaims, cohort_claims, known_claims
from models.claim_expectation import Array, Expected, expect_claims, reported_by
from models.cusum import cusum_path
from models.early_warning_tables import CLAIM_WARNINGS, WatchState
from models.early_warning_words import claim_sentence
from models.funnel import Counts
from models.recurrence.exposure import DAYS_PER_MONTH
from models.sequential import first_day_limit, later_limit, log_ratio
from models.shrunken_rates import Posteriors, ratio_posteriors

if TYPE_CHECKING:
    from datetime import datetime

    from numpy.typing import NDArray

    from models.recurrence.exposure import ClaimRecords
    from models.recurrence.settings import RecurrenceSettings
    from models.settings import AssessmentSettings

# Of the chance of a false warning, what goes to the watch from the first day on; the rest goes
# to what begins later. A defect of the works is there from the first day [default].
FIRST_DAY_SHARE = 0.8
# `watched` is what would be a warning at ten times the budget [default].
_WATCHED_FACTOR = 10.0
_MOST_CHANCE = 0.5
_LEAST_OTHER_CLAIMS, _LEAST_COHORTS = 20, 4
_TAIL = 0.05


@dataclass(frozen=True)
class Watch:
    """One cohort watched: evidence of the watch nearest its limit, and where it crossed.

    `crossing` is the number of the claim that crossed, 0 where none did.
    """

    evidence: float
    limit: float
    is_later: bool
    crossing: int
    is_watched: bool


def find_claim_warnings(
    records: ClaimRecords,
    settings: AssessmentSettings,
    recurrence: RecurrenceSettings,
    as_of: datetime,
) -> pl.DataFrame:
    """CLAIM_WARNINGS as of a day: every cohort of every kind followed.

    Nothing where the size of the fleet is not known: claims alone are no rate.
    """
    claims = known_claims(records, recurrence, as_of.date())
    rows: list[dict[str, Any]] = []
    for each in cohort_claims(claims, settings.followed_months, tuple(settings.watched_cohorts)):
        rows += _cohort_rows(each, settings, as_of)
    return CLAIM_WARNINGS.conform(pl.DataFrame(rows, infer_schema_length=None))


def _cohort_rows(
    claims: CohortClaims, settings: AssessmentSettings, as_of: datetime
) -> list[dict[str, Any]]:
    watched, expected, reported = watch_cohorts(claims, settings)
    counts = np.array([len(times) for times in claims.reports], dtype=float)
    shrunken = ratio_posteriors(Counts(counts, reported[:, -1]))
    return [
        _row(number, claims, (watched[number], expected, reported, shrunken), as_of)
        for number in range(len(claims.cohorts))
    ]


def watch_cohorts(
    claims: CohortClaims, settings: AssessmentSettings
) -> tuple[list[Watch], Expected, Array]:
    """Every cohort watched; what was expected of it; expected reports by month (c, t).

    Twice: cohorts warned of the first time do not count for the others the second time.
    """
    counts = np.ones(len(claims.cohorts))
    watched: list[Watch] = []
    for _ in range(2):
        expected = expect_claims(claims.followed, claims.reported, counts)
        reported = reported_by(claims.reported, expected.by_month)
        watched = [
            watch(times, reported[n], (expected.certainty[n], expected.ahead[n]), settings)
            for n, times in enumerate(claims.reports)
        ]
        is_warned = np.array([each.crossing > 0 for each in watched])
        if not is_warned.any() or (~is_warned).sum() < _LEAST_COHORTS:
            break
        counts = 1.0 - is_warned
    return watched, expected, reported


def watch(
    times: Array, expected: Array, known: tuple[float, float], settings: AssessmentSettings
) -> Watch:
    """One cohort watched claim by claim.

    A crossing counts as long as the evidence of all claims still speaks for it.

    Parameters
    ----------
    times : when its claims were reported, in months, in order.
    expected : claims expected to be reported by the end of each month, (t,).
    known : certainty of that, and claims expected over all the time it is followed.
    """
    certainty, ahead = known
    ratio = settings.warning_ratio
    due = np.interp(times, np.arange(len(expected) + 1), np.concatenate([[0.0], expected]))
    first = log_ratio(np.arange(1.0, len(times) + 1.0), due, ratio, certainty)
    later = cusum_path(np.log(ratio) - (ratio - 1.0) * np.diff(due, prepend=0.0))
    chance = settings.false_warnings_per_100_cohorts / 100.0
    limits = _limits(chance, ratio, certainty, ahead)
    crossings = [_first(path >= limit) for path, limit in zip((first, later), limits, strict=True)]
    quiet_since = float(expected[-1] - due[-1]) if len(due) else 0.0
    stands = (
        float(log_ratio(np.array(float(len(times))), expected[-1], ratio, certainty)) >= 0,
        len(due) > 0 and later[-1] - (ratio - 1.0) * quiet_since > 0,
    )
    crossed = [n for n, is_up in zip(crossings, stands, strict=True) if n and is_up]
    nearness = [_top(first) - limits[0], _top(later) - limits[1]]
    is_later = bool(nearness[1] > nearness[0])
    lower = _limits(min(_MOST_CHANCE, _WATCHED_FACTOR * chance), ratio, certainty, ahead)
    is_watched = bool(_top(first) >= lower[0] or _top(later) >= lower[1])
    path, limit = (later, limits[1]) if is_later else (first, limits[0])
    return Watch(_top(path), limit, is_later, min(crossed, default=0), is_watched)


def _limits(chance: float, ratio: float, certainty: float, ahead: float) -> tuple[float, float]:
    return (
        first_day_limit(FIRST_DAY_SHARE * chance, ratio, certainty, ahead),
        later_limit((1.0 - FIRST_DAY_SHARE) * chance, ratio, certainty, ahead),
    )


def _first(reached: NDArray[np.bool_]) -> int:
    """Number of the first claim that reached it, from 1; 0: none did."""
    return int(np.argmax(reached)) + 1 if reached.any() else 0


def _top(path: Array) -> float:
    return float(path.max(initial=0.0))


def _row(
    number: int,
    claims: CohortClaims,
    found: tuple[Watch, Expected, Array, Posteriors],
    as_of: datetime,
) -> dict[str, Any]:
    watched, expected, reported, shrunken = found
    times = claims.reports[number]
    due = float(reported[number, -1])
    low, high = ratio_interval(len(times), due, float(expected.certainty[number]))
    row: dict[str, Any] = {
        "kind_code": claims.kind_code,
        "model_id": claims.model_id,
        "cohort": claims.cohorts[number],
        "component": claims.component,
        "state_code": _state(watched, expected, number, len(claims.cohorts)).code,
        "n_vehicles": round(float(claims.followed.cars[number])),
        "n_claims": len(times),
        "expected_claims": due,
        "expected_ahead": float(expected.ahead[number]),
        "other_claims": int(expected.others[number]),
        "ratio": len(times) / due if due > 0 else None,
        "ratio_low": low,
        "ratio_high": high,
        "shrunken_ratio": float(shrunken.ratio[number]),
        "shrunken_low": float(shrunken.low[number]),
        "shrunken_high": float(shrunken.high[number]),
        "evidence": watched.evidence,
        "evidence_limit": watched.limit,
        "watch_code": "later" if watched.is_later else "since_first_day",
    }
    if row["state_code"] == WatchState.WARNED.code:
        months_ago = reported.shape[1] - times[watched.crossing - 1]
        row["warned_at"] = as_of - timedelta(days=float(months_ago) * DAYS_PER_MONTH)
        row["warned_at_claim"] = watched.crossing
    return {**row, "sentence": claim_sentence(row)}


def _state(watched: Watch, expected: Expected, number: int, n_cohorts: int) -> WatchState:
    if expected.others[number] < _LEAST_OTHER_CLAIMS or n_cohorts < _LEAST_COHORTS:
        return WatchState.TOO_FEW
    if watched.crossing:
        return WatchState.WARNED
    return WatchState.WATCHED if watched.is_watched else WatchState.QUIET


def ratio_interval(
    claims: int, expected: float, certainty: float
) -> tuple[float | None, float | None]:
    """90 % interval of the true ratio: chance of the claims and of the expectation together."""
    if expected <= 0:
        return None, None
    size = claims + 0.5
    law = fisher(2.0 * size, 2.0 * max(certainty, 1.0))
    low, high = (size / expected * law.ppf(tail) for tail in (_TAIL, 1.0 - _TAIL))
    return float(low), float(high)
