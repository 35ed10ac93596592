"""Export: the published tables as files for other programs.

Takes a read-only store, writes one file per table: Parquet, CSV or XLSX. Text that a
spreadsheet would run as a formula gets an apostrophe in CSV; in XLSX it is stored as
text. Does not belong here: what the tables hold, writing workbooks (`workbooks`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

import polars as pl

from pipeline.workbooks import write_workbook

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pipeline.progress import Progress
    from pipeline.warehouse import Warehouse

ExportFormat = Literal["parquet", "csv", "xlsx"]

# A cell that begins with one of these is a formula, or starts one, in some spreadsheet; the
# last four are the wide letters that some take for the first four.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
_SIGNS = "=+\\-@\uff1d\uff0b\uff0d\uff20"
_STARTS_FORMULA = rf"^[{_SIGNS}\t\r\n]"
# where lists are parted by semicolons, a text with one in it falls apart into cells
_INNER_FORMULA = rf"([;\t\r\n][ \"]*)([{_SIGNS}])"


@dataclass(frozen=True)
class ExportSummary:
    """What was written: tables, rows, and text cells that looked like a formula."""

    n_tables: int
    n_rows: int
    n_guarded_cells: int

    @property
    def text(self) -> str:
        """The summary in one line."""
        guarded_text = (
            f" {self.n_guarded_cells} text cells looked like a formula and were made plain text."
            if self.n_guarded_cells
            else ""
        )
        return f"{self.n_tables} tables, {self.n_rows} rows written.{guarded_text}"


def guarded(frame: pl.DataFrame) -> tuple[pl.DataFrame, int]:
    """The frame with formula-like text cells made plain text, and how many there were."""
    names = [name for name, dtype in frame.schema.items() if dtype == pl.String]
    counts = frame.select(
        (pl.col(name).str.contains(_STARTS_FORMULA) | pl.col(name).str.contains(_INNER_FORMULA))
        .fill_null(value=False)
        .sum()
        for name in names
    )
    inner = {name: pl.col(name).str.replace_all(_INNER_FORMULA, "${1}'${2}") for name in names}
    cells = [
        pl.when(text.str.contains(_STARTS_FORMULA))
        .then(pl.lit("'") + text)
        .otherwise(text)
        .alias(name)
        for name, text in inner.items()
    ]
    return frame.with_columns(cells), sum(counts.row(0)) if names else 0


def lists_as_text(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame with lists of numbers as text, separated by blanks, to the last digit."""
    names = [name for name, dtype in frame.schema.items() if isinstance(dtype, pl.List)]
    return frame.with_columns(
        pl.col(name).list.eval(pl.element().cast(pl.String)).list.join(" ") for name in names
    )


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
        rows, guarded_cells = write_table(store.read(name), folder / f"{name}.{kind}", kind)
        n_rows, n_guarded = n_rows + rows, n_guarded + guarded_cells
        progress.advance()
    return ExportSummary(len(wanted), n_rows, n_guarded)


def write_shown(frame: pl.DataFrame, path: Path) -> ExportSummary:
    """Write what a table shows into the file named, in the format of its ending.

    Raises
    ------
    ValueError
        The ending is none of .parquet, .csv, .xlsx.
    """
    kind = next((k for k in get_args(ExportFormat) if path.suffix.lower() == f".{k}"), None)
    if kind is None:
        raise ValueError(f"{path.name}: name a file that ends in .parquet, .csv or .xlsx")
    path.parent.mkdir(parents=True, exist_ok=True)
    return ExportSummary(1, *write_table(frame, path, kind))


def write_table(frame: pl.DataFrame, path: Path, kind: ExportFormat) -> tuple[int, int]:
    """Write one file; returns its rows, and the text cells that looked like a formula."""
    unfinished = path.with_name(path.name + ".unfinished")
    count = 0
    try:
        if kind == "parquet":
            frame.write_parquet(unfinished)
        elif kind == "xlsx":
            count = write_workbook(lists_as_text(frame), unfinished, path.stem)
        else:
            frame, count = guarded(lists_as_text(frame))
            frame.write_csv(unfinished, datetime_format="%Y-%m-%dT%H:%M:%S%.6fZ")
        unfinished.replace(path)
    finally:
        unfinished.unlink(missing_ok=True)
    return frame.height, count
