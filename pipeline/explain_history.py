"""Explain, over time: how a car drifts, what it leaks, what was recorded, when it changed.

Takes a read-only store and a vehicle, gives lines. Does not belong here: the evidence of
the latest tests (`explain`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from models.drift_sentences import as_spoken
from models.drift_tables import Outlook
from pipeline.disposition_command import disposition_lines
from pipeline.text_lines import wrapped
from reports.display import date_text
from reports.retelling import in_display_units
from reports.wording import plain_words

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pipeline.warehouse import Warehouse
    from reports.settings import ReportSettings

_DRIFTING = (Outlook.DATED.code, Outlook.BEYOND_HORIZON.code)
_CHANGES_SHOWN = 5


def history_lines(
    store: Warehouse, vehicle_id: str, finding_codes: Sequence[str], settings: ReportSettings
) -> Iterator[str]:
    """All that the visits together and the people say of a vehicle; nothing where nothing is."""
    yield from _section("Drift since the last service", _drift_lines(store, vehicle_id, settings))
    leaks = store.read_where("leaks", "vehicle_id", [vehicle_id]).sort("until_at")
    yield from _section("Leaks", [as_spoken(sentence) for sentence in leaks["sentence"]])
    recorded = store.read_where("dispositions", "vehicle_id", [vehicle_id])
    if recorded.height:
        latest = recorded["recorded_at"].to_list()
        yield from _section("Recorded", disposition_lines(recorded, vehicle_id, max(latest)))
    yield from _section("How often these findings held", _precision_lines(store, finding_codes))
    changed = store.read_where("state_changes", "vehicle_id", [vehicle_id])
    last = changed.sort("run_number", descending=True).head(_CHANGES_SHOWN)
    told = [
        f"{date_text(row['changed_at'], settings)}, {row['sentence']}"
        for row in last.iter_rows(named=True)
    ]
    yield from _section("Changes of state", told)


def _section(title: str, lines: Sequence[str]) -> Iterator[str]:
    if not lines:
        return
    yield ""
    yield title
    for line in lines:
        yield from wrapped(line, "  ")


def _drift_lines(store: Warehouse, vehicle_id: str, settings: ReportSettings) -> list[str]:
    """What drifts; else how much was looked at; else what it lacks."""
    drifts = store.read_where("drifts", "vehicle_id", [vehicle_id])
    if drifts.is_empty():
        return []
    drifting = drifts.filter(pl.col("outlook_code").is_in(_DRIFTING)).sort(
        "leaves_band_at", nulls_last=True
    )
    if drifting.height:
        told = [as_spoken(sentence) for sentence in drifting["sentence"]]
        return [in_display_units(sentence, settings) for sentence in told]
    enough = drifts.filter(pl.col("outlook_code") == Outlook.NO_TREND.code)
    if enough.height:
        count = enough["feature"].n_unique()
        return [f"None seen in {count} quantities with enough visits."]
    most = drifts.sort("n_visits", descending=True).row(0, named=True)
    lacking = f" Lacking: {most['lacking']}." if most["lacking"] else ""
    return [f"Too few visits to say.{lacking}"]


def _precision_lines(store: Warehouse, finding_codes: Sequence[str]) -> list[str]:
    rows = store.read_where("disposition_precision", "finding_code", sorted(set(finding_codes)))
    told = rows.filter(pl.col("model_id").is_null() & pl.col("precision").is_not_null())
    return [
        f"{plain_words(row['finding_code'])}: {row['n_confirmed']} of "
        f"{row['n_confirmed'] + row['n_other_cause'] + row['n_no_fault_found']} that were looked "
        f"at held ({row['precision_low']:.0%} to {row['precision_high']:.0%})."
        for row in told.iter_rows(named=True)
    ]
