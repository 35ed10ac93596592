"""Explain: the evidence behind the state of one vehicle, as plain lines to read aloud.

Takes a read-only store and a vehicle, gives text. The same rows stand behind the pages
(`reports.vehicle`). Does not belong here: any judgement, and printing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from models.instrument_offsets import offsets_of_tests
from pipeline.explain_causes import cause_lines
from pipeline.explain_history import history_lines
from pipeline.problems import did_you_mean
from pipeline.text_lines import wrapped
from reports.cautions import INDICATION
from reports.display import date_text
from reports.findings import read_comparison
from reports.retelling import in_display_units
from reports.wording import quantity_words, reason_words, regime_words, state_words

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pipeline.warehouse import Warehouse
    from reports.settings import ReportSettings

_HOW_P_WAS_FOUND = {
    "exact": "counted among {cars} cars of its model",
    "pooled": "counted among {cars} cars of its kind",
    "tail_model": "beyond what {cars} cars can count: a stated tail",
    "approximate": "approximate: too few cars to count among",
}


class UnknownVehicleError(LookupError):
    """No vehicle of that name has a state."""


def explain(store: Warehouse, vehicle_id: str, settings: ReportSettings) -> str:
    """The state of a vehicle, why, on which evidence, and what would be needed for more.

    Raises
    ------
    UnknownVehicleError
        The store knows no such vehicle; the message suggests the nearest name.
    """
    states = store.read("states")
    found = states.filter(pl.col("vehicle_id") == vehicle_id)
    if found.is_empty():
        hint = did_you_mean(vehicle_id, states["vehicle_id"].to_list())
        raise UnknownVehicleError(f"no vehicle is called {vehicle_id}. {hint}".strip())
    state = found.row(0, named=True)
    evidence = store.read_where("evidence", "vehicle_id", [vehicle_id])
    context = store.read_where("context", "vehicle_id", [vehicle_id])
    latest = [state["latest_test_id"]] if state["latest_test_id"] else []
    lines = [
        *_opening(state, settings),
        *_evidence_lines(evidence, context, settings),
        *cause_lines(store.read_where("causes", "vehicle_id", [vehicle_id]), settings),
        *_story_lines(store.read_where("stories", "test_id", latest), settings),
        *history_lines(store, vehicle_id, evidence["finding_code"].to_list(), settings),
        *_unread_lines(store.read_where("unread", "test_id", latest)),
        *_unjudged_lines(store.read_where("residuals", "test_id", latest)),
        *_distrust_lines(store.read_where("trust", "test_id", latest)),
        *_instrument_lines(store, context.filter(pl.col("test_id").is_in(latest))),
        *_rejected_lines(store, context),
        *_notice_lines(store, context.filter(pl.col("test_id").is_in(latest))),
        "",
        *wrapped(INDICATION, ""),
    ]
    return "\n".join(lines)


def _opening(state: dict[str, Any], settings: ReportSettings) -> Iterator[str]:
    yield f"{state['vehicle_id']} ({state['model_id']}): {state['state']}"
    yield from wrapped(state["reason"] or "", "  ")
    yield from wrapped(f"What this state means: {state_words(state['state']).meaning}", "  ")
    if state["n_tests"]:
        tests = "1 test" if state["n_tests"] == 1 else f"{state['n_tests']} tests"
        latest = date_text(state["latest_tested_at"], settings)
        yield f"  {tests} on record, the latest of {latest}."
    else:
        yield "  Never tested."
    if state["handling"]:
        yield from wrapped(state["handling"], "  ")
    if state["missing"]:
        yield from wrapped(f"For a fuller judgement: {state['missing']}", "  ")


def _evidence_lines(
    evidence: pl.DataFrame, context: pl.DataFrame, settings: ReportSettings
) -> Iterator[str]:
    if evidence.is_empty():
        return
    yield ""
    yield "Evidence"
    paths = dict(context.select("test_id", "log_path").iter_rows())
    for row in evidence.sort("tested_at", "feature", "regime", descending=True).iter_rows(
        named=True
    ):
        line = read_comparison(row, settings)
        yield f"  {date_text(row['tested_at'], settings)}, {paths.get(row['test_id'])}"
        yield from wrapped(row["sentence"], "    ")
        yield from wrapped(
            f"{line.quantity}, {line.regime}: observed {line.observed}, expected {line.expected}, "
            f"difference {line.difference}, spread {line.spread}; "
            f"z {line.z_text}, p {line.p_text}{_how_found(row)}, {line.chance}; "
            f"compared with {line.baseline}.",
            "    ",
        )


def _story_lines(stories: pl.DataFrame, settings: ReportSettings) -> Iterator[str]:
    for sentence in stories["sentence"].drop_nulls():
        yield ""
        yield "What happened in the latest test"
        yield from wrapped(in_display_units(sentence, settings), "  ")


def _how_found(row: Mapping[str, Any]) -> str:
    """How the p-value was found, in brackets; nothing for rows of older stores."""
    words = _HOW_P_WAS_FOUND.get(row["calibration_code"] or "")
    return f" ({words.format(cars=row['n_calibration'])})" if words else ""


def _unread_lines(unread: pl.DataFrame) -> Iterator[str]:
    for sentence in unread["sentence"]:
        yield ""
        yield from wrapped(f"The latest test has no window to read: {sentence}.", "")


def _unjudged_lines(residuals: pl.DataFrame) -> Iterator[str]:
    unjudged = residuals.filter(pl.col("reason_code").is_not_null())
    if unjudged.is_empty():
        return
    yield ""
    yield "Not judged in the latest test"
    for row in unjudged.sort("feature", "regime").iter_rows(named=True):
        yield from wrapped(
            f"{quantity_words(row['feature'])}, {regime_words(row['regime'])}: "
            f"{reason_words(row['reason_code'])}",
            "  ",
        )


def _distrust_lines(trust: pl.DataFrame) -> Iterator[str]:
    distrusted = trust.filter(pl.col("distrusted_share") > 0)
    if distrusted.is_empty():
        return
    yield ""
    yield "Not trusted in the latest test, and not used"
    for row in distrusted.sort("channel", "rule_code").iter_rows(named=True):
        yield from wrapped(
            f"{quantity_words(row['channel'])}, {row['distrusted_share']:.0%} of the samples: "
            f"{row['sentence']}",
            "  ",
        )


def _instrument_lines(store: Warehouse, context: pl.DataFrame) -> Iterator[str]:
    """What is known of the instrument of the latest test, where it read off on every car."""
    offsets = offsets_of_tests(store.read("instrument_offsets"), context)
    if offsets.is_empty():
        return
    yield ""
    yield "The instrument of the latest test reads off on every car"
    for row in offsets.sort("instrument_id", "channel").iter_rows(named=True):
        yield from wrapped(f"{row['instrument_id']}: {row['sentence']}", "  ")


def _rejected_lines(store: Warehouse, context: pl.DataFrame) -> Iterator[str]:
    logs = store.read("logs").filter(
        pl.col("vehicle_id").is_in(context["vehicle_id"].unique().to_list())
    )
    rejected = store.read_where("rejected", "path", logs["path"].to_list())
    if rejected.is_empty():
        return
    yield ""
    yield "Refused when the logs were read"
    for row in rejected.iter_rows(named=True):
        column = f", column {row['column_name']}" if row["column_name"] else ""
        yield from wrapped(f"{row['path']}{column}: {row['sentence']} {row['hint'] or ''}", "  ")


def _notice_lines(store: Warehouse, context: pl.DataFrame) -> Iterator[str]:
    notices = store.read_where("notices", "path", context["log_path"].to_list())
    if notices.is_empty():
        return
    yield ""
    yield "Not used of the latest test, or read with a remark"
    for row in notices.iter_rows(named=True):
        column = f"column {row['column_name']}: " if row["column_name"] else ""
        yield from wrapped(f"{column}{row['sentence']}", "  ")
