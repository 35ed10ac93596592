"""The command `recurrence`: reads the snapshot, cuts cohorts as asked, tells and saves them.

Takes a workspace and what is asked for, gives lines for the terminal; the file saved holds
exactly the columns and rows of the table that is told. Nothing is stored. Does not belong
here: the words (`recurrence_text`), options (`cli_recurrence`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, cast

import polars as pl
import typer

from models.recurrence.clocks import CLOCKS, ClockName
from models.recurrence.recurrence import Cut, Prepared, cohorts_of, find_recurrences, prepare
from pipeline.export import ExportFormat, write_table
from pipeline.recurrence_step import claim_records
from pipeline.recurrence_text import (
    cohort_lines,
    forecast_lines,
    returning_lines,
    shown_cohorts,
    shown_forecasts,
    shown_returning,
)
from pipeline.run import open_published
from pipeline.settings import read_settings
from pipeline.told_failures import require_known

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from pipeline.settings import Settings
    from pipeline.workspace import Workspace

Kind = Literal["cohorts", "forecast", "returning"]


@dataclass(frozen=True)
class Asked:
    """What the command was asked for; no dimensions: what stands out along all of them."""

    kind: Kind
    dimensions: tuple[str, ...]
    clock: ClockName
    components: tuple[str, ...]
    n_rows: int


def answer(workspace: Workspace, asked: Asked, clock: datetime, save: Path | None) -> list[str]:
    """The lines that answer; with `save`, the table is written as well."""
    settings = read_settings(workspace)
    with open_published(workspace, settings) as store:
        prepared = prepare(claim_records(store), settings.recurrence, clock)
    require_known("component in the repairs", list(asked.components), prepared.components)
    shown, lines = _told(prepared, asked, settings, clock)
    if save is not None:
        kind = cast("ExportFormat", save.suffix.removeprefix("."))
        save.parent.mkdir(parents=True, exist_ok=True)
        n_rows, _ = write_table(shown, save, kind)
        lines.append(f"{n_rows} rows written: {save.resolve()}")
    return lines


def _told(
    prepared: Prepared, asked: Asked, settings: Settings, clock: datetime
) -> tuple[pl.DataFrame, list[str]]:
    """The table as it is shown, and the lines around it."""
    basis = [row["sentence"] for row in prepared.bases.head(3).iter_rows(named=True)]
    lines = [basis[0], basis[2], ""]
    if asked.kind == "cohorts":
        rows = _cohorts(prepared, asked)
        shown = shown_cohorts(rows)
        return shown, [*lines, *cohort_lines(rows, shown, asked.n_rows)]
    found = find_recurrences(prepared.records, settings.recurrence, clock)
    wanted = pl.col("component").is_in(asked.components or prepared.components)
    if asked.kind == "forecast":
        shown = shown_forecasts(found.claim_forecasts.filter(wanted))
        told = forecast_lines(shown, settings.recurrence.currency, asked.n_rows)
    else:
        shown = shown_returning(found.returning_vehicles.filter(wanted))
        told = returning_lines(shown, asked.n_rows)
    return shown, [*lines, *told]


def _cohorts(prepared: Prepared, asked: Asked) -> pl.DataFrame:
    """Rows of the cut asked for, else those that stand out along all cuts."""
    if not asked.dimensions and asked.clock == "months":
        rows = find_recurrences(prepared.records, prepared.settings, prepared.instant).recurrences
        wanted = pl.col("component").is_in(asked.components or prepared.components)
        return rows.filter(wanted & pl.col("verdict_code").is_in(["more_often"]))
    aged = prepared.aged(asked.clock)
    if aged.reason:
        raise typer.BadParameter(
            f"{CLOCKS[asked.clock].words} cannot be told: {aged.reason}; use `--months`"
        )
    try:
        return cohorts_of(prepared, Cut(asked.dimensions, asked.clock, asked.components), aged)[0]
    except ValueError as error:
        raise typer.BadParameter(str(error)) from error
