"""Where in a text log the column names, the units and the data stand, and how they are marked.

Takes the first lines of a file and what a profile says of them, gives a `Layout` or None
when the lines do not fit the profile. Does not belong here: opening files (`openings`),
what a column means (`column_plans`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.header_lines import (
    BLANKS,
    find_header,
    is_comment,
    is_units_row,
    split_row,
    uncommented,
)
from pipeline.number_marks import SAMPLE_ROWS, find_number_marks
from pipeline.plain_texts import tabbed
from pipeline.refusals import LogRefusedError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.profiles import Profile

# far above what a vehicle's buses and a shop's clamps give together
MOST_COLUMNS = 5000
_DIGITS = frozenset("0123456789")


@dataclass(frozen=True)
class Layout:
    """The layout of a text log; files of one layout can be scanned together.

    `unit_texts` has one text per name, empty where there is no line of units, and `glued`
    the unit that stands behind every value; `lines_before_data` counts every line above
    the first row of data; a whole row has `n_least` fields or more, at most `n_fields`
    where rows end in empty ones; `has_quotes` says that cells of the first rows stand in
    quotes, `is_written` that numbers are not plain and are read as text; `thousands`,
    `no_reading`, `comment_mark` and `fills_short` are what the profile or the first rows
    say of them.
    """

    delimiter: str
    decimal_comma: bool
    names: tuple[str, ...]
    unit_texts: tuple[str, ...]
    lines_before_data: int
    n_fields: int
    has_quotes: bool = False
    n_least: int = 0
    glued: tuple[str, ...] = ()
    is_written: bool = False
    thousands: str = ""
    no_reading: tuple[str, ...] = ()
    comment_mark: str = ""
    fills_short: bool = False


@dataclass(frozen=True)
class FoundLayout:
    """A layout with the first row of data (empty when there is none)."""

    layout: Layout
    first_row: tuple[str, ...]


def find_layout(lines: Sequence[str], profile: Profile) -> FoundLayout | None:
    """The layout of a file by its first lines, None when they do not fit the profile.

    Raises
    ------
    LogRefusedError
        The line of column names is broken, or names more columns than a log can have.
    """
    form = profile.text
    found = find_header(lines, profile)
    if found is None:
        return None
    row, delimiter, names = found
    if not profile.fits_names(names):
        return None
    _check_names(lines[row], row + 1, names)
    first, units = _find_data(lines, row, delimiter, form.units_row)
    comment_mark = form.comment_mark or _comment_mark(lines[first:], delimiter)
    rows = _rows(lines[first:], comment_mark, delimiter)
    sample = rows[:SAMPLE_ROWS]
    mark = "\t" if delimiter == BLANKS else delimiter
    marks = find_number_marks(rows, form, mark, len(names))
    return FoundLayout(
        Layout(
            delimiter,
            marks.decimal_comma,
            names,
            tuple(units[index] if index < len(units) else "" for index in range(len(names))),
            first,
            _n_fields(sample, mark, len(names)),
            any('"' in line for line in sample),
            max(index + 1 for index, name in enumerate(names) if name),
            marks.glued,
            marks.is_written,
            "" if form.thousands_mark == "auto" else form.thousands_mark,
            form.no_reading,
            comment_mark,
            form.short_rows == "fill",
        ),
        split_row(sample[0], mark) if sample else (),
    )


def _check_names(line: str, number: int, names: Sequence[str]) -> None:
    if line.count('"') % 2:
        raise _broken_header(number)
    if len(names) > MOST_COLUMNS:
        raise too_many_columns(len(names))
    if not any(names):
        raise LogRefusedError(
            "no_header",
            "The line that should hold the column names is empty.",
            place=f"line {number}",
            hint="Check `header_line` of the profile.",
        )


def _find_data(
    lines: Sequence[str], row: int, delimiter: str, stated: str
) -> tuple[int, tuple[str, ...]]:
    """The index of the first row of data, and the cells of the line of units, if any."""
    below = row + 1
    while below < len(lines) and not lines[below].strip():
        below += 1
    line = uncommented(lines[below], delimiter) if below < len(lines) else ""
    has_units = stated == "yes" or (stated == "auto" and is_units_row(line, delimiter))
    first = below + 1 if has_units else below
    while first < len(lines) and not lines[first].strip():
        first += 1
    return first, split_row(line, delimiter) if has_units else ()


def _comment_mark(lines: Sequence[str], delimiter: str) -> str:
    """The mark of the first comment line among the data, empty without one."""
    for line in _not_plain(lines):
        if is_comment(line, delimiter):
            bare = line.lstrip()
            return "//" if bare.startswith("//") else bare[0]
    return ""


def _rows(lines: Sequence[str], comment_mark: str, delimiter: str) -> list[str]:
    """The lines that are rows of data; where blanks stand between columns, with tabs instead."""
    if comment_mark or _not_plain(lines):
        lines = [
            line
            for line in lines
            if line.strip("\0 \t") and not (comment_mark and line.lstrip().startswith(comment_mark))
        ]
    rows = list(lines)
    return [tabbed(row) for row in rows] if delimiter == BLANKS else rows


def _not_plain(lines: Sequence[str]) -> list[str]:
    """The lines that do not begin with a digit, as nearly every row does.

    Every log that is read passes here.
    """
    return [line for line in lines if line[:1] not in _DIGITS]


def _n_fields(sample: Sequence[str], delimiter: str, n_names: int) -> int:
    """Fields of a row: as many as names, and empty ones that the first rows end in."""
    wide = [line for line in sample if '"' in line or line.count(delimiter) >= n_names]
    rows = [split_row(line, delimiter) for line in wide]
    empty = [len(cells) for cells in rows if not any(cells[n_names:])]
    return max([n_names, *empty])


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
