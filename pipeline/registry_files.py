"""Registry files as they lie on disk: cells as text, each row with its line number.

Reads CSV (comma, semicolon or tab; with or without byte order mark), XLSX and Parquet
into one form, `RawTable`. Does not belong here: what a column means and whether a cell
is right (`registry_checks`).
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import polars as pl

from pipeline.hidden_sizes import HiddenSizeError, parquet_bytes, workbook_bytes
from pipeline.problems import Problem, ProblemsError
from pipeline.workbook_cells import FaultyCell, first_sheet

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from pipeline.workspace import Workspace

ENDINGS = (".csv", ".xlsx", ".parquet")
LARGEST_BYTES = 100_000_000
# far above what a table has, even with columns of the shop's own
_MOST_COLUMNS = 500
_DELIMITERS = (",", ";", "\t")
_NO_SUCH_FORM = {
    ".xlsx": "it is not an XLSX workbook",
    ".parquet": "it is not a Parquet file of plain columns",
}


@dataclass(frozen=True)
class RawTable:
    """The cells of one registry file.

    `cells` has one text column per header, null where a cell is empty, and the column
    `line`: the line (CSV) or row (XLSX, Parquet) the cells stand on; `header_line` is
    that of the header. In a file with semicolons a comma in a number is a decimal comma.
    A workbook and a Parquet file have rows for lines (`counts_rows`), a workbook a `sheet`.
    `delimiter` parts the cells of a row to paste: that of a CSV, else the tab.
    """

    shown: str
    cells: pl.DataFrame
    decimal_comma: bool = False
    header_line: int = 1
    problems: tuple[Problem, ...] = field(default=())
    delimiter: str = "\t"
    counts_rows: bool = False
    sheet: str = ""

    def spot(self, line: int | None, column: str = "") -> str:
        """A place in a workbook or a Parquet file; empty for text, whose lines are counted."""
        if not self.counts_rows or line is None:
            return ""
        sheet = f"sheet {self.sheet}, " if self.sheet else ""
        return f"{sheet}row {line}" + (f", column {column}" if column else "")


def read_raw(
    workspace: Workspace, name: str, largest_bytes: int = LARGEST_BYTES
) -> RawTable | None:
    """The cells of a registry table, None when it has no file.

    A file that holds more than `largest_bytes`, unpacked, is not read.

    Raises
    ------
    ProblemsError
        There are two files for the table, or the file cannot be read at all.
    """
    named = [workspace.registry_folder / f"{name}{ending}" for ending in ENDINGS]
    present = [path for path in named if path.exists() or path.is_symlink()]
    if not present:
        return None
    shown = workspace.shown(present[0])
    if len(present) > 1:
        others = ", ".join(path.name for path in present)
        sentence = f"There is more than one file for the table {name}: {others}."
        raise ProblemsError([Problem("two_files", sentence, shown, hint="Keep one of them.")])
    if not present[0].is_file():
        raise ProblemsError([_unreadable(shown, "it is no plain file, or a link to nowhere")])
    _check_size(present[0], shown, largest_bytes)
    if present[0].suffix == ".parquet":
        return _read_parquet(present[0], shown, largest_bytes)
    read = _read_csv if present[0].suffix == ".csv" else _read_xlsx
    return read(present[0], shown)


def _check_size(path: Path, shown: str, largest_bytes: int) -> None:
    """Refuse a file before it is read whose content would not fit.

    Raises
    ------
    ProblemsError
        The file holds too much, or does not tell how much it holds.
    """
    try:
        size = path.stat().st_size
        if path.suffix == ".xlsx" and size:
            size = max(size, workbook_bytes(path, largest_bytes))
        elif path.suffix == ".parquet":
            size = max(size, parquet_bytes(path))
    except OSError as error:
        raise ProblemsError([_unreadable(shown, error.strerror or str(error))]) from error
    except HiddenSizeError as error:
        raise ProblemsError([_unreadable(shown, _NO_SUCH_FORM[path.suffix])]) from error
    if size > largest_bytes:
        raise ProblemsError([_too_large(shown, largest_bytes)])


def _too_large(shown: str, largest_bytes: int) -> Problem:
    return Problem(
        "too_large",
        f"The file holds more than {largest_bytes / 1e6:g} MB of cells, more than a registry "
        "table should.",
        shown,
        hint="Delete cells far below or beside the table; if all of it is needed, raise "
        "`largest_registry_megabytes` under [reading] in chillroster.toml.",
    )


def _read_csv(path: Path, shown: str) -> RawTable:
    text = _decode(path, shown)
    header = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(_DELIMITERS, key=header.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    rows: list[tuple[int, list[str]]] = []
    line = 1
    try:
        for row in reader:
            rows.append((line, row))
            # a quoted cell may hold line ends, so a row starts where the last one ended
            line = reader.line_num + 1
    except csv.Error as error:
        sentence = f"The file is not a table of cells: {error}."
        hint = "Save it again as CSV from the spreadsheet."
        raise ProblemsError([Problem("not_csv", sentence, shown, line, hint)]) from error
    raw = _raw(rows, shown, decimal_comma=delimiter == ";")
    return replace(raw, delimiter=delimiter)


def _decode(path: Path, shown: str) -> str:
    try:
        content = path.read_bytes()
    except OSError as error:
        raise ProblemsError([_unreadable(shown, error.strerror or str(error))]) from error
    encoding = "utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError:
        text = content.decode("cp1252", errors="replace")
    if "\0" in text:
        raise ProblemsError([_unreadable(shown, "it is not a text file")])
    return text


def _read_xlsx(path: Path, shown: str) -> RawTable:
    try:
        sheet = pl.read_excel(
            path,
            engine="calamine",
            has_header=False,
            infer_schema_length=0,
            drop_empty_rows=False,
            drop_empty_cols=False,
            raise_if_empty=False,
            read_options={"skip_rows": 0},
        )
        name, faulty = first_sheet(path)
    except Exception as error:  # the reader's own exceptions share no public base
        raise ProblemsError([_unreadable(shown, _NO_SUCH_FORM[path.suffix])]) from error
    rows = [[cell or "" for cell in row] for row in sheet.cast(pl.String).rows()]
    raw = _raw(enumerate(rows, start=1), shown, decimal_comma=False)
    raw = replace(raw, counts_rows=True, sheet=name)
    found = [_faulty(raw, one) for one in faulty]
    return replace(raw, problems=(*raw.problems, *found))


def _faulty(raw: RawTable, cell: FaultyCell) -> Problem:
    return Problem(
        "faulty_cell",
        f"The cell holds no value but {cell.says}.",
        raw.shown,
        cell.row,
        "Write the value itself into the cell, or correct its formula and save the workbook.",
        f"sheet {raw.sheet}, cell {cell.column}{cell.row}",
    )


def _read_parquet(path: Path, shown: str, largest_bytes: int) -> RawTable:
    try:
        frame = pl.read_parquet(path, glob=False)
        # a column of whole numbers with gaps is often written as one of decimals
        floats = pl.selectors.float()
        whole = floats.cast(pl.String).str.strip_suffix(".0")
        texts = frame.select(pl.all().exclude(pl.Float32, pl.Float64).cast(pl.String), whole)
        texts = texts.select(frame.columns)
    except (pl.exceptions.PolarsError, OSError) as error:
        raise ProblemsError([_unreadable(shown, _NO_SUCH_FORM[path.suffix])]) from error
    # a text that every row names stands in the file, and in the frame, only once
    if sum(texts.select(pl.all().str.len_bytes().sum()).row(0)) > largest_bytes:
        raise ProblemsError([_too_large(shown, largest_bytes)])
    rows = [texts.columns, *([cell or "" for cell in row] for row in texts.rows())]
    return replace(_raw(enumerate(rows), shown, decimal_comma=False), counts_rows=True)


def _unreadable(shown: str, reason: str) -> Problem:
    return Problem(
        "unreadable_file",
        f"The file cannot be read: {reason}.",
        shown,
        hint="Registry files are .csv, .xlsx or .parquet; save it again in one of these forms.",
    )


def _raw(rows: Iterable[tuple[int, list[str]]], shown: str, *, decimal_comma: bool) -> RawTable:
    """The table whose first row that is not blank is the header."""
    filled = [
        (line, [cell.strip() for cell in row]) for line, row in rows if any(map(str.strip, row))
    ]
    if not filled:
        return RawTable(shown, pl.DataFrame(schema={"line": pl.Int64}), decimal_comma)
    header_line, header = filled[0]
    width = max(index + 1 for index, cell in enumerate(header) if cell)
    if width > _MOST_COLUMNS:
        raise ProblemsError([_too_wide(shown, header_line, width)])
    names, problems = _names(header[:width], shown, header_line)
    for line, row in filled[1:]:
        if any(row[width:]):
            problems.append(_too_long(shown, line, len(row), width))
    columns = {
        name: [row[index] or None if index < len(row) else None for _, row in filled[1:]]
        for name, index in names.items()
    }
    cells = pl.DataFrame(columns, schema=dict.fromkeys(columns, pl.String))
    lines = pl.Series("line", [line for line, _ in filled[1:]], pl.Int64)
    return RawTable(shown, cells.with_columns(lines), decimal_comma, header_line, tuple(problems))


def _names(header: list[str], shown: str, line: int) -> tuple[dict[str, int], list[Problem]]:
    """Position by column name, and what is wrong with the header row."""
    names: dict[str, int] = {}
    problems = []
    for index, cell in enumerate(header):
        name = cell.lower()
        if name == "line" or not name:
            name = f"{name or 'unnamed'} (column {index + 1})"
        if name in names:
            sentence = f"The column `{name}` stands in the header twice."
            hint = "Keep one of the two."
            problems.append(Problem("duplicate_column", sentence, shown, line, hint))
        else:
            names[name] = index
    return names, problems


def _too_wide(shown: str, line: int, width: int) -> Problem:
    return Problem(
        "too_many_columns",
        f"The header reaches to column {width}; a registry table has at most {_MOST_COLUMNS}.",
        shown,
        line,
        "Delete the cells far to the right of the table.",
    )


def _too_long(shown: str, line: int, found: int, width: int) -> Problem:
    return Problem(
        "too_many_cells",
        f"The row has {found} cells, but the header names {width} columns.",
        shown,
        line,
        "A cell that holds the separator must stand in double quotes.",
    )
