"""Summary of the fleet: the list of vehicles in the order in which they ask for action.

Takes a `SiteContent`, gives a frozen `FleetSummary` from which the index page and its
JSON twin are written. Does not belong here: layout, and any number that `models` did
not compute (counting apart).
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import polars as pl

from models.disposition_tables import Handling
from reports.display import date_text, file_stem
from reports.findings import Comparison, read_comparison
from reports.intake import Intake, read_intake
from reports.leading import in_order_of_telling
from reports.retelling import in_display_units, in_one_breath
from reports.unread import read_unread
from reports.wording import STATES, state_words

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from reports.content import SiteContent
    from reports.settings import ReportSettings


Row = dict[str, Any]

_REST_ON_FINDINGS = ("service", "watch")
_TAKEN_UP = (Handling.ACKNOWLEDGED.code, Handling.SNOOZED.code)
_HANDLING_WORDS = {
    Handling.ACKNOWLEDGED: "acknowledged",
    Handling.SNOOZED: "snoozed until a date",
    Handling.REOPENED: "grown worse since it was acknowledged",
}
_OTHERS_TOLD = 2
_OF_A_TEST = "The test of "  # so a reason of `models.states` begins that speaks of a test


@dataclass(frozen=True)
class StateCount:
    """How many vehicles are in a state."""

    state: str
    key: str
    n_vehicles: int
    action: str


@dataclass(frozen=True)
class FleetRow:
    """One vehicle of the list; `leading` is its plainest certain finding, if any.

    `detail` is what the list says below it: what else was found, in which tests, and what
    to mind; without a finding that counts, the reason, or why there was nothing to judge.
    `unread` says why the latest test has no window, `wanted` what the next test should
    bring, where the last one could not tell. `handling` is what a person made of the state:
    acknowledged, snoozed or reopened, and in `handled` who, when and why.
    """

    vehicle_id: str
    page: str
    model_id: str
    state: str
    key: str
    rank: int
    reason: str
    detail: str
    unread: str
    wanted: str
    leading: Comparison | None
    n_more: int
    worst_z: float | None
    tested_on: str
    n_tests: int
    handling: str
    handled: str


@dataclass(frozen=True)
class FleetSummary:
    """What the index page says; `handled` is empty while nobody decided anything."""

    title: str
    as_of: str
    weekday: str
    headline: str
    handled: str
    counts: tuple[StateCount, ...]
    rows: tuple[FleetRow, ...]
    models: tuple[str, ...]
    intake: Intake


def summarise_fleet(content: SiteContent) -> FleetSummary:
    """The fleet as the index page tells it, vehicles that ask for action first."""
    rows = _rows(content)
    counts = _counts(rows)
    local = content.clock.astimezone(ZoneInfo(content.settings.time_zone))
    return FleetSummary(
        title=content.settings.title,
        as_of=date_text(content.clock, content.settings),
        weekday=f"{local:%A}",
        headline=_headline(counts),
        handled=_handled(rows),
        counts=counts,
        rows=rows,
        models=tuple(sorted({row.model_id for row in rows})),
        intake=read_intake(content),
    )


def _rows(content: SiteContent) -> tuple[FleetRow, ...]:
    findings = _findings(content.evidence)
    days, unread = _days(content), _unread(content)
    rows = [
        _row(
            state,
            findings.get(state["vehicle_id"], []),
            days,
            unread.get(state["latest_test_id"], ""),
            content.settings,
        )
        for state in content.states.iter_rows(named=True)
    ]
    return tuple(sorted(rows, key=_urgency))


def _urgency(row: FleetRow) -> tuple[int, bool, float, str]:
    """States in their order; within one, what nobody has taken up yet comes first."""
    deviation = 0.0 if row.worst_z is None else abs(row.worst_z)
    return (row.rank, row.handling in _TAKEN_UP, -deviation, row.vehicle_id)


def _row(
    state: Row,
    findings: Sequence[Row],
    days: Mapping[str, str],
    unread: str,
    settings: ReportSettings,
) -> FleetRow:
    words = state_words(state["state"])
    distinct = in_order_of_telling(findings)
    reason = in_display_units(state["reason"] or "", settings)
    speaks_of_findings = bool(distinct) and words.state in _REST_ON_FINDINGS
    return FleetRow(
        vehicle_id=state["vehicle_id"],
        page=f"vehicles/{file_stem(state['vehicle_id'])}.html",
        model_id=state["model_id"] or "",
        state=words.state,
        key=words.key,
        rank=STATES.index(words),
        reason=reason,
        detail=_detail(state, findings, days, settings)
        if speaks_of_findings
        else _why(words.state, reason, unread),
        unread=unread,
        wanted=(state["missing"] or "") if words.state == "retest" else "",
        leading=read_comparison(distinct[0], settings) if speaks_of_findings else None,
        n_more=max(0, len(distinct) - 1),
        worst_z=None if state["worst_z"] is None else round(state["worst_z"], 4),
        tested_on=date_text(state["latest_tested_at"], settings),
        n_tests=state["n_tests"] or 0,
        handling=state["handling_code"] or "",
        handled=in_display_units(state["handling"] or "", settings),
    )


def _why(state: str, reason: str, unread: str) -> str:
    """The reason; of a test to repeat, why it could not be read in place of its first sentence."""
    if state != "retest" or not unread or not reason.startswith(_OF_A_TEST):
        return reason
    _, _, afterword = reason.partition(". ")
    return f"Could not be read: {unread}. {afterword}".strip()


def _findings(evidence: pl.DataFrame) -> dict[str, list[Row]]:
    """The findings of every vehicle, the largest deviation first."""
    ordered = evidence.sort(
        pl.col("z").abs(), "test_id", "feature", "regime",
        descending=[True, False, False, False], nulls_last=True,
    )  # fmt: skip
    found: dict[str, list[Row]] = defaultdict(list)
    for row in ordered.iter_rows(named=True):
        found[row["vehicle_id"]].append(row)
    return found


def _unread(content: SiteContent) -> dict[str, str]:
    """By test without a window, why it has none."""
    briefs: dict[str, list[str]] = defaultdict(list)
    for row in content.unread.sort("test_id", "reason_code", "channel").iter_rows(named=True):
        briefs[row["test_id"]].append(read_unread(row, content.settings).brief)
    return {test_id: "; ".join(told) for test_id, told in briefs.items()}


def _days(content: SiteContent) -> dict[str, str]:
    """The date of every test."""
    tests = content.context.select("test_id", "started_at").iter_rows()
    return {test_id: date_text(started_at, content.settings) for test_id, started_at in tests}


def _detail(
    state: Row, findings: Sequence[Row], days: Mapping[str, str], settings: ReportSettings
) -> str:
    """What else was found, in which tests, and what the reason adds after its first sentence."""
    _, *others = (read_comparison(row, settings) for row in in_order_of_telling(findings))
    told = [f"{other.quantity} {other.difference}" for other in others[:_OTHERS_TOLD]]
    more = len(others) - len(told)
    also = f"Also {in_one_breath([*told, *([f'{more} more'] if more else [])])}. " if told else ""
    _, _, afterword = (state["reason"] or "").partition(". ")
    when = _when(state, {row["test_id"] for row in findings}, days)
    return f"{also}{when}. {in_display_units(afterword, settings)}".strip()


def _when(state: Row, tests: set[str], days: Mapping[str, str]) -> str:
    """In which tests it was seen, and whether the latest is among them."""
    seen = sorted({days[test_id] for test_id in tests if test_id in days}, reverse=True)
    # by the meaning of the states a single test makes for service only if it is far outside
    how = "Far outside" if state["state"] == "service" and len(seen) == 1 else "Seen"
    gone = "" if state["latest_test_id"] in tests else ", not in the latest one"
    return f"{how} in the {'test' if len(seen) == 1 else 'tests'} of {in_one_breath(seen)}{gone}"


def _counts(rows: tuple[FleetRow, ...]) -> tuple[StateCount, ...]:
    tally = Counter(row.state for row in rows)
    return tuple(
        StateCount(words.state, words.key, tally[words.state], words.action) for words in STATES
    )


def _headline(counts: tuple[StateCount, ...]) -> str:
    total = sum(count.n_vehicles for count in counts)
    if total == 0:
        return "no vehicle is registered yet"
    told = [count for count in counts if count.n_vehicles > 0]
    first, *rest = told
    noun = "car" if first.n_vehicles == 1 else "cars"
    parts = [f"{first.n_vehicles} {noun} {first.action}"]
    return ", ".join(parts + [f"{count.n_vehicles} {count.action}" for count in rest])


def _handled(rows: tuple[FleetRow, ...]) -> str:
    """How many cars people have decided on, and how many of those grew worse since."""
    tally = Counter(row.handling for row in rows if row.handling)
    told = [f"{tally[one.code]} {_HANDLING_WORDS[one]}" for one in Handling if tally[one.code] > 0]
    return in_one_breath(told)
