"""Cells of text as numbers: decimal and thousands marks, units glued to values, no reading.

Takes a series of cells as a file holds them and a `NumberForm` that says how the column
is written, gives numbers and which cells are unreadable. Nothing is guessed: a mark that
can mean two numbers makes a cell unreadable. Does not belong here: finding out how a file
is written (`number_marks`), counting and refusing (`text_rows`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import polars as pl

_DASHES = "\N{EN DASH}\N{EM DASH}"
# What loggers print where a sensor gives no reading; it is missing, not unreadable. Case
# does not count; runs of dashes, asterisks, question marks and points count as one.
NO_READING_WORDS = (
    "nan", "n/a", "#n/a", "na", "n.a.", "null", "nil", "none", "no data", "missing", "invalid",
    "err", "error", "ol", "-ol", "+ol", "o.l", "o.l.", "0.l", "0l", "over", "under", "open",
    "overrange", "underrange", "overload",
)  # fmt: skip
_WORDS = "|".join(re.escape(word) for word in NO_READING_WORDS)
_NO_READING = rf"(?i)^(?:[-{_DASHES}]+|\*+|\?+|\.+|{_WORDS})$"
# Blanks and apostrophes can only group thousands: no number is written with them otherwise.
_NARROW = "\N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}\N{THIN SPACE}"
GROUP_MARKS = " '\N{RIGHT SINGLE QUOTATION MARK}" + _NARROW
_GROUPED = rf"^([+-]?\d{{1,3}}(?:[{GROUP_MARKS}]\d{{3}})+)((?:[.,]\d+)?)$"
_MINUS = "\N{MINUS SIGN}"
# white space, zeros that fill up a record, and blanks that do not break
_AROUND = " \t\r\n\0" + _NARROW
_NUMBER = rf"[+-]?(?:\d[\d.,{GROUP_MARKS}]*|[.,]\d+)(?:[eE][+-]?\d+)?"
# a number with a unit behind it, in the words of both kinds of patterns
GLUED_PATTERN = rf"(?s)^\s*({_NUMBER})\s*([^\d\s.,].*)$"
_GLUED_CELL = re.compile(rf"({_NUMBER})\s*([^\d\s.,].*)", re.DOTALL)


@dataclass(frozen=True)
class NumberForm:
    """How the numbers of a column are written.

    `thousands` is the mark that groups thousands where a profile states one that would
    otherwise be ambiguous; `unit` is what is glued to every value; `accepts_bare` says
    that a value without it is in the same unit, because the header states it too;
    `no_reading` are further texts that mean no reading.
    """

    decimal_comma: bool = False
    thousands: str = ""
    unit: str = ""
    accepts_bare: bool = True
    no_reading: tuple[str, ...] = ()


PLAIN_NUMBERS = NumberForm()


@dataclass(frozen=True)
class ReadCells:
    """Numbers, null where there is none, and True for the cells that are unreadable."""

    values: pl.Series
    is_bad: pl.Series


def read_numbers(cells: pl.Series, form: NumberForm) -> ReadCells:
    """The numbers that cells of text mean, under the name of the series."""
    name = cells.name
    cells = cells.rename("cell")
    if form.no_reading:
        stated = pl.col("cell").str.strip_chars(_AROUND).is_in(list(form.no_reading))
        cells = cells.to_frame().select(pl.when(~stated).then("cell")).to_series()
    values = _plain_numbers(cells, form)
    # what no plain number is takes far longer, and the same few texts come again and again
    rest = cells.filter(values.is_null() & cells.is_not_null()).unique()
    if rest.is_empty():
        return ReadCells(values.rename(name), cells.is_null() & cells.is_not_null())
    read = rest.to_frame().select(
        "cell", number(pl.col("cell"), form).alias("value"), _is_missing("cell").alias("missing")
    )
    if read["value"].count():
        others = cells.replace_strict(read["cell"], read["value"], default=None)
        values = values.fill_null(others)
    bad = read.filter(pl.col("value").is_null() & ~pl.col("missing"))["cell"]
    return ReadCells(values.rename(name), cells.is_in(bad.implode()).fill_null(value=False))


def _plain_numbers(cells: pl.Series, form: NumberForm) -> pl.Series:
    """Numbers of the cells that are written plainly, null for all others."""
    text = pl.col("cell")
    if form.unit and not form.accepts_bare:
        return pl.Series("cell", [None], pl.Float64).new_from_index(0, len(cells))
    if form.decimal_comma:
        comma = text.str.replace(",", ".", literal=True)
        text = pl.when(~text.str.contains(".", literal=True)).then(comma)
    value = text.cast(pl.Float64, strict=False)
    return cells.to_frame().select(pl.when(value.is_finite()).then(value).alias("cell")).to_series()


def without_marks(cells: pl.Series) -> pl.Series:
    """Cells of words, stripped; null where they are empty or say that there is no reading."""
    named = cells.rename("cell").to_frame()
    stripped = pl.col("cell").str.strip_chars(_AROUND)
    return named.select(pl.when(~_is_missing("cell")).then(stripped).alias(cells.name)).to_series()


def _is_missing(column: str) -> pl.Expr:
    text = pl.col(column).str.strip_chars(_AROUND)
    return (text == "") | text.str.contains(_NO_READING)


def number(text: pl.Expr, form: NumberForm) -> pl.Expr:
    """The number that a text means; null where it is none or where its marks are ambiguous.

    A comma or point groups thousands only beside a decimal mark, or where the profile says
    so: in a file of decimal commas `1.234,5` is clear and `1.234` is not.
    """
    text = text.str.strip_chars(_AROUND).str.replace(_MINUS, "-", literal=True)
    if form.unit:
        text = _without_unit(text, form)
    parts = text.str.extract_groups(_GROUPED)
    whole = parts.struct.field("1").str.replace_all(rf"[{GROUP_MARKS}]", "")
    text = pl.when(whole.is_not_null()).then(whole + parts.struct.field("2")).otherwise(text)
    thousands, mark = (".", ",") if form.decimal_comma else (",", ".")
    decimals = "*" if form.thousands == thousands else "+"
    grouped = text.str.contains(
        rf"^[+-]?\d{{1,3}}({re.escape(thousands)}\d{{3}})+({re.escape(mark)}\d+){decimals}$"
    )
    clear = pl.when(grouped).then(text.str.replace_all(thousands, "", literal=True)).otherwise(text)
    plain = clear.str.replace(mark, ".", literal=True)
    value = plain.cast(pl.Float64, strict=False)
    is_clear = ~clear.str.contains(thousands, literal=True)
    return pl.when(is_clear & value.is_finite()).then(value)


def _without_unit(text: pl.Expr, form: NumberForm) -> pl.Expr:
    """The text before its unit; null where it carries another unit, or none and may not."""
    parts = text.str.extract_groups(rf"(?s)^({_NUMBER})\s*([^\d\s.,].*)?$")
    unit = parts.struct.field("2").str.replace_all(r"\s+", "").str.to_lowercase()
    fits = unit == same_unit(form.unit)
    if form.accepts_bare:
        fits = fits.fill_null(value=True)
    return pl.when(fits).then(parts.struct.field("1").str.strip_chars(_AROUND))


def same_unit(text: str) -> str:
    """A unit text as it is compared: without blanks and case."""
    return re.sub(r"\s+", "", text).lower()


def split_glued(cell: str) -> tuple[str, str] | None:
    """The number and the unit text of a cell such as `21.4 °C`, None for any other cell."""
    found = _GLUED_CELL.fullmatch(cell.strip(_AROUND).replace(_MINUS, "-"))
    return None if found is None else (found[1].strip(), found[2].strip())
