"""What a log states of its own test, by header and by file name, in the registry's words.

Takes a profile, the path of a log and the fields of its header, gives texts by column of
the registry's tests table, and what contradicts itself. Nothing is guessed: a column that
is stated in two ways is not taken. Does not belong here: opening files (`log_peeks`),
whether the car is known (`assignment`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from pipeline.name_patterns import read_name
from pipeline.workspace import ending_of

if TYPE_CHECKING:
    from pipeline.header_fields import Fields
    from pipeline.profiles import Profile

_NAME = "the file name"


@dataclass(frozen=True)
class Stated:
    """Texts by column of the tests table, where each stands, and sentences on what is unclear."""

    values: dict[str, str]
    sources: dict[str, str]
    unclear: tuple[str, ...] = ()


NOTHING_STATED = Stated({}, {})


def stated_by(profile: Profile, path: str, fields: Fields) -> Stated:
    """What header and name of a log state by a profile.

    Parameters
    ----------
    profile
        With `from_header` and `from_name`.
    path
        The log, relative to the logs folder.
    fields
        The header's fields that the profile names.
    """
    found: dict[str, list[tuple[str, str]]] = {}
    unclear: list[str] = []
    for name, column_and_form in profile.from_header.items():
        column, _, form = column_and_form.partition(":")
        for text in fields.get(name, ()):
            found.setdefault(column, []).append((f"the header field `{name}`", _iso(text, form)))
    pattern = profile.from_name.pattern
    reading = read_name(path, ending_of(path), pattern) if pattern else None
    if reading is not None and reading.is_ambiguous:
        unclear.append(f"its name fits the pattern `{pattern}` in more than one way")
    for column, text in (reading.parts if reading else {}).items():
        found.setdefault(column, []).append((_NAME, text))
    values, sources = {}, {}
    for column, ways in found.items():
        (source, text), *others = ways
        other = next(((where, what) for where, what in others if what != text), None)
        if other is not None:
            unclear.append(f"`{column}` is {text!r} by {source} and {other[1]!r} by {other[0]}")
        else:
            values[column], sources[column] = text, source
    return Stated(values, sources, tuple(unclear))


def _iso(text: str, form: str) -> str:
    """A time of a form of its own in ISO 8601; any other text as it stands."""
    if not form:
        return text
    try:
        return datetime.strptime(text, form).isoformat(" ")  # noqa: DTZ007 - read in the zone later
    except ValueError:
        # not to be read in another way than the profile says
        return f"{text} (not {form})"
