"""The line of column names of a text log, and the line of units below it.

Takes the first lines of a file and what a profile says of them, gives the row and the
mark between columns. Column names may stand behind a comment mark. Does not belong here:
where the data begin and how they are written (`layouts`, `number_marks`).
"""

from __future__ import annotations

import csv
import re
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

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.profiles import Profile

# Blanks come last: they also stand inside names, and in every sentence of a header block.
BLANKS = " "
_DELIMITERS = (";", "\t", ",", "|")
COMMENT_MARKS = ("#", "//", "%", ";")
_NUMBER = re.compile(r"[+-]?\d+([.,]\d+)?([eE][+-]?\d+)?")
_GAP = re.compile(r"[ \t]+")
_WIDE_GAP = re.compile(r"[ \t]{2,}|\t")
_TIME_UNITS = frozenset({"s", "sec", "seconds", "min", "h", "ms", "hh:mm:ss", "h:m:s", "time"})
# Rows below the names that must fall apart as the names do, where blanks stand between them.
_BLANK_ROWS = 3


@lru_cache(maxsize=4096)
def split_row(line: str, delimiter: str) -> tuple[str, ...]:
    """The stripped cells of a line near the top of a file; see `split_cells`."""
    return tuple(split_cells(line.lstrip("\ufeff").strip("\0"), delimiter))


def split_cells(line: str, delimiter: str) -> list[str]:
    """The stripped cells of a line; quotes around a cell are taken off.

    Blanks count as one mark however many they are. A lone quote is a letter like any
    other: it would swallow the rest of the line.
    """
    if delimiter == BLANKS:
        return _GAP.split(line.strip()) if line.strip() else []
    if '"' not in line or line.count('"') % 2:
        return [cell.strip() for cell in line.split(delimiter)]
    try:
        cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        cells = line.split(delimiter)
    return [cell.strip() for cell in cells]


def uncommented(line: str, delimiter: str) -> str:
    """A line without the comment mark that it may begin with."""
    bare = line.lstrip("\ufeff").lstrip()
    for mark in COMMENT_MARKS:
        if mark != delimiter and bare.startswith(mark):
            return bare[len(mark) :].lstrip()
    return line


def is_comment(line: str, delimiter: str, stated: str = "") -> bool:
    """True means: the line begins with a comment mark, the stated one or any known."""
    if stated:
        return line.lstrip().startswith(stated)
    return uncommented(line, delimiter) is not line


def find_header(lines: Sequence[str], profile: Profile) -> tuple[int, str, tuple[str, ...]] | None:
    """Row, delimiter and cells of the line with the column names, None without one."""
    form = profile.text
    delimiter = "" if form.delimiter == "auto" else form.delimiter
    if form.header_line is not None or form.header_starts_with:
        row = _stated_row(lines, form.header_line, form.header_starts_with)
        if row is None:
            return None
        mark = delimiter or _likely_delimiter(lines[row])
        return row, mark, _name_cells(lines, row, mark)
    for row, line in enumerate(lines):
        for mark in (delimiter,) if delimiter else _DELIMITERS:
            if mark in line and mark != BLANKS:
                cells = split_row(uncommented(line, mark), mark)
                if _is_header_row(cells, profile):
                    return row, mark, cells
    return _find_between_blanks(lines, profile) if delimiter in {"", BLANKS} else None


def _stated_row(lines: Sequence[str], number: int | None, start: str) -> int | None:
    if number is not None:
        return number - 1 if number <= len(lines) else None
    fits = (row for row, line in enumerate(lines) if line.lstrip("\ufeff").startswith(start))
    return next(fits, None)


def _name_cells(lines: Sequence[str], row: int, delimiter: str) -> tuple[str, ...]:
    if delimiter != BLANKS:
        return split_row(lines[row], delimiter)
    ways = _blank_ways(uncommented(lines[row], BLANKS))
    fits = (cells for cells in ways if _rows_fit(lines[row + 1 :], len(cells)))
    return next(fits, ways[-1])


def _find_between_blanks(
    lines: Sequence[str], profile: Profile
) -> tuple[int, str, tuple[str, ...]] | None:
    """The line of names between blanks; sentences are told apart by the rows below."""
    for row, line in enumerate(lines):
        for cells in _blank_ways(uncommented(line, BLANKS)):
            is_header_row = len(cells) > 1 and _is_header_row(cells, profile)
            if is_header_row and _rows_fit(lines[row + 1 :], len(cells)):
                return row, BLANKS, cells
    return None


def _blank_ways(line: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """A line split at wide gaps only, and at every gap."""
    bare = line.lstrip("\ufeff").strip()
    return tuple(_WIDE_GAP.split(bare)), tuple(_GAP.split(bare))


def _rows_fit(lines: Sequence[str], n_columns: int) -> bool:
    """True means: the first rows below hold as many cells, most of them with digits."""
    rows = [split_row(line, BLANKS) for line in lines if not is_comment(line, BLANKS)]
    rows = [cells for cells in rows if any(any(map(str.isdigit, cell)) for cell in cells)]
    first = rows[:_BLANK_ROWS]
    return bool(first) and all(len(cells) == n_columns for cells in first)


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
def is_units_row(line: str, delimiter: str) -> bool:
    """True means: at least half of the cells are units, and none is a number."""
    cells = [cell for cell in split_row(line, delimiter) if cell]
    if not cells or any(_NUMBER.fullmatch(cell) for cell in cells):
        return False
    return sum(is_unit(cell) for cell in cells) >= 0.5 * len(cells)


@lru_cache(maxsize=1024)
def is_unit(text: str) -> bool:
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
