"""Rows of text cells as values, counting what cannot be read.

Takes the text rows of one log (columns `line`, `time_text`, `seconds` and the fields by
their column name), gives raw rows, refusals of columns and remarks with line numbers.
Does not belong here: splitting a file into cells (`careful`, `parquet_logs`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import polars as pl

from pipeline.header_lines import is_unit
from pipeline.number_texts import (
    PLAIN_NUMBERS,
    NumberForm,
    ReadCells,
    read_numbers,
    same_unit,
    split_glued,
    without_marks,
)
from pipeline.refusals import LogRefusedError, Objection

if TYPE_CHECKING:
    from pipeline.raw_logs import Field

_TWO_MEANINGS = re.compile(r"[+-]?\d{1,3}(?:\.\d{3})+|[+-]?\d{1,3}(?:,\d{3})+")
# Different unreadable cells of a column that are looked at for another unit.
_CELLS_TRIED = 1000


@dataclass(frozen=True)
class TextRows:
    """The text rows of one log, the fields to read from them, and how they are written."""

    path: str
    rows: pl.DataFrame
    time_name: str
    fields: tuple[Field, ...]
    form: NumberForm = PLAIN_NUMBERS


@dataclass(frozen=True)
class CleanRows:
    """Raw rows without `file`, the columns refused and what else is to be said."""

    rows: pl.DataFrame
    refusals: tuple[Objection, ...]
    notices: tuple[Objection, ...]


def clean_rows(texts: TextRows, unreadable_share: float) -> CleanRows:
    """The rows of a log as values.

    Parameters
    ----------
    texts
        The rows.
    unreadable_share
        Share of rows without a readable time, and of unreadable cells in a column, that
        are left out with a remark; more refuses the log, or the column.

    Raises
    ------
    LogRefusedError
        Too many rows have no readable time.
    """
    timed, notices = _timed(texts, unreadable_share)
    columns = [timed["seconds"]]
    refusals: list[Objection] = []
    for field in texts.fields:
        cells = timed[field.column]
        read = read_cells(cells, field, texts.form)
        values = read.values
        bad = pl.DataFrame({"line": timed["line"], "cell": cells}).filter(read.is_bad)
        changed = _first_change(texts.path, field, bad)
        if changed is not None or bad.height > unreadable_share * timed.height:
            refusals.append(changed or _refused(texts.path, field, bad, timed.height))
            values = pl.Series(field.column, [None] * timed.height, field.dtype)
        elif bad.height:
            notices.append(_remarked(texts.path, field, bad, timed.height))
        columns.append(values)
    return CleanRows(pl.DataFrame(columns), tuple(refusals), tuple(notices))


def _timed(texts: TextRows, unreadable_share: float) -> tuple[pl.DataFrame, list[Objection]]:
    """Rows that have a time, and a remark on those that have not."""
    rows = texts.rows
    has_time = rows["seconds"].is_finite().fill_null(value=False)
    bad = rows.filter(~has_time)
    if bad.is_empty():
        return rows, []
    line, text = bad.select("line", "time_text").row(0)
    found = "empty" if text is None else repr(text)
    place = f"column {texts.time_name}, first in line {line}"
    if bad.height == rows.height or bad.height > max(1, unreadable_share * rows.height):
        raise LogRefusedError(
            "time_unreadable",
            f"The time cannot be read in {bad.height} of {rows.height} rows; the first is {found}.",
            place=place,
            hint="Check the time column, or say in a profile how the time is written.",
        )
    sentence = f"{bad.height} of {rows.height} rows have no readable time and are left out."
    remark = notice(texts.path, texts.time_name, "rows_without_time", sentence, place)
    return rows.filter(has_time), [remark]


def read_cells(cells: pl.Series, field: Field, form: NumberForm) -> ReadCells:
    """The cells of a field as words or numbers, under the name of the series."""
    if field.is_text:
        words = without_marks(cells)
        return ReadCells(words, cells.is_null() & cells.is_not_null())
    glued = replace(form, unit=field.unit, accepts_bare=field.accepts_bare)
    return read_numbers(cells, glued)


def _first_change(path: str, field: Field, bad: pl.DataFrame) -> Objection | None:
    """The refusal of a column whose values change their unit, None for any other."""
    if not field.unit:
        return None
    for line, cell in bad.unique("cell", maintain_order=True).head(_CELLS_TRIED).rows():
        found = split_glued(cell)
        if found is not None and is_unit(found[1]) and same_unit(found[1]) != same_unit(field.unit):
            return Objection(
                path,
                field.name,
                "unit_changes",
                f"The values begin in {field.unit} and go on in {found[1]}.",
                f"column {field.name}, first in line {line}",
                "Keep the logger's unit fixed during a test; export the log again in one unit.",
            )
    return None


def _refused(path: str, field: Field, bad: pl.DataFrame, n_rows: int) -> Objection:
    line, cell = bad.row(0)
    place = f"column {field.name}, first in line {line}"
    if _TWO_MEANINGS.fullmatch(cell.strip()):
        return Objection(
            path,
            field.name,
            "number_ambiguous",
            f"{bad.height} of {n_rows} cells have two meanings: the mark in {cell!r} can be a "
            "decimal mark or group thousands.",
            place,
            "Say in a profile, under [text], `decimal_mark` or `thousands_mark`.",
        )
    return Objection(
        path,
        field.name,
        "unreadable_cells",
        f"{bad.height} of {n_rows} cells are no numbers; the first is {cell!r}.",
        place,
        "Check the sensor and the logger's export. Cells that mean no reading can be listed in a "
        "profile, under [text], `no_reading`.",
    )


def _remarked(path: str, field: Field, bad: pl.DataFrame, n_rows: int) -> Objection:
    line, cell = bad.row(0)
    sentence = f"{bad.height} of {n_rows} cells are no numbers and count as missing: {cell!r}."
    place = f"column {field.name}, first in line {line}"
    return notice(path, field.name, "few_unreadable_cells", sentence, place)


def notice(path: str, column: str | None, code: str, sentence: str, place: str) -> Objection:
    """A remark that asks for nothing."""
    return Objection(path, column, code, sentence, place, "Nothing needs to be done.")
