"""Summary of one vehicle: verdict, evidence, latest test, history, what stays unknown.

Takes the vehicle's rows from a `Ledger`, gives a frozen `VehicleSummary` from which its
page and JSON twin are written. Does not belong here: curves (`curves`), layout.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from models.drift_sentences import as_spoken
from reports.display import (
    clock_text,
    date_text,
    display_unit,
    file_stem,
    moment_text,
    number_text,
)
from reports.evidence import Finding, read_findings
from reports.findings import Comparison, read_comparison
from reports.history import HistoryPanel, RepairMark, history_panels
from reports.regime_band import RegimeSpan, read_regimes
from reports.retelling import in_display_units
from reports.stretches import Stretch, read_stretches
from reports.unassessed import Remark, Unassessed, read_remarks, read_unassessed
from reports.unread import Unread, read_unread
from reports.wording import (
    DUCT_SOURCE_NOTES,
    EVENT_WORDS,
    SOURCE_WORDS,
    SWING_NOTE,
    plain_words,
    quantity_words,
    state_words,
    term_words,
)

if TYPE_CHECKING:
    from reports.ledger import Ledger, Row
    from reports.settings import ReportSettings


@dataclass(frozen=True)
class Event:
    """A control event that explains a swing of the curves; `effect` is what both sides did."""

    time_s: float
    clock: str
    kind_code: str
    glyph: str
    words: str
    source: str
    effect: str


@dataclass(frozen=True)
class SetAside:
    """Readings that are not trusted, and why."""

    channel_name: str
    channel: str
    share: str
    sentence: str


@dataclass(frozen=True)
class LatestTest:
    """The test that the curves show; `notes` are on how it was read, `story` what happened."""

    test_id: str
    tested_at: str
    log_path: str
    facts: tuple[tuple[str, str], ...]
    stretches: tuple[Stretch, ...]
    regimes: tuple[RegimeSpan, ...]
    unread: tuple[Unread, ...]
    notes: tuple[str, ...]
    story: str
    remarks: tuple[Remark, ...]
    events: tuple[Event, ...]
    set_aside: tuple[SetAside, ...]
    comparisons: tuple[Comparison, ...]


@dataclass(frozen=True)
class VehicleSummary:
    """What a vehicle's page says."""

    vehicle_id: str
    file_stem: str
    model_id: str
    state: str
    key: str
    reason: str
    meaning: str
    next_step: str
    drifts: tuple[str, ...]
    causes: str
    handling: str
    tested_on: str
    n_tests: int
    findings: tuple[Finding, ...]
    latest: LatestTest | None
    missing: tuple[str, ...]
    unassessed: tuple[Unassessed, ...]
    history: tuple[HistoryPanel, ...]
    repairs: tuple[RepairMark, ...]


def summarise_vehicle(vehicle_id: str, ledger: Ledger, settings: ReportSettings) -> VehicleSummary:
    """One vehicle as its page tells it."""
    state = ledger.states[vehicle_id]
    words = state_words(state["state"])
    tests = {row["test_id"]: row for row in ledger.tests.get(vehicle_id, [])}
    residuals = ledger.residuals.get(vehicle_id, [])
    latest = tests.get(state["latest_test_id"])
    return VehicleSummary(
        vehicle_id=vehicle_id,
        file_stem=file_stem(vehicle_id),
        model_id=state["model_id"] or "",
        state=words.state,
        key=words.key,
        reason=in_display_units(state["reason"] or "", settings),
        meaning=words.meaning,
        next_step=words.next_step,
        drifts=_drifts(ledger.drifts.get(vehicle_id, []), settings),
        causes=_causes(ledger.causes.get(vehicle_id, []), settings),
        handling=state["handling"] or "",
        tested_on=date_text(state["latest_tested_at"], settings),
        n_tests=state["n_tests"] or 0,
        findings=read_findings(vehicle_id, tests, ledger, settings),
        latest=None if latest is None else _latest(latest, residuals, ledger, settings),
        missing=tuple((state["missing"] or "").split("; ")) if state["missing"] else (),
        unassessed=read_unassessed(latest, residuals, ledger),
        history=_history(tests, residuals, settings),
        repairs=tuple(_repair(row, settings) for row in ledger.repairs.get(vehicle_id, [])),
    )


def _drifts(rows: list[Row], settings: ReportSettings) -> tuple[str, ...]:
    """How the car drifts out of its band, each quantity once, the nearest dates first."""
    first = {row["feature"]: row["sentence"] for row in reversed(rows)}
    told = [first.pop(row["feature"]) for row in rows if row["feature"] in first]
    return tuple(
        in_display_units(as_spoken(sentence), settings) for sentence in told[:_MOST_DRIFTS]
    )


def _causes(rows: list[Row], settings: ReportSettings) -> str:
    """What the car fits best, as a paragraph; empty where no cause was looked for."""
    return " ".join(in_display_units(row["sentence"], settings) for row in rows if row["sentence"])


def _latest(
    test: Row, residuals: list[Row], ledger: Ledger, settings: ReportSettings
) -> LatestTest:
    test_id = test["test_id"]
    judged = [row for row in residuals if row["test_id"] == test_id and row["observed"] is not None]
    stretches = read_stretches(ledger.windows.get(test_id, []))
    return LatestTest(
        test_id=test_id,
        tested_at=moment_text(test["started_at"], settings),
        log_path=test["log_path"] or "",
        facts=_facts(test),
        stretches=stretches,
        regimes=read_regimes(ledger.regimes.get(test_id, []), settings),
        unread=tuple(read_unread(row, settings) for row in ledger.unread.get(test_id, [])),
        notes=_notes(stretches, ledger.duct_sources.get(test_id)),
        story=_story(ledger.stories.get(test_id, []), settings),
        remarks=read_remarks(test["log_path"], ledger),
        events=tuple(_event(row, settings) for row in ledger.events.get(test_id, [])),
        set_aside=tuple(_set_aside(row, settings) for row in ledger.trust.get(test_id, [])),
        comparisons=tuple(read_comparison(row, settings) for row in judged),
    )


def _story(rows: list[Row], settings: ReportSettings) -> str:
    """What happened in the test, in order; empty where nothing is told of it."""
    return " ".join(in_display_units(row["sentence"] or "", settings) for row in rows)


def _notes(stretches: tuple[Stretch, ...], duct_source: str | None) -> tuple[str, ...]:
    """What to know of how the values were read: over swings, from one duct sensor."""
    has_swings = any(stretch.cycle_code == "swing" for stretch in stretches)
    duct_note = DUCT_SOURCE_NOTES.get(duct_source or "")
    return tuple(note for note in (SWING_NOTE if has_swings else None, duct_note) if note)


_MOST_DRIFTS = 2

_FACTS = (
    ("refrigerant", "refrigerant"),
    ("compressor", "compressor"),
    ("expansion_device", "expansion device"),
    ("purpose", "purpose"),
    ("protocol", "protocol"),
    ("site_id", "site"),
    ("instrument_id", "instrument"),
)


def _facts(test: Row) -> tuple[tuple[str, str], ...]:
    """What is noted of the test, in words; what is not noted is left out."""
    return tuple((words, term_words(str(test[name]))) for name, words in _FACTS if test.get(name))


def _event(row: Row, settings: ReportSettings) -> Event:
    glyph, words = EVENT_WORDS.get(row["kind_code"], ("\N{LOZENGE}", plain_words(row["kind_code"])))
    return Event(
        time_s=round(row["time_s"], 1),
        clock=clock_text(row["time_s"]),
        kind_code=row["kind_code"],
        glyph=glyph,
        words=f"{words}{_size(row)}",
        source=_source(row),
        effect=_effect(row, settings),
    )


def _size(row: Row) -> str:
    """By how much a command or a speed changes; a compressor is on or off."""
    if row["kind_code"].startswith("compressor") or row["kind_code"].endswith("cut_out"):
        return ""
    if row["size_pct"] is not None:
        return f" by {number_text(abs(row['size_pct']), 0)} points"
    if row["size_rpm"] is not None:
        return f" by {number_text(abs(row['size_rpm']), 0)} 1/min"
    return ""


def _source(row: Row) -> str:
    """How the event is known, and how surely where it was inferred."""
    words = SOURCE_WORDS.get(row["source_code"], plain_words(row["source_code"] or ""))
    if row["source_code"] == "command" or row["confidence"] is None:
        return words
    return f"{words}, {number_text(100 * row['confidence'], 0)}\N{NO-BREAK SPACE}% sure"


def _effect(row: Row, settings: ReportSettings) -> str:
    unit = display_unit("high_side_kpa", settings)
    changes = (("high side", row["high_side_change_kpa"]), ("low side", row["low_side_change_kpa"]))
    return ", ".join(
        f"{side} {unit.difference_text(change)}" for side, change in changes if change is not None
    )


def _set_aside(row: Row, settings: ReportSettings) -> SetAside:
    return SetAside(
        channel_name=row["channel"],
        channel=quantity_words(row["channel"]),
        share=f"{number_text(100 * row['distrusted_share'], 1)}\N{NO-BREAK SPACE}%",
        sentence=in_display_units(row["sentence"] or plain_words(row["rule_code"]), settings),
    )


def _history(
    tests: dict[str, Row], residuals: list[Row], settings: ReportSettings
) -> tuple[HistoryPanel, ...]:
    dated = (
        {**row, "tested_at": _chart_instant(tests[row["test_id"]], settings)}
        for row in residuals
        if row["test_id"] in tests
    )
    return history_panels(dated, settings)


def _chart_instant(test: Row, settings: ReportSettings) -> str:
    return moment_text(test["started_at"], settings)[:16].replace(" ", "T")


def _repair(row: Row, settings: ReportSettings) -> RepairMark:
    performed = row["performed_at"]
    day = date_text(performed, settings) if hasattr(performed, "hour") else performed.isoformat()
    words = " ".join(plain_words(part) for part in (row["action"], row["component"]) if part)
    return RepairMark(
        performed_on=day,
        words=words or "repair",
        shop=row.get("shop_id") or "",
    )
