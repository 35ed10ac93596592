"""Patterns for file names with named parts: `{vehicle_id}_{started_at:%Y%m%d_%H%M%S}`.

Takes a pattern and a path, gives the text of each part; never a guess: a name that can be
read in more than one way is not read. A part without a form stands for one or more
letters, one with a form for digits of fixed width, `*` for letters that mean nothing.
Matching takes time in proportion to pattern and name, whatever they are. Does not belong
here: what a part means (`stated`), which profile states a pattern (`profiles`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from itertools import pairwise

_DIGITS = {"Y": 4, "m": 2, "d": 2, "H": 2, "M": 2, "S": 2}
# without these an instant would be made up in part
_NEEDED = frozenset("YmdHM")
_PART = re.compile(r"\{([a-z_]{1,40})(?::([^{}]{1,60}))?\}")
_LONGEST_NAME = 400
_MOST_PARTS = 12


class PatternError(ValueError):
    """A pattern that cannot be used, with what is wrong in words."""


@dataclass(frozen=True)
class _Piece:
    """A piece of a pattern: a literal text, digits of a time (`form`), or free letters.

    `column` is empty where the piece means nothing.
    """

    literal: str = ""
    column: str = ""
    form: str = ""

    @property
    def is_free(self) -> bool:
        """True means: one or more letters of any kind."""
        return not (self.literal or self.form)


@dataclass(frozen=True)
class NameReading:
    """What a name says: text by part; `is_ambiguous` when there is more than one way."""

    parts: dict[str, str]
    is_ambiguous: bool = False


def check_time_form(form: str, further: str = "") -> None:
    """Refuse a form of time that leaves out what an instant needs, or that cannot be read.

    Raises
    ------
    PatternError
        Saying what is wrong.
    """
    found = re.findall(r"%(.?)", form)
    known = [*_DIGITS, *further]
    unknown = [f"%{one}" for one in found if one not in known]
    if unknown:
        shown = " ".join(f"%{one}" for one in known)
        raise PatternError(f"`{form}`: {unknown[0]} is not read; known are {shown}")
    if not set(found) >= _NEEDED or len(set(found)) < len(found):
        raise PatternError(f"`{form}`: a start needs %Y, %m, %d, %H and %M, each once")


@lru_cache(maxsize=256)
def parse_pattern(pattern: str) -> tuple[_Piece, ...]:
    """The pieces of a pattern.

    Raises
    ------
    PatternError
        Saying what is wrong.
    """
    pieces: list[_Piece] = []
    columns: list[str] = []
    place = 0
    for found in _PART.finditer(pattern):
        pieces += _literals(pattern[place : found.start()])
        column, form = found.groups()
        columns.append(column)
        if form:
            check_time_form(form)
            pieces += _digits(column, form)
        else:
            pieces.append(_Piece(column=column))
        place = found.end()
    pieces += _literals(pattern[place:])
    if not columns:
        raise PatternError("it names no part, such as {vehicle_id}")
    if len(set(columns)) < len(columns) or len(columns) > _MOST_PARTS:
        raise PatternError(f"a part may stand once, and at most {_MOST_PARTS} parts")
    if any(one.is_free and two.is_free for one, two in pairwise(pieces)):
        raise PatternError("between two parts, or a part and `*`, there must be a letter or mark")
    return tuple(pieces)


def columns_of(pattern: str) -> dict[str, bool]:
    """The parts of a pattern; True where the part has a form of time."""
    return {column: bool(form) for column, form in _PART.findall(pattern)}


def _literals(text: str) -> list[_Piece]:
    if "{" in text or "}" in text:
        raise PatternError("braces must enclose a part, such as {vehicle_id}")
    parts = re.split(r"(\*)", text)
    return [_Piece() if one == "*" else _Piece(literal=one) for one in parts if one]


def _digits(column: str, form: str) -> list[_Piece]:
    parts = re.findall(r"%.|[^%]+", form)
    return [
        _Piece(column=column, form=one[1]) if one[0] == "%" else _Piece(literal=one)
        for one in parts
    ]


def read_name(path: str, ending: str, pattern: str) -> NameReading | None:
    """What the name of a log says by a pattern; None when it does not fit.

    Parameters
    ----------
    path
        The log, relative to the logs folder; as many of its folders count as the pattern
        has slashes.
    ending
        The end of the name that tells the kind of file, left out.
    pattern
        The pattern.
    """
    folders = path[: len(path) - len(ending)].split("/")
    name = "/".join(folders[-(pattern.count("/") + 1) :])
    if len(name) > _LONGEST_NAME:
        return None
    pieces = parse_pattern(pattern)
    ways = _ways(pieces, name)
    if ways[0][0] == 0:
        return None
    if ways[0][0] > 1:
        return NameReading({}, is_ambiguous=True)
    return NameReading(_texts(pieces, name, ways))


def _ways(pieces: tuple[_Piece, ...], name: str) -> list[list[int]]:
    """In how many ways the pieces from a number on fit the name from a place on, at most 2."""
    n = len(name)
    ways = [[0] * (n + 1) for _ in range(len(pieces) + 1)]
    ways[-1][n] = 1
    for number in range(len(pieces) - 1, -1, -1):
        piece, after = pieces[number], ways[number + 1]
        if piece.is_free:
            # letters go on to the next slash; the sum runs from the back
            total = 0
            for place in range(n - 1, -1, -1):
                total = 0 if name[place] == "/" else min(2, total + after[place + 1])
                ways[number][place] = total
        else:
            for place in range(n):
                end = _end(piece, name, place)
                ways[number][place] = after[end] if end else 0
    return ways


def _end(piece: _Piece, name: str, place: int) -> int:
    """Where a piece of known length ends; 0 when it does not fit."""
    if piece.literal:
        return place + len(piece.literal) if name.startswith(piece.literal, place) else 0
    end = place + _DIGITS[piece.form]
    digits = name[place:end]
    return end if len(digits) == end - place and digits.isascii() and digits.isdigit() else 0


def _texts(pieces: tuple[_Piece, ...], name: str, ways: list[list[int]]) -> dict[str, str]:
    """The text of each part along the only way."""
    texts: dict[str, str] = {}
    times: dict[str, dict[str, int]] = {}
    place = 0
    for number, piece in enumerate(pieces):
        end = _end(piece, name, place) if not piece.is_free else place + 1
        while not ways[number + 1][end]:
            end += 1
        text = name[place:end]
        if piece.form:
            times.setdefault(piece.column, {})[piece.form] = int(text)
        elif piece.column:
            texts[piece.column] = text
        place = end
    return texts | {column: _instant(found) for column, found in times.items()}


def _instant(found: dict[str, int]) -> str:
    """The instant in ISO 8601, or the numbers as they stand where no calendar has it."""
    numbers = [found[one] for one in "YmdHM"] + [found.get("S", 0)]
    try:
        return datetime(*numbers).isoformat(" ")  # type: ignore[arg-type]  # noqa: DTZ001 - local
    except ValueError:
        return " ".join(map(str, numbers))
