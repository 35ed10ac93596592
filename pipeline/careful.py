"""The careful path: one text log read line by line, to save what is sound and say what is not.

Takes one recognised log, gives its raw rows, the columns it must refuse and remarks with
line numbers; or refuses the log with a sentence. Does not belong here: the fast path
(`scanning`), finding the layout (`layouts`), which lines are rows (`log_lines`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from pipeline.clocks import seconds
from pipeline.log_lines import CELL_MARK, LONG, SHORT, WHOLE, LogLines, sort_lines
from pipeline.number_texts import read_numbers
from pipeline.raw_logs import value_name
from pipeline.refusals import LogRefusedError, Objection, header_only, not_readable
from pipeline.scanning import number_form, time_form
from pipeline.text_rows import CleanRows, TextRows, clean_rows, notice

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pipeline.clocks import TimeUse
    from pipeline.layouts import Layout
    from pipeline.raw_logs import Field

# A file closes with a few lines, fewer than its rows: extremes, means, a signature (common
# practice, no source).
_MOST_CLOSING = 40


@dataclass(frozen=True)
class CarefulTask:
    """What is to be read: the path as shown, where the text lies, and how it is laid out."""

    path: str
    plain: Path
    encoding: str
    layout: Layout
    time: TimeUse
    fields: tuple[Field, ...]


def read_carefully(task: CarefulTask, *, zone: str, unreadable_share: float) -> CleanRows:
    """The rows of a log that the fast path could not read.

    Raises
    ------
    LogRefusedError
        Too many of its rows or times cannot be read, or there are none.
    """
    found = _sorted_lines(task)
    notices: list[Objection] = []
    if found.cut_line:
        notices.append(_cut(task.path, found.cut_line))
    if not found.numbers:
        raise header_only()
    if found.names:
        notices.append(_repeated(task.path, found.names))
    rows = _timed_rows(task, found, zone)
    rows, remark = _without_closing(task.path, rows)
    notices += remark
    whole = rows.filter(pl.col("kind") == WHOLE) if (rows["kind"] != WHOLE).any() else rows
    for kind in (LONG, SHORT):
        ragged = rows.filter(pl.col("kind") == kind)
        is_much = ragged.height > max(1, unreadable_share * rows.height)
        if is_much or (ragged.height and whole.is_empty()):
            raise _ragged(kind, ragged.height, rows, len(task.layout.names))
        if ragged.height:
            notices.append(_left_out(task.path, kind, ragged, rows.height))
    texts = TextRows(task.path, whole, task.time.name, task.fields, number_form(task.layout))
    clean = clean_rows(texts, unreadable_share)
    return CleanRows(clean.rows, clean.refusals, (*notices, *clean.notices))


def _sorted_lines(task: CarefulTask) -> LogLines:
    try:
        if task.encoding != "auto":
            return _sort(task, task.encoding)
        try:
            return _sort(task, "utf-8-sig")
        except UnicodeDecodeError:
            # every byte is a letter there, if not always the right one
            return _sort(task, "latin-1")
    except UnicodeError as error:
        raise LogRefusedError(
            "wrong_encoding",
            f"The file is not text in {task.encoding}.",
            hint="Correct `encoding` in the profile, or export the log again as UTF-8.",
        ) from error
    except OSError as error:
        raise not_readable(error) from error


def _sort(task: CarefulTask, encoding: str) -> LogLines:
    return sort_lines(_lines(task.plain, encoding), task.layout, task.time.index)


def _lines(plain: Path, encoding: str) -> Iterator[str]:
    # line ends of every kind become line feeds
    with plain.open(encoding=encoding, newline=None) as stream:
        yield from stream


def _timed_rows(task: CarefulTask, found: LogLines, zone: str) -> pl.DataFrame:
    """The rows as text columns with line and kind, and the seconds that their time means."""
    layout = task.layout
    indexes = sorted({task.time.index, *(field.index for field in task.fields)})
    scan = pl.scan_csv(
        bytes(found.text),
        has_header=False,
        schema={value_name(index): pl.String() for index in range(len(layout.names))},
        separator=CELL_MARK,
        quote_char=None,
    )
    cells = scan.select([value_name(index) for index in indexes]).collect()
    text = cells[value_name(task.time.index)]
    plain = text if task.time.is_text else read_numbers(text, time_form(layout, task.time)).values
    timed = plain.rename("time").to_frame().select(seconds(pl.col("time"), task.time, zone))
    return cells.with_columns(
        pl.Series("line", found.numbers, pl.Int64),
        pl.Series("kind", found.kinds, pl.Int8),
        text.alias("time_text"),
        timed.to_series().alias("seconds"),
    )


def _without_closing(path: str, rows: pl.DataFrame) -> tuple[pl.DataFrame, list[Objection]]:
    """The rows without the lines that close a file, and a remark on those."""
    has_time = rows["seconds"].is_not_null()
    n_timed = int(has_time.sum())
    if not n_timed or has_time[-1]:
        return rows, []
    last = int(has_time.arg_true()[-1])
    closing = rows.slice(last + 1)
    if closing.height > _MOST_CLOSING or closing.height >= n_timed:
        return rows, []
    sentence = f"{closing.height} lines below the last row are no readings and are left out."
    place = f"line {closing['line'][0]}"
    return rows.head(last + 1), [notice(path, None, "closing_lines", sentence, place)]


def _cut(path: str, line: int) -> Objection:
    sentence = "The last line was broken off in the middle and is left out."
    return notice(path, None, "last_line_cut", sentence, f"line {line}")


def _repeated(path: str, lines: list[int]) -> Objection:
    sentence = (
        f"{len(lines)} lines in mid-file are those above the data again: the logger was started "
        "anew and went on in the same file."
    )
    return notice(path, None, "names_repeated", sentence, f"first in line {lines[0]}")


def _left_out(path: str, kind: int, ragged: pl.DataFrame, n_rows: int) -> Objection:
    code, words = {
        SHORT: ("rows_too_short", "fewer fields than the header"),
        LONG: ("rows_too_long", "more fields than the header"),
    }[kind]
    sentence = f"{ragged.height} of {n_rows} rows have {words}; left out."
    return notice(path, None, code, sentence, f"first in line {ragged['line'][0]}")


def _ragged(kind: int, n_ragged: int, rows: pl.DataFrame, n_expected: int) -> LogRefusedError:
    words = "more" if kind == LONG else "fewer"
    hint = "Numbers with a decimal comma need another mark between columns, such as `;`."
    if kind == SHORT:
        hint = (
            "Export the log again; or, if what lacks at the end of a row is empty, say "
            '`short_rows = "fill"` under [text] in a profile.'
        )
    first = rows.filter(pl.col("kind") == kind)["line"]
    return LogRefusedError(
        "ragged_rows",
        f"{n_ragged} of {rows.height} rows have {words} fields than the header has columns "
        f"({n_expected}).",
        place=f"first in line {first[0]}" if len(first) else "rows of data",
        hint=hint,
    )
