"""Fields that a log file states of itself above, or apart from, its samples.

Takes the first lines of a text, or the metadata of a Parquet or MDF file, gives the text of
the fields asked for. A field that is stated twice in two ways is given as both texts, so
that nobody takes one of them. Does not belong here: what a field means (`stated`).
"""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence

# Different texts by name of the field as the profile writes it.
Fields = dict[str, tuple[str, ...]]

_COMMENT_MARKS = '#;/*! \t"'
_VALUE_MARKS = ":=,;\t|"
_LONGEST_VALUE = 200


def text_fields(lines: Sequence[str], names: Sequence[str], wanted: Collection[str]) -> Fields:
    """The fields wanted from the lines above the data, such as `Vehicle: CAR-17`.

    Parameters
    ----------
    lines
        The lines above the first row of data.
    names
        The column names, whose own line states no field.
    wanted
        Names of fields; case does not count.
    """
    found: list[tuple[str, str]] = []
    for line in lines:
        plain = line.lstrip("\ufeff").strip().lstrip(_COMMENT_MARKS)
        if all(name in line for name in names[:3]):
            continue
        for name in wanted:
            value = _value_after(plain, name)
            if value is not None:
                found.append((name, value))
    return _gathered(found)


def _value_after(line: str, name: str) -> str | None:
    """The value that a line gives to a field; None when it is of another field."""
    start = name.strip()
    if line[: len(start)].lower() != start.lower():
        return None
    rest = line[len(start) :].lstrip('" ')
    if not rest or rest[0] not in _VALUE_MARKS:
        return None
    mark, value = rest[0], rest[1:].strip()
    if mark in ",;\t|":
        # a header block saved by a spreadsheet: the value is the next cell
        cells = next(csv.reader([value], delimiter=mark), [""])
        value = cells[0] if cells else ""
    return value.rstrip(",;\t|").strip().strip('"').strip()


def named_fields(stated: Mapping[str, str], wanted: Collection[str]) -> Fields:
    """The fields wanted from metadata by name; case does not count."""
    lower = {name.strip().lower(): name for name in wanted}
    return _gathered(
        (lower[name.strip().lower()], value.strip())
        for name, value in stated.items()
        if name.strip().lower() in lower
    )


def _gathered(found: Iterable[tuple[str, str]]) -> Fields:
    fields: Fields = {}
    for name, value in found:
        shown = value[:_LONGEST_VALUE]
        if shown and shown not in fields.get(name, ()):
            fields[name] = (*fields.get(name, ()), shown)
    return fields


def mdf_metadata(mdf: Any) -> dict[str, str]:
    """What the header of an MDF file states: `start time`, `author`, ..., its properties."""
    header = mdf.header
    known = {
        "author": header.author,
        "department": header.department,
        "project": header.project,
        "subject": header.subject,
    }
    properties = getattr(header, "_common_properties", {})
    stated = {
        **{name: value for name, value in properties.items() if isinstance(value, str)},
        **{name: value for name, value in known.items() if value},
    }
    if header.abs_time:
        stated["start time"] = mdf.start_time.isoformat()
    return stated
