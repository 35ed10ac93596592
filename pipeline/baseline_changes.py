"""What moved between two versions of the baselines, for the command `baselines`.

Takes the stored versions, gives lines for the terminal: when each was fitted and why, and by
how many spreads the expected value of a quantity moved under the same conditions. Does not
belong here: fitting (`models`), when to fit (`refits`).
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import polars as pl

from models.baseline_shifts import SHIFTS_SHOWN_FROM, baseline_shifts
from models.frozen_tables import BASELINE_VERSIONS
from models.tables import BASELINES
from pipeline.refits import RefitReason
from pipeline.text_tables import text_table
from reports.display import date_text
from reports.wording import quantity_words, regime_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.settings import Settings
    from pipeline.warehouse import Warehouse

_MOST_SHOWN = 20
_REASONS = {reason.code: reason.value for reason in RefitReason}


def baseline_lines(store: Warehouse, settings: Settings, model: str | None = None) -> list[str]:
    """The versions, and the largest moves from the last but one to the last.

    With a model, every quantity of it, however little it moved.
    """
    versions = store.read(BASELINE_VERSIONS.name)
    if versions.is_empty():
        return ["No baselines yet: `chillroster run` fits them."]
    return [*_versions(versions, settings), *_shifts(store, versions, model)]


def _versions(versions: pl.DataFrame, settings: Settings) -> Iterator[str]:
    rows = [
        (
            str(row["baseline_version"]),
            date_text(row["fitted_at"], settings.report),
            str(row["n_tests"]),
            str(row["n_vehicles"]),
            _REASONS[row["reason_code"]],
        )
        for row in versions.iter_rows(named=True)
    ]
    yield text_table(("version", "fitted", "tests", "cars", "because"), rows)
    last = versions.row(-1, named=True)
    due = last["fitted_at"] + timedelta(days=settings.assessment.refit_days)
    yield (
        f"Version {last['baseline_version']} is in force; due to be fitted anew from "
        f"{date_text(due, settings.report)} on, at the next run that knows of other tests."
    )


def _shifts(store: Warehouse, versions: pl.DataFrame, model: str | None) -> Iterator[str]:
    last = versions["baseline_version"].item(-1)
    kept = store.read(BASELINES.name)
    old, new = (kept.filter(pl.col("baseline_version") == number) for number in (last - 1, last))
    if old.is_empty():
        yield "What the version before it expected is not kept: nothing to compare with."
        return
    moved = baseline_shifts(old, new)
    if model is not None:
        shown = moved.filter(pl.col("group_label") == model)
    else:
        shown = moved.filter(pl.col("shift_spreads").abs() >= SHIFTS_SHOWN_FROM)
    title = f"From version {last - 1} to {last}"
    yield ""
    yield (
        f"{title}: {moved.height} expected values compared, {shown.height} "
        + (f"of {model}." if model else f"moved by {SHIFTS_SHOWN_FROM:g} spreads or more.")
    )
    most = shown.height if model else _MOST_SHOWN
    rows = [_shift_cells(row) for row in shown.head(most).iter_rows(named=True)]
    if rows:
        header = ("cars", "quantity", "control state", "expected", "now", "spreads", "spread")
        yield text_table(header, rows)
    if shown.height > most:
        yield f"and {shown.height - most} more: `--model MODEL` lists all of one model"


def _shift_cells(row: dict[str, object]) -> tuple[str, ...]:
    stage = f", fan at {row['fan_stage_code']}" if row["fan_stage_code"] else ""
    return (
        str(row["group_label"]),
        quantity_words(str(row["feature"])),
        f"{regime_words(str(row['regime']))}{stage}",
        f"{row['expected']:.4g}",
        f"{row['expected_now']:.4g}",
        f"{row['shift_spreads']:+.2f}",
        f"{row['spread_ratio']:.2f}x",
    )
