"""Rows of text cells as values, counting what cannot be read.

Takes the text rows of one log (columns `line`, `time_text`, `seconds` and the fields by
their column name), gives raw rows, refusals of columns and remarks with line numbers.
Does not belong here: splitting a file into cells (`careful`, `parquet_logs`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from pipeline.raw_logs import NO_READING
from pipeline.refusals import LogRefusedError, Objection

if TYPE_CHECKING:
    from pipeline.raw_logs import Field


@dataclass(frozen=True)
class TextRows:
    """The text rows of one log, the fields to read from them, and how they are written."""

    path: str
    rows: pl.DataFrame
    time_name: str
    fields: tuple[Field, ...]
    decimal_comma: bool = False


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
        cells = _without_marks(timed[field.column])
        values = _values(cells, field, decimal_comma=texts.decimal_comma)
        is_bad = cells.is_not_null() & values.is_null()
        bad = pl.DataFrame({"line": timed["line"], "cell": cells}).filter(is_bad)
        if bad.height > unreadable_share * timed.height:
            refusals.append(_refused(texts.path, field, bad, timed.height))
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


def _without_marks(cells: pl.Series) -> pl.Series:
    """The cells, null where they are empty or say that there is no reading."""
    frame = cells.str.strip_chars().alias("cell").to_frame()
    says_nothing = pl.col("cell").is_in(["", *NO_READING])
    kept = pl.when(~says_nothing).then("cell").alias(cells.name)
    return frame.select(kept).to_series()


def _values(cells: pl.Series, field: Field, *, decimal_comma: bool) -> pl.Series:
    if field.is_text:
        return cells
    parsed = number(pl.col(cells.name), decimal_comma=decimal_comma)
    return cells.to_frame().select(parsed).to_series()


def number(text: pl.Expr, *, decimal_comma: bool) -> pl.Expr:
    """The number that a text means; null where it is none or where its marks are ambiguous.

    Thousands marks are read only beside a decimal mark: in a file of decimal commas
    `1.234,5` is clear and `1.234` is not.
    """
    thousands, mark = (r"\.", ",") if decimal_comma else (",", ".")
    grouped = text.str.contains(rf"^[+-]?\d{{1,3}}({thousands}\d{{3}})+{re.escape(mark)}\d+$")
    clear = pl.when(grouped).then(text.str.replace_all(thousands, "")).otherwise(text)
    plain = clear.str.replace(mark, ".", literal=True)
    value = plain.cast(pl.Float64, strict=False)
    return pl.when(~clear.str.contains(thousands) & value.is_finite()).then(value)


def _refused(path: str, field: Field, bad: pl.DataFrame, n_rows: int) -> Objection:
    line, cell = bad.row(0)
    return Objection(
        path,
        field.name,
        "unreadable_cells",
        f"{bad.height} of {n_rows} cells are no numbers; the first is {cell!r}.",
        f"column {field.name}, first in line {line}",
        "Check the sensor and the logger's export; numbers must stand alone, without a unit and "
        "without marks between thousands.",
    )


def _remarked(path: str, field: Field, bad: pl.DataFrame, n_rows: int) -> Objection:
    line, cell = bad.row(0)
    sentence = f"{bad.height} of {n_rows} cells are no numbers and count as missing: {cell!r}."
    place = f"column {field.name}, first in line {line}"
    return notice(path, field.name, "few_unreadable_cells", sentence, place)


def notice(path: str, column: str | None, code: str, sentence: str, place: str) -> Objection:
    """A remark that asks for nothing."""
    return Objection(path, column, code, sentence, place, "Nothing needs to be done.")
