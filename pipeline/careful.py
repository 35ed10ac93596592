"""The careful path: one text log read line by line, to save what is sound and say what is not.

Takes one recognised log, gives its raw rows, the columns it must refuse and remarks with
line numbers; or refuses the log with a sentence. Does not belong here: the fast path
(`scanning`), finding the layout (`layouts`).
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from pipeline.clocks import seconds
from pipeline.openings import find_encoding, split_lines
from pipeline.raw_logs import value_name
from pipeline.refusals import LogRefusedError, Objection, header_only, not_readable
from pipeline.text_rows import CleanRows, TextRows, clean_rows, notice, number

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.clocks import TimeUse
    from pipeline.layouts import Layout
    from pipeline.raw_logs import Field

_DECIMALS = re.compile(r"[+-]?\d+(?:[.,](\d+))?")


@dataclass(frozen=True)
class CarefulTask:
    """What is to be read: the path as shown, where the text lies, and how it is laid out."""

    path: str
    plain: Path
    encoding: str
    layout: Layout
    time: TimeUse
    fields: tuple[Field, ...]


def is_cut(tail: str, layout: Layout) -> bool:
    """True means: the last line of a file was probably broken off in the middle.

    A line that ends the file without a line end is taken for whole when it has all its
    fields and its last number is as long as the one above. Zeros fill the room of what was
    never written.
    """
    if not tail or tail[-1] in "\r\n":
        return False
    lines = [line for line in split_lines(tail) if line.strip()]
    if len(lines) < 2:
        return False
    if "\0" in lines[-1]:
        return True
    last, above = (line.split(layout.delimiter) for line in (lines[-1], lines[-2]))
    return len(last) < len(above) or not _is_as_long(last[-1].strip(), above[-1].strip())


def _is_as_long(last: str, above: str) -> bool:
    """True means: the number has the decimals of the one above, or no fewer digits."""
    if not above or not last:
        return not above
    one, other = _DECIMALS.fullmatch(last), _DECIMALS.fullmatch(above)
    if one is None or other is None:
        return len(last) >= len(above)
    if other[1]:
        return bool(one[1]) and len(one[1]) == len(other[1])
    return len(last) >= len(above)


def read_carefully(task: CarefulTask, *, zone: str, unreadable_share: float) -> CleanRows:
    """The rows of a log that the fast path could not read.

    Raises
    ------
    LogRefusedError
        Too many of its rows or times cannot be read, or there are none.
    """
    lines = split_lines(_text(task))
    first = task.layout.lines_before_data
    notices: list[Objection] = []
    body = [(first + n + 1, line) for n, line in enumerate(lines[first:]) if line.strip()]
    if body and is_cut("\n".join(lines[-4:]), task.layout):
        notices.append(_cut(task.path, body.pop()[0]))
    if not body:
        raise header_only()
    rows, numbers, n_long = _rows(body, task.layout)
    if n_long > max(1, unreadable_share * len(body)):
        raise _ragged(n_long, len(body), len(task.layout.names))
    if n_long:
        sentence = f"{n_long} of {len(body)} rows have more fields than the header; left out."
        notices.append(notice(task.path, None, "rows_too_long", sentence, "rows"))
    clean = clean_rows(_texts(task, rows, numbers, zone), unreadable_share)
    return CleanRows(clean.rows, clean.refusals, (*notices, *clean.notices))


def _texts(task: CarefulTask, rows: list[list[str]], numbers: list[int], zone: str) -> TextRows:
    """The rows as text columns, with the seconds that their time means."""
    names = [value_name(index) for index in range(task.layout.n_fields)]
    frame = pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String), orient="row")
    time = pl.col(value_name(task.time.index))
    comma = task.layout.decimal_comma
    plain = time if task.time.is_text else number(time, decimal_comma=comma)
    timed = frame.with_columns(
        pl.Series("line", numbers, pl.Int64),
        time.alias("time_text"),
        seconds(plain, task.time, zone).alias("seconds"),
    )
    return TextRows(task.path, timed, task.time.name, task.fields, comma)


def _text(task: CarefulTask) -> str:
    try:
        content = task.plain.read_bytes()
    except OSError as error:
        raise not_readable(error) from error
    stated = task.encoding != "auto"
    try:
        return content.decode(task.encoding if stated else find_encoding(content))
    except (UnicodeDecodeError, UnicodeError) as error:
        if not stated:
            return content.decode("latin-1")
        raise LogRefusedError(
            "wrong_encoding",
            f"The file is not text in {task.encoding}.",
            hint="Correct `encoding` in the profile, or export the log again as UTF-8.",
        ) from error


def _rows(body: list[tuple[int, str]], layout: Layout) -> tuple[list[list[str]], list[int], int]:
    """Cells and line numbers of the rows, and how many were left out for too many fields."""
    rows, numbers, n_long = [], [], 0
    for line_number, line in body:
        cells = _cells(line, layout.delimiter)
        if any(cell for cell in cells[layout.n_fields :]):
            n_long += 1
            continue
        rows.append(cells[: layout.n_fields] + [""] * (layout.n_fields - len(cells)))
        numbers.append(line_number)
    return rows, numbers, n_long


def _cells(line: str, delimiter: str) -> list[str]:
    # a lone quote would swallow the rest of the line
    if line.count('"') % 2 or '"' not in line:
        return [cell.strip() for cell in line.split(delimiter)]
    return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter))]


def _cut(path: str, line: int) -> Objection:
    sentence = "The last line was broken off in the middle and is left out."
    return notice(path, None, "last_line_cut", sentence, f"line {line}")


def _ragged(n_long: int, n_rows: int, n_expected: int) -> LogRefusedError:
    return LogRefusedError(
        "ragged_rows",
        f"{n_long} of {n_rows} rows have more fields than the header has columns ({n_expected}).",
        place="rows of data",
        hint="Numbers with a decimal comma need another mark between columns, such as `;`.",
    )
