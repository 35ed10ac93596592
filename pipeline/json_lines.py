"""JSON lines as a table of texts: one object per line, wide or long, counted line by line.

Takes the text of one log, gives its cells as texts with the line that each row stands on,
the fields of header objects above the data, and the lines that are no object. Numbers keep
the digits that the file has; nothing is made up for a key that a line lacks. Does not
belong here: which key is the time and what a key means (`json_logs`).
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.layouts import MOST_COLUMNS, too_many_columns
from pipeline.raw_logs import value_name
from pipeline.refusals import too_large

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

# One object of a test log has some hundred letters; a longer line is not parsed at all.
LONGEST_LINE = 1_000_000
_CELLS_PER_CHUNK = 1_000_000
BYTES_PER_CELL = 8
_SHOWN_LETTERS = 60
_LONGEST_NAME = 200
_UNIT_KEYS = frozenset({"unit", "units"})

# A key of the objects, and the unit that stands inside its value (empty without one).
Key = tuple[str, str]


class _BrokenLineError(ValueError):
    """A line that is no object whose keys and values are clear."""


@dataclass(frozen=True)
class JsonTable:
    """The rows of a log as texts.

    `cells` has the column `line` and one text column per key, named by
    `raw_logs.value_name` in the order of `keys`; `header` are the fields of objects above
    the first row of data; `broken` are the numbers of lines that could not be read,
    `is_cut` says that the last line of the file is one of them and has no line end,
    `is_long` that the rows were long and stand in no order of time.
    """

    keys: tuple[Key, ...]
    cells: pl.DataFrame
    header: dict[str, str]
    broken: tuple[int, ...] = ()
    is_cut: bool = False
    is_long: bool = False


@dataclass
class _Chunks:
    """Rows on their way into columns, in portions that keep the memory small."""

    largest_bytes: int
    keys: dict[Key, int] = field(default_factory=dict)
    rows: list[dict[int, str]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    done: list[pl.DataFrame] = field(default_factory=list)
    n_rows: int = 0

    def add(self, line: int, cells: dict[Key, str]) -> None:
        """Take one row.

        Raises
        ------
        LogRefusedError
            There are more keys, or cells, than a log can have.
        """
        self.rows.append(
            {self.keys.setdefault(key, len(self.keys)): text for key, text in cells.items()}
        )
        self.lines.append(line)
        self.n_rows += 1
        if len(self.keys) > MOST_COLUMNS:
            raise too_many_columns(len(self.keys))
        if self.n_rows * len(self.keys) * BYTES_PER_CELL > self.largest_bytes:
            raise too_large(self.largest_bytes)
        if len(self.rows) * len(self.keys) > _CELLS_PER_CHUNK:
            self.flush()

    def flush(self) -> None:
        """Turn the rows taken so far into a frame."""
        columns = {
            value_name(index): pl.Series([row.get(index) for row in self.rows], dtype=pl.String)
            for index in range(len(self.keys))
        }
        self.done.append(pl.DataFrame({"line": pl.Series(self.lines, dtype=pl.Int64), **columns}))
        self.rows, self.lines = [], []

    def frame(self) -> pl.DataFrame:
        """All rows; a key that came up late is null above."""
        self.flush()
        return pl.concat(self.done, how="diagonal")


def parse_lines(
    lines: Iterable[str], is_header: Callable[[Iterable[str]], bool], largest_bytes: int
) -> JsonTable:
    """The table of a log.

    Parameters
    ----------
    lines
        The lines of the file with their line ends.
    is_header
        Told the keys of an object, says whether it states something of the whole log; asked
        only until the first object that does not.
    largest_bytes
        What the cells may take.

    Raises
    ------
    LogRefusedError
        The table would be too large.
    """
    chunks = _Chunks(largest_bytes)
    header: dict[str, str] = {}
    broken: list[int] = []
    has_data, last, number = False, "\n", 0
    for number, line in enumerate(lines, start=1):
        last = line
        # zeros fill the room of what was never written
        if not line.strip().strip("\0"):
            continue
        try:
            cells = _cells(line)
        except _BrokenLineError:
            broken.append(number)
            continue
        if not has_data and is_header(name for name, _ in cells):
            header.update({name: text for (name, _), text in cells.items()})
            continue
        has_data = True
        chunks.add(number, cells)
    is_cut = bool(broken) and broken[-1] == number and not last.endswith("\n")
    return JsonTable(tuple(chunks.keys), chunks.frame(), header, tuple(broken), is_cut)


def _cells(line: str) -> dict[Key, str]:
    """The cells of one line.

    Raises
    ------
    _BrokenLineError
        The line is no object, names a key twice, or is far too long.
    """
    if len(line) > LONGEST_LINE:
        raise _BrokenLineError
    try:
        found = json.loads(
            line.lstrip("\ufeff"),
            parse_float=str,
            parse_int=str,
            parse_constant=str,
            object_pairs_hook=_object,
        )
    except (ValueError, RecursionError) as error:
        raise _BrokenLineError from error
    if not isinstance(found, dict):
        raise _BrokenLineError
    cells: dict[Key, str] = {}
    for name, value in found.items():
        plain, unit = _value_and_unit(value)
        key = _clean(name).strip()[:_LONGEST_NAME], unit
        if key in cells:
            raise _BrokenLineError
        if plain is not None:
            cells[key] = _text(plain)
    return cells


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object; one that says two things of the same key says nothing."""
    found = dict(pairs)
    if len(found) < len(pairs):
        raise _BrokenLineError
    return found


def _value_and_unit(value: Any) -> tuple[Any, str]:
    """Value and unit of `{"value": 12.5, "unit": "degC"}`, or the value itself."""
    if not isinstance(value, dict) or "value" not in value or len(value) > 2:
        return value, ""
    rest = [name for name in value if name != "value"]
    if not rest:
        return value["value"], ""
    unit = value[rest[0]]
    if rest[0].lower() not in _UNIT_KEYS or not (unit is None or isinstance(unit, str)):
        return value, ""
    return value["value"], _clean(unit or "").strip()


def _text(value: Any) -> str:
    """A value as the text of a cell; truth values keep their words, lists and objects too."""
    if isinstance(value, str):
        return _clean(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    return _clean(json.dumps(value, ensure_ascii=True, default=str))[:_SHOWN_LETTERS]


def _clean(text: str) -> str:
    """The text; halves of letters, which no encoding can hold, are shown as escapes."""
    return text if text.isascii() else text.encode("utf-8", "backslashreplace").decode("utf-8")
