"""How the first rows of a text log write numbers: decimal mark, grouped thousands, units.

Takes lines of data and the mark between columns, gives a `NumberMarks`. Looks at few rows
first, for every log that is read passes here. Does not belong here: reading the numbers
(`number_texts`), where the data begin (`layouts`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.header_lines import is_unit, split_row
from pipeline.number_texts import GROUP_MARKS, split_glued

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.profiles import TextForm

SAMPLE_ROWS = 10
# a cell that is one number with one mark, between marks that no number holds; a unit may follow
_MARKED = re.compile(
    rf'[;|\t\n]\s*"?[+-]?(\d+(?:[{GROUP_MARKS}]\d{{3}})*)([.,])(\d+)'
    r'(?:\s*(?:[^\W\d_]|[%°"])[^;|\t\n"]*)?"?\s*(?=[;|\t\n])'
)
# most logs hold no letter below their names
_LETTER = re.compile(r"[^\W\d_]|[%°]")
_GROUPED = re.compile(rf'[;|\t,\n"]\s*[+-]?\d{{1,3}}(?:[{GROUP_MARKS}]\d{{3}})+(?!\d)')
_MINUS = "\N{MINUS SIGN}"


@dataclass(frozen=True)
class NumberMarks:
    """How numbers are written.

    `glued` has one unit text per column that carries it in every cell, else empty;
    `is_written` says that cells must be read as text, because some number is not plain.
    """

    decimal_comma: bool
    glued: tuple[str, ...]
    is_written: bool


def find_number_marks(
    rows: Sequence[str], form: TextForm, delimiter: str, n_columns: int
) -> NumberMarks:
    """The marks by the first rows of data, and by what the profile states."""
    sample = rows[:SAMPLE_ROWS]
    text = "\n".join(sample)
    decimal_comma, is_mixed = _decimal_mark(rows, form.decimal_mark, delimiter)
    glued = ("",) * n_columns
    if _LETTER.search(text):
        glued = _glued_units(rows, delimiter, n_columns)
    is_grouped = any(mark in text for mark in GROUP_MARKS) and _GROUPED.search("\n" + text)
    is_odd = is_mixed or _MINUS in text or bool(is_grouped)
    is_stated = form.thousands_mark != "auto" or bool(form.no_reading)
    is_quoted = decimal_comma and delimiter == ","
    return NumberMarks(decimal_comma, glued, is_odd or is_stated or is_quoted or any(glued))


def _glued_units(rows: Sequence[str], delimiter: str, n_columns: int) -> tuple[str, ...]:
    """Per column the unit behind its first number, empty where there is none."""
    units = [""] * n_columns
    waiting = set(range(n_columns))
    for row in rows:
        for index, cell in enumerate(split_row(row, delimiter)[:n_columns]):
            if index not in waiting or not any(letter.isdigit() for letter in cell):
                continue
            found = split_glued(cell)
            waiting.discard(index)
            if found is not None and is_unit(found[1]):
                units[index] = found[1]
        if not waiting:
            break
    return tuple(units)


def _decimal_mark(rows: Sequence[str], stated: str, delimiter: str) -> tuple[bool, bool]:
    """Whether the decimal mark is a comma, and whether values carry the other mark as well.

    Where the first rows do not tell, more are looked at. A mark before three digits may
    group thousands, so it counts only where nothing clearer is found; and then a comma
    beside tabs or bars, or in quotes between commas, is left to be refused as unreadable.
    """
    if delimiter == "," and '"' not in "".join(rows):
        return stated == ",", False
    marks = _count_marks(rows[:SAMPLE_ROWS], delimiter)
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
    if delimiter == ",":
        text = "\n".join("\t" + "\t".join(split_row(row, ",")[1:]) for row in rows) + "\n"
    else:
        text = "\n".join(row[row.find(delimiter) :] for row in rows) + "\n"
    found = _MARKED.findall(text)
    clear = [
        mark
        for whole, mark, part in found
        if len(part) != 3 or len(whole) > 3 or whole.startswith("0")
    ]
    marks = [mark for _, mark, _ in found]
    return _Marks(marks.count(","), marks.count("."), clear.count(","), clear.count("."))
