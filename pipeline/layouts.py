"""Where in a text log the column names, the units and the data stand, and how they are marked.

Takes the first lines of a file and what a profile says of them, gives a `Layout` or None
when the lines do not fit the profile. Does not belong here: opening files (`openings`),
what a column means (`column_plans`).
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from features.units import UNITS, UnitError, parse_unit
from pipeline.headers import (
    CHANNEL_NAMES,
    VALUE_NAMES,
    is_header,
    match_header,
    match_time,
    split_header,
)
from pipeline.refusals import LogRefusedError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.profiles import Profile

_DELIMITERS = (";", "\t", ",", "|")
_SAMPLE_ROWS = 10
_NUMBER = re.compile(r"[+-]?\d+([.,]\d+)?([eE][+-]?\d+)?")
# a cell that is one number with one mark, between marks that no number holds
_MARKED = re.compile(r'[;|\t\n]\s*"?[+-]?(\d+)([.,])(\d+)"?\s*(?=[;|\t\n])')
# far above what a vehicle's buses and a shop's clamps give together
MOST_COLUMNS = 5000
_TIME_UNITS = frozenset({"s", "sec", "seconds", "min", "h", "ms", "hh:mm:ss", "h:m:s", "time"})


@dataclass(frozen=True)
class Layout:
    """The layout of a text log; files of one layout can be scanned together.

    `unit_texts` has one text per name, empty where there is no line of units;
    `lines_before_data` counts every line above the first row of data; `n_fields` is at
    least the number of names, more where rows end in empty fields; `has_quotes` says that
    cells of the first rows stand in quotes.
    """

    delimiter: str
    decimal_comma: bool
    names: tuple[str, ...]
    unit_texts: tuple[str, ...]
    lines_before_data: int
    n_fields: int
    has_quotes: bool = False


@dataclass(frozen=True)
class FoundLayout:
    """A layout with the first row of data (empty when there is none).

    `has_mixed_marks` is True when values carry the other decimal mark too.
    """

    layout: Layout
    first_row: tuple[str, ...]
    has_mixed_marks: bool


def find_layout(lines: Sequence[str], profile: Profile) -> FoundLayout | None:
    """The layout of a file by its first lines, None when they do not fit the profile.

    Raises
    ------
    LogRefusedError
        The line of column names is broken, or names more columns than a log can have.
    """
    form = profile.text
    stated: str | None = None if form.delimiter == "auto" else form.delimiter
    found = _find_header(lines, profile, stated)
    if found is None:
        return None
    row, delimiter = found
    if lines[row].count('"') % 2:
        raise _broken_header(row + 1)
    names = split_row(lines[row], delimiter)
    if len(names) > MOST_COLUMNS:
        raise too_many_columns(len(names))
    below = lines[row + 1] if row + 1 < len(lines) else ""
    has_units = form.units_row == "yes" or (
        form.units_row == "auto" and _is_units_row(below, delimiter)
    )
    units = split_row(below, delimiter) if has_units else ()
    first = row + 2 if has_units else row + 1
    while first < len(lines) and not lines[first].strip():
        first += 1
    sample = lines[first : first + _SAMPLE_ROWS]
    first_row = split_row(sample[0], delimiter) if sample else ()
    decimal_comma, has_mixed_marks = _decimal_mark(lines[first:], form.decimal_mark, delimiter)
    layout = Layout(
        delimiter,
        decimal_comma,
        names,
        tuple(units[index] if index < len(units) else "" for index in range(len(names))),
        first,
        max(len(names), len(first_row)),
        any('"' in line for line in sample),
    )
    return FoundLayout(layout, first_row, has_mixed_marks)


def _broken_header(line: int) -> LogRefusedError:
    return LogRefusedError(
        "header_broken",
        "A column name opens a quote that its line does not close, so the names cannot be told "
        "apart.",
        place=f"line {line}",
        hint="Export the log with every column name on one line; a line end inside a name is "
        "not read.",
    )


def too_many_columns(count: int) -> LogRefusedError:
    """The refusal of a file with more columns than any test log has."""
    return LogRefusedError(
        "too_many_columns",
        f"The file has {count} columns; at most {MOST_COLUMNS} are read.",
        place="column names",
        hint="Export only the channels of the test, one line per sample.",
    )


@lru_cache(maxsize=4096)
def split_row(line: str, delimiter: str) -> tuple[str, ...]:
    """The stripped cells of a line; quotes around a cell are taken off."""
    try:
        cells = next(csv.reader([line.lstrip("\ufeff")], delimiter=delimiter), [])
    except csv.Error:
        cells = line.split(delimiter)
    return tuple(cell.strip() for cell in cells)


def _find_header(
    lines: Sequence[str], profile: Profile, delimiter: str | None
) -> tuple[int, str] | None:
    """Row and delimiter of the line with the column names."""
    form = profile.text
    if form.header_line is not None:
        row = form.header_line - 1
        if row >= len(lines):
            return None
        return row, delimiter or _likely_delimiter(lines[row])
    if form.header_starts_with:
        for row, line in enumerate(lines):
            if line.lstrip("\ufeff").startswith(form.header_starts_with):
                return row, delimiter or _likely_delimiter(line)
        return None
    for row, line in enumerate(lines):
        for mark in (delimiter,) if delimiter else _DELIMITERS:
            if mark in line and _is_header_row(split_row(line, mark), profile):
                return row, mark
    return None


def _is_header_row(cells: tuple[str, ...], profile: Profile) -> bool:
    return names_columns(cells) or _names_stated(cells, profile)


def _names_stated(cells: tuple[str, ...], profile: Profile) -> bool:
    """True means: the cells hold the names that the profile states, a time and a channel."""
    time = profile.time.column
    stated = {name.strip().lower() for name in (*profile.recognise.columns, time) if name}
    if not (stated or profile.channels) or not stated <= {cell.lower() for cell in cells}:
        return False
    has_time = bool(time) or any(match_time(cell) is not None for cell in cells)
    return has_time and any(_is_channel(cell, profile) for cell in cells)


def _is_channel(cell: str, profile: Profile) -> bool:
    ways = (cell, *(name for name, _ in split_header(cell)))
    return match_header(cell) is not None or any(profile.map_of(way) for way in ways)


def find_untimed_header(lines: Sequence[str]) -> tuple[int, tuple[str, ...]] | None:
    """Number and cells of the first line that names a channel and no time, None without one."""
    for number, line in enumerate(lines, start=1):
        for mark in _DELIMITERS:
            cells = split_row(line, mark) if mark in line else ()
            if any(match_header(cell) is not None for cell in cells):
                return number, cells
    return None


def _likely_delimiter(line: str) -> str:
    return max(_DELIMITERS, key=line.count)


@lru_cache(maxsize=4096)
def names_columns(cells: tuple[str, ...]) -> bool:
    """True means: the cells name a time and a channel, or are the header of a long file."""
    has_time = any(match_time(cell) is not None for cell in cells)
    is_long = any(is_header(cell, CHANNEL_NAMES) for cell in cells) and any(
        is_header(cell, VALUE_NAMES) for cell in cells
    )
    return has_time and (is_long or any(match_header(cell) is not None for cell in cells))


@lru_cache(maxsize=1024)
def _is_units_row(line: str, delimiter: str) -> bool:
    cells = [cell for cell in split_row(line, delimiter) if cell]
    if not cells or any(_NUMBER.fullmatch(cell) for cell in cells):
        return False
    return sum(_is_unit(cell) for cell in cells) >= 0.5 * len(cells)


def _is_unit(text: str) -> bool:
    """True means: some quantity has such a unit, even if it is ambiguous, or it is a time unit."""
    if text.lower().strip("[]()") in _TIME_UNITS:
        return True
    for quantity in {unit.quantity for unit in UNITS.values()}:
        try:
            parse_unit(text, quantity)
        except UnitError as error:
            if error.code == "unit_unknown":
                continue
        return True
    return False


def _decimal_mark(rows: Sequence[str], stated: str, delimiter: str) -> tuple[bool, bool]:
    """Whether the decimal mark is a comma, and whether values carry the other mark as well.

    Where the first rows do not tell, more are looked at. A mark before three digits may
    group thousands, so it counts only where nothing clearer is found; and then a comma
    beside tabs or bars is left to be refused as unreadable.
    """
    if delimiter == ",":
        return False, False
    marks = _count_marks(rows[:_SAMPLE_ROWS], delimiter)
    if not (marks.clear_commas or marks.clear_points):
        marks = _count_marks(rows, delimiter)
    if stated != "auto":
        is_comma = stated == ","
    elif marks.clear_commas or marks.clear_points:
        is_comma = marks.clear_commas > marks.clear_points
    else:
        is_comma = delimiter == ";" and marks.commas > marks.points
    return is_comma, (marks.points if is_comma else marks.commas) > 0


@dataclass(frozen=True)
class _Marks:
    """Numbers with a comma or a point; clear ones cannot be groups of thousands."""

    commas: int
    points: int
    clear_commas: int
    clear_points: int


def _count_marks(rows: Sequence[str], delimiter: str) -> _Marks:
    # the first column is most often the time, whose points may be those of a date
    text = "\n".join(row[row.find(delimiter) :] for row in rows) + "\n"
    found = _MARKED.findall(text)
    clear = [
        mark
        for whole, mark, part in found
        if len(part) != 3 or len(whole) > 3 or whole.startswith("0")
    ]
    marks = [mark for _, mark, _ in found]
    return _Marks(marks.count(","), marks.count("."), clear.count(","), clear.count("."))
