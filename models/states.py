"""The state of every car, with its reason in one sentence.

Takes the histories and the gaps of the latest tests, gives the STATES frame and which
tests stand behind each state. Order of the questions: tested at all and lately? tested
since the last repair? confirmed? anything found? can the latest test tell? Does not
belong here: statistics, and which drifts count (`drift_watch`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import polars as pl

from features.regimes import WHOLE_TEST, Regime
from models.assessments import (
    NO_WINDOW,
    NOT_ASSESSABLE,
    can_come_of_clamps,
    rests_on_one_sensor,
    rows_by,
)
from models.coverage import ABSENT, NO_VERDICT
from models.findings import JUDGED_FEATURE
from models.history import History, PastTest, shared_findings, standing_far_beyond
from models.reasons import NotAssessable
from models.sentences import (
    Row,
    capitalised,
    comparison_sentence,
    day,
    deviation_sentence,
    enumeration,
    finding_sentence,
    gap_sentence,
    missing_text,
)
from models.tables import STATES

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from models.settings import AssessmentSettings

STATE_NAMES = ("service", "watch", "retest", "no verdict", "silent", "in band")
_SECONDS_PER_DAY = 86400.0
_OTHERS_NAMED = 2


@dataclass(frozen=True)
class LatestTest:
    """What the latest test of a car leaves open and offers.

    `known_features` are those with a value; `regimes` those that were judged;
    `worst_z` the largest adverse deviation, of `worst_feature`; `standing_out` the row of
    the largest one that is far out and large, yet no finding; `next_fit` a sentence on when
    baselines will know of a test that came after they were fitted, empty for one they know.
    """

    gaps: tuple[Row, ...]
    known_features: frozenset[str]
    regimes: tuple[str, ...]
    worst_z: float | None
    worst_feature: str | None = None
    standing_out: Row | None = None
    next_fit: str = ""


@dataclass(frozen=True)
class State:
    """A state, its reason, and what would make for a fuller judgement."""

    name: str
    reason: str
    missing: str | None = None


def state_of(
    history: History, latest: LatestTest, settings: AssessmentSettings, as_of: datetime
) -> State:
    """The state of one car as it stood at `as_of`."""
    if not history.tests:
        return State("silent", "No test on record.", "a first test")
    if (age_days := _age_days(history.tests[-1], as_of)) > settings.silent_after_days:
        return _silent(history, age_days)
    recent = history.recent(settings.recent_tests)
    return _by_tests(recent, latest, settings) if recent else _untested_repair(history)


def _by_tests(
    recent: tuple[PastTest, ...], latest: LatestTest, settings: AssessmentSettings
) -> State:
    missing = missing_text(list(latest.gaps), set(latest.known_features)) or None
    shared = shared_findings(recent, settings.confirming_tests)
    far = standing_far_beyond(recent)
    if shared or far:
        return State("service", _confirmed(recent, shared, far), missing)
    if recent[-1].verdict_code == NOT_ASSESSABLE:
        unclear = _cannot_tell(recent, latest, missing)
        # what a test cannot tell does not undo what it shows
        return unclear if latest.standing_out is None else replace(unclear, name="watch")
    if any(test.findings for test in recent):
        return State("watch", _single(recent), missing)
    if latest.standing_out is not None:
        return State("watch", _standing_out(recent[-1]), "a second test")
    return State("in band", _in_band(recent[-1], latest))


def _with_drift(state: State, drift: str | None) -> State:
    """A car in band that drifts is to be watched."""
    if drift is None or state.name != "in band":
        return state
    reason = f"{drift} The latest test lies in band: {state.reason}"
    return State("watch", reason, "another test under like conditions before that date")


def _age_days(test: PastTest, as_of: datetime) -> float:
    return (as_of - test.tested_at).total_seconds() / _SECONDS_PER_DAY


def _silent(history: History, age_days: float) -> State:
    last = history.tests[-1]
    text = f"Not tested for {age_days:.0f} days, last on {day(last.tested_at)}."
    if last.findings and history.since_repair[-1:] == (last,):
        text += f" That test found: {finding_sentence(last.findings[0])}."
    return State("silent", text, "a new test")


def _untested_repair(history: History) -> State:
    repair = history.last_repair
    when = day(repair.performed_at) if repair else ""
    return State(
        "retest",
        f"Repaired on {when} and not tested since: whether the repair holds is not known.",
        "a test after the repair",
    )


def _confirmed(recent: tuple[PastTest, ...], shared: frozenset[str], far: PastTest | None) -> str:
    """The leading shared finding, where else it was seen, and what came with it."""
    if not shared and far is not None:
        return (
            f"{capitalised(comparison_sentence(far.findings[0]))}, far beyond what healthy "
            f"cars show{_when(far, recent)}{_others(far, far.findings[0])}."
        )
    seen = [test for test in recent if test.codes & shared]
    last = seen[-1]
    lead = next(row for row in last.findings if row["finding_code"] in shared)
    before = [test for test in seen[:-1] if lead["finding_code"] in test.codes]
    same = ""
    if before:
        days = enumeration(day(test.tested_at) for test in before)
        same = f"; same in the {'tests' if len(before) > 1 else 'test'} of {days}"
    text = f"{capitalised(comparison_sentence(lead))}{_when(last, recent)}{same}"
    text += f"{_others(last, lead)}."
    return text + _sensor_caution(last)


def _when(test: PastTest, recent: tuple[PastTest, ...]) -> str:
    """Only said where the finding is not of the latest test."""
    if test is recent[-1]:
        return ""
    what = "could not tell" if recent[-1].verdict_code == NOT_ASSESSABLE else "does not show it"
    return f" on {day(test.tested_at)} (the test of {day(recent[-1].tested_at)} {what})"


def _others(test: PastTest, lead: Row) -> str:
    """Up to two further findings of the same test, in words, and how many more."""
    rows = {row["finding_code"]: row for row in reversed(test.findings)}
    rows.pop(lead["finding_code"])
    further = [
        finding_sentence(row) for row in test.findings if rows.get(row["finding_code"]) is row
    ]
    if not further:
        return ""
    more = len(further) - _OTHERS_NAMED
    named = further[:_OTHERS_NAMED] + ([f"{more} more"] if more > 0 else [])
    return f"; also {enumeration(named)}"


def _sensor_caution(test: PastTest) -> str:
    if rests_on_one_sensor(row["feature"] for row in test.findings):
        return " All of it rests on one sensor: check that sensor first."
    if can_come_of_clamps(row["finding_code"] for row in test.findings):
        return (
            " All of it can come of clamps that read the air under the hood: check their seat and "
            "insulation first."
        )
    return ""


def _single(recent: tuple[PastTest, ...]) -> str:
    test = next(test for test in reversed(recent) if test.findings)
    lead = test.findings[0]
    text = f"{capitalised(comparison_sentence(lead))}{_when(test, recent)}{_others(test, lead)}; "
    return f"{text}not confirmed by a second test.{_sensor_caution(test)}"


def _cannot_tell(recent: tuple[PastTest, ...], latest: LatestTest, missing: str | None) -> State:
    """No verdict where a better test would not help; else what to redo."""
    last = recent[-1]
    gaps = list(latest.gaps)
    if all(gap["reason_code"] == ABSENT for gap in gaps) or last.reason == NO_WINDOW:
        return State(
            "retest",
            f"The test of {day(last.tested_at)} has no steady window to judge: log both pressures, "
            f"and hold engine speed and settings still for some minutes.{_earlier(recent)}",
            "a steady window",
        )
    blocking = [gap for gap in gaps if gap["kind"] == NO_VERDICT]
    if blocking:
        small = any(g["reason_code"] == NotAssessable.BASELINE_TOO_SMALL.code for g in blocking)
        text = f"Not judged: {gap_sentence(blocking)}.{latest.next_fit if small else ''}"
        return State("no verdict", text + _seen(recent, latest), missing)
    text = f"The test of {day(last.tested_at)} cannot tell: {gap_sentence(gaps)}."
    return State("retest", text + _seen(recent, latest), missing)


def _seen(recent: tuple[PastTest, ...], latest: LatestTest) -> str:
    """What stood out in the test that cannot tell, and what was found before it."""
    row = latest.standing_out
    if row is None:
        return _earlier(recent)
    return f" It shows: {deviation_sentence(row)} ({abs(row['z']):.1f} spreads).{_earlier(recent)}"


def _earlier(recent: tuple[PastTest, ...]) -> str:
    for test in reversed(recent[:-1]):
        if test.findings:
            return f" On {day(test.tested_at)}: {finding_sentence(test.findings[0])}."
    return ""


def _standing_out(test: PastTest) -> str:
    """What chance alone may give one of so many healthy cars, and a second test tells."""
    _, _, doubts = test.reason.partition(". ")
    return f"{doubts} Too far out to call in band: a second test tells."


def _in_band(test: PastTest, latest: LatestTest) -> str:
    regimes = enumeration(regime.replace("_", " ") for regime in latest.regimes)
    head, _, doubts = test.reason.removesuffix(".").partition(". ")
    text = f"{head} while {regimes}"
    if latest.worst_z is not None and latest.worst_feature is not None:
        words = JUDGED_FEATURE[latest.worst_feature].words
        text += f"; the largest deviation is {abs(latest.worst_z):.1f} spreads ({words})"
    return ". ".join(part for part in (text, doubts, _masking(latest.regimes)) if part) + "."


def _masking(regimes: tuple[str, ...]) -> str:
    """What a control that had reserve left can hide; empty after a test at full load."""
    if Regime.REGULATING not in regimes or Regime.SATURATED in regimes:
        return ""
    return (
        "The control was regulating: low charge, a worn compressor or a weak condenser can hide "
        "behind its reserve; a full-load test tells more"
    )


def latest_tests(
    history_list: list[History], residuals: pl.DataFrame, gaps: pl.DataFrame, *, watch_z: float
) -> dict[str, LatestTest]:
    """What the latest test of each car leaves open and offers, by vehicle_id.

    `residuals` carry adverse_z and is_in_doubt.
    """
    last_of = {h.tests[-1].test_id: h.vehicle_id for h in history_list if h.tests}
    ids = pl.DataFrame({"test_id": list(last_of)}, schema={"test_id": pl.String})
    judged = pl.col("z").is_not_null()
    offered = (
        residuals.join(ids, on="test_id", how="semi")
        .sort(pl.col("adverse_z").abs(), "feature", "regime")
        .group_by("test_id")
        .agg(
            pl.col("feature").filter(pl.col("observed").is_not_null()).unique().sort(),
            pl.col("regime").filter(judged & (pl.col("regime") != WHOLE_TEST)).unique().sort(),
            pl.struct(worst_z="adverse_z", worst_feature="feature")
            .filter(pl.col("adverse_z").is_not_null())
            .last()
            .alias("worst"),
        )
    )
    rows = {row["test_id"]: row for row in offered.iter_rows(named=True)}
    out = residuals.join(ids, on="test_id", how="semi").filter(
        pl.col("is_in_doubt") & (pl.col("adverse_z").abs() >= watch_z)
    )
    ordered = out.sort(pl.col("adverse_z").abs(), "feature", "regime")
    standing_out = {row["test_id"]: row for row in ordered.iter_rows(named=True)}
    open_gaps = rows_by(gaps.join(ids, on="test_id", how="semi", maintain_order="left"), "test_id")
    return {
        vehicle_id: _latest(
            rows.get(test_id), open_gaps.get(test_id, []), standing_out.get(test_id)
        )
        for test_id, vehicle_id in last_of.items()
    }


def _latest(row: Row | None, gaps: list[Row], standing_out: Row | None) -> LatestTest:
    if row is None:
        return LatestTest(tuple(gaps), frozenset(), (), None)
    worst = row["worst"] or {}
    return LatestTest(
        tuple(gaps),
        frozenset(row["feature"]),
        tuple(row["regime"]),
        worst.get("worst_z"),
        worst.get("worst_feature"),
        standing_out,
    )


def state_frame(
    history_list: list[History],
    latest: dict[str, LatestTest],
    drifting: Mapping[str, str],
    settings: AssessmentSettings,
    as_of: datetime,
) -> pl.DataFrame:
    """One row per car, in order of vehicle_id; `drifting` as from `drift_watch.drifting_cars`."""
    nothing = LatestTest((), frozenset(), (), None)
    rows = []
    for history in history_list:
        offered = latest.get(history.vehicle_id, nothing)
        state = state_of(history, offered, settings, as_of)
        state = _with_drift(state, drifting.get(history.vehicle_id))
        last = history.tests[-1] if history.tests else None
        rows.append(
            {
                "vehicle_id": history.vehicle_id,
                "model_id": history.model_id,
                "state": state.name,
                "reason": state.reason,
                "latest_test_id": last.test_id if last else None,
                "latest_tested_at": last.tested_at if last else None,
                "n_tests": len(history.tests),
                "worst_z": offered.worst_z,
                "missing": state.missing,
            }
        )
    return STATES.conform(pl.DataFrame(rows, schema=STATES.schema))
