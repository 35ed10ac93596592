"""A table as an XLSX workbook: text stays text, numbers and dates stay what they are.

Takes a frame, writes a workbook; a table longer than a sheet goes on in the next. No cell
is ever a formula or a link, and text that looks like one is marked so that editing it
makes none. Does not belong here: which tables there are (`export`).
"""

from __future__ import annotations

import datetime as dt
import math
from typing import TYPE_CHECKING, Any

import polars as pl
import xlsxwriter

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

# ECMA-376 and the program that made it: rows of a sheet, letters of a cell, letters of a name
MOST_ROWS = 1_048_576
_MOST_LETTERS = 32_767
_MOST_NAME_LETTERS = 31
# the first day that a sheet can count
_FIRST_YEAR = 1900
_FORMULA_SIGNS = "=+-@\t\r\n\uff1d\uff0b\uff0d\uff20"
_OPTIONS = {
    "constant_memory": True,
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
}
# the same tables give the same bytes
_MADE_AT = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)


def write_workbook(
    frame: pl.DataFrame, path: Path, name: str, most_rows: int = MOST_ROWS - 1
) -> int:
    """Write a frame; returns the number of text cells that looked like a formula."""
    n_marked = 0
    with xlsxwriter.Workbook(path, _OPTIONS) as book:
        book.set_properties({"created": _MADE_AT})
        bold = book.add_format({"bold": True})
        for number in range(max(1, -(-frame.height // most_rows))):
            sheet = book.add_worksheet(_sheet_name(name, number))
            for column, title in enumerate(frame.columns):
                sheet.write_string(0, column, title, bold)
            sheet.freeze_panes(1, 0)
            writers = _writers(book, sheet, frame)
            part = frame.slice(number * most_rows, most_rows)
            for row, cells in enumerate(part.iter_rows(), start=1):
                for column, cell in enumerate(cells):
                    if cell is not None:
                        n_marked += writers[column](row, column, cell)
    return n_marked


def _sheet_name(name: str, number: int) -> str:
    end = f" {number + 1}" if number else ""
    return name[: _MOST_NAME_LETTERS - len(end)] + end


def _writers(book: Any, sheet: Any, frame: pl.DataFrame) -> list[Callable[[int, int, Any], bool]]:
    """One writer per column; it returns True where a text looked like a formula."""
    plain, marked = None, book.add_format({"quote_prefix": True})
    instants = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
    days = book.add_format({"num_format": "yyyy-mm-dd"})

    def text(row: int, column: int, cell: str) -> bool:
        is_marked = cell[:1] in _FORMULA_SIGNS and bool(cell)
        sheet.write_string(row, column, cell[:_MOST_LETTERS], marked if is_marked else plain)
        return is_marked

    def number(row: int, column: int, cell: float) -> bool:
        # a sheet knows no endless number; such a cell stays empty
        if math.isfinite(cell):
            sheet.write_number(row, column, cell)
        return False

    def truth(row: int, column: int, cell: bool) -> bool:  # noqa: FBT001 - one cell, as the others
        sheet.write_boolean(row, column, cell)
        return False

    def moment(row: int, column: int, cell: dt.date) -> bool:
        if cell.year < _FIRST_YEAR:
            return text(row, column, cell.isoformat())
        if isinstance(cell, dt.datetime):
            universal = cell.astimezone(dt.UTC).replace(tzinfo=None)
            sheet.write_datetime(row, column, universal, instants)
        else:
            sheet.write_datetime(row, column, cell, days)
        return False

    kinds: dict[Any, Callable[[int, int, Any], bool]] = {
        pl.String: text,
        pl.Boolean: truth,
        pl.Date: moment,
        pl.Datetime: moment,
    }
    return [kinds.get(dtype.base_type(), number) for dtype in frame.dtypes]
