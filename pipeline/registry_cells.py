"""Cells of the registry as values: numbers, truth values, dates, instants, words.

Takes a column of texts, gives the column as values, null where a text cannot be read;
and says for each kind how it should have been written. Does not belong here: which
column is of which kind (`registry_tables`), reporting (`registry_checks`).
"""

from __future__ import annotations

import datetime as dt
import re
from functools import partial
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import polars as pl

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.registry_tables import Kind

# day and month of 05.11.2026 or 05/11/2026 may be mistaken, so only one order is read
_SPREADSHEET = (
    "A spreadsheet leaves it so in cells formatted as text; saved as .xlsx, its own dates are read."
)

EXPECTED: dict[Kind, tuple[str, str]] = {
    "text": ("a text", ""),
    "number": ("a number", "Write it in digits without its unit, such as 520 or 12.5."),
    "count": ("a whole number", "Write it in digits, such as 3."),
    "truth": ("true or false", "Write true or false (yes/no and 1/0 are read too)."),
    "date": ("a date", f"Write it as year-month-day, such as 2026-05-11. {_SPREADSHEET}"),
    "instant": (
        "a date and time",
        f"Write it as 2026-05-11 09:30, or 2026-05-11T09:30:12+02:00. {_SPREADSHEET}",
    ),
    "month": ("a month", "Write it as year-month, such as 2026-05."),
}

_TRUTH = {
    "true": True, "yes": True, "1": True, "y": True,
    "false": False, "no": False, "0": False, "n": False,
}  # fmt: skip
_MONTH = re.compile(r"(\d{4})-(\d{2})(?:-01(?:[T ]00:00:00(?:\.0+)?)?)?")
# with a decimal comma in use, 1.500 may be one and a half or fifteen hundred
_THOUSANDS_OR_DECIMALS = r"^[+-]?\d{1,3}(\.\d{3})+$"


def parse_cells(texts: pl.Series, kind: Kind, *, zone: str, decimal_comma: bool) -> pl.Series:
    """The values of a text column; null where the text is empty or cannot be read."""
    local = ZoneInfo(zone)
    parsers: dict[Kind, Callable[[], pl.Series]] = {
        "text": lambda: texts,
        "number": lambda: _numbers(texts, decimal_comma=decimal_comma),
        "count": lambda: _counts(_numbers(texts, decimal_comma=decimal_comma)),
        "truth": lambda: _each(texts, lambda text: _TRUTH.get(text.lower()), pl.Boolean()),
        "date": lambda: _each(texts, _date, pl.Date()),
        "month": lambda: _each(texts, _month, pl.Date()),
        "instant": lambda: _each(texts, partial(_instant, zone=local), pl.Datetime("us", "UTC")),
    }
    return parsers[kind]()


def _counts(numbers: pl.Series) -> pl.Series:
    whole = (numbers == numbers.round()) & (numbers.abs() < 1e15)
    return _keep(numbers, whole).cast(pl.Int64)


def _numbers(texts: pl.Series, *, decimal_comma: bool) -> pl.Series:
    if decimal_comma:
        unclear = texts.str.contains(_THOUSANDS_OR_DECIMALS)
        texts = _keep(texts, ~unclear).str.replace(",", ".", literal=True)
    numbers = texts.cast(pl.Float64, strict=False)
    return _keep(numbers, numbers.is_finite())


def _keep(values: pl.Series, good: pl.Series) -> pl.Series:
    """The values, null where `good` is not True."""
    frame = pl.DataFrame({"value": values, "good": good})
    return frame.select(pl.when("good").then("value").alias(values.name)).to_series()


def _each(texts: pl.Series, parse: Callable[[str], object], dtype: pl.DataType) -> pl.Series:
    parsed = {text: parse(text) for text in texts.drop_nulls().unique().to_list()}
    values = [None if text is None else parsed[text] for text in texts.to_list()]
    return pl.Series(texts.name, values, dtype)


def _date(text: str) -> dt.date | None:
    try:
        moment = dt.datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment.date() if moment.time() == dt.time() and moment.tzinfo is None else None


def _month(text: str) -> dt.date | None:
    found = _MONTH.fullmatch(text)
    if found is None or not 1 <= int(found.group(2)) <= 12:
        return None
    return dt.date(int(found.group(1)), int(found.group(2)), 1)


def _instant(text: str, zone: ZoneInfo) -> dt.datetime | None:
    """The instant in UTC; without an offset the text is read in the zone.

    Of an hour that the clock repeats the first is meant; an hour that the clock skips
    does not exist and gives None.
    """
    try:
        moment = dt.datetime.fromisoformat(text)
        local = moment if moment.tzinfo else moment.replace(tzinfo=zone)
        universal = local.astimezone(dt.UTC)
    except (ValueError, OverflowError):
        return None
    exists = universal.astimezone(local.tzinfo).replace(tzinfo=None) == moment.replace(tzinfo=None)
    return universal if exists else None
