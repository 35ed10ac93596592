"""Export: the published tables as files for other programs.

Takes a read-only store, writes one file per table (Parquet, CSV) or one workbook. Text
cells that a spreadsheet would run as a formula get a leading apostrophe in CSV and XLSX.
Does not belong here: what the tables hold.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import polars as pl

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pipeline.progress import Progress
    from pipeline.warehouse import Warehouse

ExportFormat = Literal["parquet", "csv"]

# A cell that begins with one of these is a formula, or starts one, in some spreadsheet.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True)
class ExportSummary:
    """What was written: tables, rows, and text cells that got an apostrophe."""

    n_tables: int
    n_rows: int
    n_guarded_cells: int

    @property
    def text(self) -> str:
        """The summary in one line."""
        guarded_text = (
            f" {self.n_guarded_cells} text cells looked like a formula and got an apostrophe."
            if self.n_guarded_cells
            else ""
        )
        return f"{self.n_tables} tables, {self.n_rows} rows written.{guarded_text}"


def guarded(frame: pl.DataFrame) -> tuple[pl.DataFrame, int]:
    """The frame with formula-like text cells made plain text, and how many there were."""
    names = [name for name, dtype in frame.schema.items() if dtype == pl.String]
    is_formula = {name: pl.col(name).str.contains(r"^[=+\-@\t\r]") for name in names}
    counts = frame.select(each.fill_null(value=False).sum() for each in is_formula.values())
    cells = [
        pl.when(each).then(pl.lit("'") + pl.col(name)).otherwise(pl.col(name)).alias(name)
        for name, each in is_formula.items()
    ]
    return frame.with_columns(cells), sum(counts.row(0)) if names else 0


def export(
    store: Warehouse,
    folder: Path,
    kind: ExportFormat,
    progress: Progress,
    names: Sequence[str] = (),
) -> ExportSummary:
    """Write the tables (all, or those named) into a folder, one file each.

    Raises
    ------
    KeyError
        A name is no table of the store.
    """
    folder.mkdir(parents=True, exist_ok=True)
    wanted = names or [table.name for table in store.tables]
    progress.begin("Writing tables", len(wanted))
    n_rows = n_guarded = 0
    for name in wanted:
        rows, guarded_cells = _write(store.read(name), folder / f"{name}.{kind}", kind)
        n_rows, n_guarded = n_rows + rows, n_guarded + guarded_cells
        progress.advance()
    return ExportSummary(len(wanted), n_rows, n_guarded)


def _write(frame: pl.DataFrame, path: Path, kind: ExportFormat) -> tuple[int, int]:
    unfinished = path.with_name(path.name + ".unfinished")
    count = 0
    try:
        if kind == "parquet":
            frame.write_parquet(unfinished)
        else:
            frame, count = guarded(frame)
            frame.write_csv(unfinished, datetime_format="%Y-%m-%dT%H:%M:%S%.6fZ")
        unfinished.replace(path)
    finally:
        unfinished.unlink(missing_ok=True)
    return frame.height, count
