"""A draft of a profile for a log that is not read, or not wholly: what is seen, what is asked.

Takes a log file and what the door said of it, gives the text of a profile. Everything that
the file itself shows (marks, line of names, time column) is written down; what it does not
say, above all units, stands as an open question and is never filled in. Does not belong
here: reading logs (`readers`), what a profile may state (`profiles`).
"""

from __future__ import annotations

import json
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from features.channels import CHANNEL
from features.units import UNITS
from pipeline.header_lines import split_row
from pipeline.headers import HeaderMatch, match_header, match_time, nearest_name
from pipeline.layouts import FoundLayout, find_layout
from pipeline.log_requests import LogRequest
from pipeline.openings import open_text
from pipeline.profiles import Profile, Recognition, TextForm
from pipeline.refusals import LogRefusedError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    import polars as pl

    from pipeline.readers import LogBatch

_DELIMITERS = (";", "\t", "|", ",")
_ROWS_ALIKE = 3
_NAMES_TO_RECOGNISE = 4
_LONGEST_PATTERN = 80
_LONGEST_COMMENT = 200
# a number or an instant, as loggers write them; words and empty cells are none
_READING = re.compile(r"[+-]?\d[\d.,:eE+\-/ TZ]*")
_ASKS = {"unit_unknown", "unit_ambiguous", "unit_contradiction", "two_columns_one_channel"}


@dataclass(frozen=True)
class Draft:
    """The text of a drafted profile, and how many columns it asks about."""

    text: str
    n_questions: int


@dataclass(frozen=True)
class _Seen:
    """What the file shows of itself: its kind, layout (text only) and column names."""

    kind: str
    names: tuple[str, ...]
    found: FoundLayout | None
    header_line: int | None = None


def draft_profile(
    file: Path, batch: LogBatch, name: str, read_again: Callable[[Profile], LogBatch]
) -> Draft | None:
    """A draft for a log; None where the file is read wholly, or shows no table at all.

    Parameters
    ----------
    file
        The log.
    batch
        What `readers.read_logs` gave for this file alone.
    name
        The name of the profile: small letters, digits and `_`.
    read_again
        Reads the file by a profile: shows what its columns are once the table is found.
    """
    seen = _look_at_text(file) if _is_text(file) else None
    if batch.readings["outcome_code"][0] != "read" and seen is not None:
        trial = "\n".join(_opening_lines(name, seen, batch, seen.names))
        batch = read_again(Profile.model_validate(tomllib.loads(trial)))
    questions = _questions(batch)
    if not questions:
        return None
    names = seen.names if seen else (*_known_columns(batch), *questions)
    lines = [*_opening_lines(name, seen, batch, names), *_column_lines(batch, questions, seen)]
    return Draft("\n".join(lines) + "\n", len(questions))


def _is_text(file: Path) -> bool:
    plain = file.name.lower().removesuffix(".gz").removesuffix(".zst")
    return plain.endswith((".csv", ".txt", ".tsv"))


def _questions(batch: LogBatch) -> dict[str, str]:
    """Columns that the door could not use, and what it said of each."""
    remarks: dict[str, str] = {}
    for frame, codes in ((batch.refusals, _ASKS), (batch.notices, {"unused_column"})):
        for row in _of_columns(frame):
            if row["code"] in codes:
                remarks.setdefault(row["column_name"], row["sentence"])
    return remarks


def _of_columns(frame: pl.DataFrame) -> Iterator[dict[str, str]]:
    return (row for row in frame.iter_rows(named=True) if row["column_name"])


def _look_at_text(file: Path) -> _Seen | None:
    """The table of a text file, found by rows that are alike; None without one."""
    with TemporaryDirectory(prefix="chillroster-") as scratch:
        try:
            request = LogRequest(file.name, file, "draft")
            lines = open_text(request, Path(scratch), file.stat().st_size * 200).lines
        except (LogRefusedError, OSError):
            return None
    table = _first_rows_alike(lines)
    if table is None:
        return None
    delimiter, first = table
    # the names stand right above the readings, or above a line of units
    for header in (first - 2, first - 1):
        found = _layout_at(lines, header, delimiter)
        if found is not None and found.layout.lines_before_data == first:
            has_units = any(found.layout.unit_texts)
            if has_units or header == first - 1:
                names = tuple(cell for cell in found.layout.names if cell)
                return _Seen("text", names, found, header + 1)
    return None


def _first_rows_alike(lines: Sequence[str]) -> tuple[str, int] | None:
    """Delimiter and number of the first of several rows of readings, the widest table."""
    best: tuple[int, str, int] | None = None
    for mark in _DELIMITERS:
        rows = [split_row(line, mark) for line in lines]
        for first in range(1, len(rows) - _ROWS_ALIKE + 1):
            width = len(rows[first])
            alike = rows[first : first + _ROWS_ALIKE]
            if width > 1 and all(len(row) == width and _is_data(row) for row in alike):
                if best is None or width > best[0]:
                    best = (width, mark, first)
                break
    return None if best is None else best[1:]


def _is_data(row: Sequence[str]) -> bool:
    cells = [cell for cell in row if cell]
    readings = sum(bool(_READING.fullmatch(cell)) for cell in cells)
    return len(cells) > 1 and readings >= 0.6 * len(cells)


def _layout_at(lines: Sequence[str], header: int, delimiter: str) -> FoundLayout | None:
    if header < 0 or not lines[header].strip():
        return None
    form = TextForm.model_validate({"delimiter": delimiter, "header_line": header + 1})
    trial = Profile(name="draft", recognise=Recognition(anything=True), text=form)
    try:
        return find_layout(lines, trial)
    except LogRefusedError:
        return None


def _opening_lines(
    name: str, seen: _Seen | None, batch: LogBatch, names: Sequence[str]
) -> Iterator[str]:
    """What the draft states of the file as a whole."""
    yield "# A draft: fill in what is asked below, save it under profiles/ and run"
    yield "# `chillroster check` on the log again. What is not filled in is not used."
    yield f"name = {_quoted(name)}"
    yield 'description = ""'
    kind = seen.kind if seen else _kind_of(batch)
    if kind != "text":
        yield f"kind = {_quoted(kind)}"
    yield ""
    yield "# a file with all of these columns is read by this profile"
    yield "[recognise]"
    shown = ", ".join(_quoted(column) for column in names[:_NAMES_TO_RECOGNISE])
    yield f"columns = [{shown}]"
    if seen is not None and seen.found is not None:
        yield from _text_lines(seen)
        yield from _time_lines(seen)


def _column_lines(batch: LogBatch, questions: dict[str, str], seen: _Seen | None) -> Iterator[str]:
    """What is known of each column, then what is asked."""
    for column, use in _known_columns(batch).items():
        yield f"\n# {_plain(column)}: read as {use}, nothing to do"
    for column, remark in questions.items():
        yield ""
        yield from _question_lines(column, remark, seen)


def _known_columns(batch: LogBatch) -> dict[str, str]:
    return {
        use.name: f"{use.channel} in {use.unit.name}"
        for uses in batch.columns.values()
        for use in uses
    }


def _kind_of(batch: LogBatch) -> str:
    path = batch.readings["path"][0].lower()
    return "parquet" if path.endswith(".parquet") else "text"


def _text_lines(seen: _Seen) -> Iterator[str]:
    if seen.found is None:
        return
    layout = seen.found.layout
    yield ""
    yield "[text]"
    yield f"delimiter = {_quoted(layout.delimiter)}"
    if layout.delimiter != ",":
        yield f"decimal_mark = {_quoted(',' if layout.decimal_comma else '.')}"
    yield f"header_line = {seen.header_line}"
    yield f'units_row = "{"yes" if any(layout.unit_texts) else "no"}"'


def _time_lines(seen: _Seen) -> Iterator[str]:
    """The time column by its name, else a question."""
    yield ""
    yield "[time]"
    named = [name for name in seen.names if match_time(name) is not None]
    if named:
        yield f"column = {_quoted(named[0])}"
    else:
        yield "# which column is the time? The first one is a proposal: check it"
        yield f"column = {_quoted(seen.names[0])}"
    yield 'format = "auto"     # or seconds, clock, timestamp with a pattern, epoch_s, ...'


def _question_lines(column: str, remark: str, seen: _Seen | None) -> Iterator[str]:
    """A block for one column, commented out where even its channel is not known."""
    match = match_header(column)
    yield f"# {_plain(column)}{_example(column, seen)}: {_plain(remark)}"
    pattern = column if len(column) <= _LONGEST_PATTERN else column[: _LONGEST_PATTERN - 1] + "*"
    if match is None:
        near = nearest_name(column)
        yield "# which channel is it? docs/channels.md lists them"
        yield "# [[channels]]"
        yield f"# column = {_quoted(pattern)}"
        yield f'# channel = ""     # {f"perhaps {near}" if near else "such as duct_air_c"}'
        yield '# unit = ""'
        return
    yield "[[channels]]"
    yield f"column = {_quoted(pattern)}"
    yield f"channel = {_quoted(match.channel)}"
    yield f'unit = ""          # one of: {", ".join(_units_of(match))}'


def _units_of(match: HeaderMatch) -> list[str]:
    """The units of the channel; where the file states a scale, only those of that scale."""
    quantity = CHANNEL[match.channel].quantity
    names = [name for name, unit in UNITS.items() if unit.quantity == quantity]
    scale = (match.unit_text or "").lower()
    return [name for name in names if name.split(" ")[0].lower() == scale] or names


def _example(column: str, seen: _Seen | None) -> str:
    """The first reading of a column, in words."""
    if seen is None or seen.found is None or column not in seen.found.layout.names:
        return ""
    place = seen.found.layout.names.index(column)
    row = seen.found.first_row
    return f" (first reading {_plain(row[place])})" if place < len(row) and row[place] else ""


def _quoted(text: str) -> str:
    """A TOML basic string; JSON's escapes are a part of TOML's."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _plain(text: str) -> str:
    """Text for a comment: no control characters, not too long."""
    return "".join(letter if letter.isprintable() else " " for letter in text)[:_LONGEST_COMMENT]
