"""Summary of the fleet: the list of vehicles in the order in which they ask for action.

Takes a `SiteContent`, gives a frozen `FleetSummary` from which the index page and its
JSON twin are written. Does not belong here: layout, and any number that `models` did
not compute (counting apart).
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import polars as pl

from reports.display import date_text, file_stem
from reports.findings import Comparison, read_comparison
from reports.wording import STATES, rule_words, state_words

if TYPE_CHECKING:
    from reports.content import SiteContent


@dataclass(frozen=True)
class StateCount:
    """How many vehicles are in a state."""

    state: str
    key: str
    n_vehicles: int
    action: str
    meaning: str


@dataclass(frozen=True)
class FleetRow:
    """One vehicle of the list; `leading` is its most deviating finding, if any."""

    vehicle_id: str
    page: str
    model_id: str
    state: str
    key: str
    rank: int
    reason: str
    missing: str
    leading: Comparison | None
    n_more: int
    worst_z: float | None
    tested_on: str
    n_tests: int


@dataclass(frozen=True)
class RefusedLog:
    """A log file or a column of it that could not be read."""

    path: str
    column: str
    sentence: str
    place: str
    hint: str


@dataclass(frozen=True)
class TrustCount:
    """How many tests had readings set aside by one rule of trust."""

    sentence: str
    n_tests: int
    n_channels: int


@dataclass(frozen=True)
class FleetSummary:
    """What the index page says."""

    title: str
    as_of: str
    weekday: str
    headline: str
    counts: tuple[StateCount, ...]
    rows: tuple[FleetRow, ...]
    models: tuple[str, ...]
    refused_logs: tuple[RefusedLog, ...]
    refused_columns: tuple[RefusedLog, ...]
    trust: tuple[TrustCount, ...]
    n_stored_logs: int
    n_refused_logs: int


def summarise_fleet(content: SiteContent) -> FleetSummary:
    """The fleet as the index page tells it, vehicles that ask for action first."""
    rows = _rows(content)
    counts = _counts(rows)
    local = content.clock.astimezone(ZoneInfo(content.settings.time_zone))
    outcomes = Counter(content.logs["outcome_code"].to_list())
    logs, columns = _refusals(content.rejected)
    return FleetSummary(
        title=content.settings.title,
        as_of=date_text(content.clock, content.settings),
        weekday=f"{local:%A}",
        headline=_headline(counts),
        counts=counts,
        rows=rows,
        models=tuple(sorted({row.model_id for row in rows})),
        refused_logs=logs,
        refused_columns=columns,
        trust=_trust(content.trust),
        n_stored_logs=outcomes["stored"],
        n_refused_logs=outcomes["refused"],
    )


def _rows(content: SiteContent) -> tuple[FleetRow, ...]:
    leading = _leading_findings(content.evidence)
    rows = [_row(state, leading, content) for state in content.states.iter_rows(named=True)]
    return tuple(sorted(rows, key=_urgency))


def _urgency(row: FleetRow) -> tuple[int, float, str]:
    deviation = 0.0 if row.worst_z is None else abs(row.worst_z)
    return (row.rank, -deviation, row.vehicle_id)


def _row(
    state: dict[str, Any], leading: dict[str, dict[str, Any]], content: SiteContent
) -> FleetRow:
    words = state_words(state["state"])
    finding = leading.get(state["vehicle_id"])
    return FleetRow(
        vehicle_id=state["vehicle_id"],
        page=f"vehicles/{file_stem(state['vehicle_id'])}.html",
        model_id=state["model_id"] or "",
        state=words.state,
        key=words.key,
        rank=STATES.index(words),
        reason=state["reason"] or "",
        missing=state["missing"] or "",
        leading=None if finding is None else read_comparison(finding, content.settings),
        n_more=0 if finding is None else finding["n_findings"] - 1,
        worst_z=None if state["worst_z"] is None else round(state["worst_z"], 4),
        tested_on=date_text(state["latest_tested_at"], content.settings),
        n_tests=state["n_tests"] or 0,
    )


def _leading_findings(evidence: pl.DataFrame) -> dict[str, dict[str, Any]]:
    """Per vehicle the finding that deviates most, with the number of distinct quantities."""
    ordered = evidence.with_columns(
        n_findings=pl.struct("feature", "regime").n_unique().over("vehicle_id")
    ).sort(
        pl.col("z").abs(), "test_id", "feature", "regime",
        descending=[True, False, False, False], nulls_last=True,
    )  # fmt: skip
    leading = ordered.unique("vehicle_id", keep="first", maintain_order=True)
    return {row["vehicle_id"]: row for row in leading.iter_rows(named=True)}


def _counts(rows: tuple[FleetRow, ...]) -> tuple[StateCount, ...]:
    tally = Counter(row.state for row in rows)
    return tuple(
        StateCount(words.state, words.key, tally[words.state], words.action, words.meaning)
        for words in STATES
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


def _refusals(rejected: pl.DataFrame) -> tuple[tuple[RefusedLog, ...], tuple[RefusedLog, ...]]:
    ordered = rejected.sort("path", "column_name", "code", "place", nulls_last=False)
    logs: list[RefusedLog] = []
    columns: list[RefusedLog] = []
    for row in ordered.iter_rows(named=True):
        refused = RefusedLog(
            path=row["path"],
            column=row["column_name"] or "",
            sentence=row["sentence"] or "",
            place=row["place"] or "",
            hint=row["hint"] or "",
        )
        (logs if row["column_name"] is None else columns).append(refused)
    return tuple(logs), tuple(columns)


def _trust(trust: pl.DataFrame) -> tuple[TrustCount, ...]:
    tally = (
        trust.filter(pl.col("distrusted_share") > 0)
        .group_by("rule_code")
        .agg(
            n_tests=pl.col("test_id").n_unique(),
            n_channels=pl.col("channel").n_unique(),
        )
        .sort("n_tests", "rule_code", descending=[True, False])
    )
    return tuple(
        TrustCount(rule_words(row["rule_code"]), row["n_tests"], row["n_channels"])
        for row in tally.iter_rows(named=True)
    )
