"""Checks of one registry table: its columns, its cells, its key, what it refers to.

Takes a `RawTable` and its `RegistryTable`, gives a frame of the right types with the
column `line`, and every problem found. Does not belong here: reading files
(`registry_files`), the order of the tables (`registry`).
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from pipeline.problems import Problem, closest, did_you_mean
from pipeline.registry_cells import EXPECTED, parse_cells

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from pipeline.registry_files import RawTable
    from pipeline.registry_tables import Entry, RegistryTable

# Of one kind of problem in one column this many are told one by one, the rest counted.
_MOST_ALIKE = 20


@dataclass(frozen=True)
class Checked:
    """A table as values with its lines, the problems found, and what is only worth saying.

    `raw` is what it was read from, which knows how its places are called.
    """

    frame: pl.DataFrame
    problems: tuple[Problem, ...]
    notices: tuple[Problem, ...]
    raw: RawTable | None = None


def check_table(raw: RawTable, table: RegistryTable, zone: str) -> Checked:
    """The typed rows of a raw table, with the column `line`, and all its problems."""
    header_problems, notices = _check_header(raw, table)
    problems = [*raw.problems, *header_problems]
    columns: list[pl.Series] = [raw.cells["line"]]
    for entry in table.entries:
        texts = _texts(raw, entry)
        values = parse_cells(texts, entry.kind, zone=zone, decimal_comma=raw.decimal_comma)
        values, found = _check_cells(raw, entry, texts, values)
        columns.append(values)
        problems += found
    frame = pl.DataFrame(columns)
    problems += check_unique(frame, table.key, raw.shown)
    return Checked(frame, tuple(problems), tuple(notices), raw)


def _texts(raw: RawTable, entry: Entry) -> pl.Series:
    if entry.name in raw.cells.columns:
        return raw.cells[entry.name]
    return pl.Series(entry.name, [None] * raw.cells.height, pl.String)


def _check_header(raw: RawTable, table: RegistryTable) -> tuple[list[Problem], list[Problem]]:
    present = [name for name in raw.cells.columns if name != "line"]
    absent = [entry.name for entry in table.entries if entry.name not in present]
    problems, notices = [], []
    for name in present:
        if name in table.entry:
            continue
        near = closest(name, absent)
        sentence = f"The column `{name}` is not part of the table {table.name}"
        if near is None:
            hint = "It is not used."
            notices.append(Problem("extra_column", f"{sentence}.", raw.shown, hint=hint))
        else:
            hint = f"Did you mean `{near}`?"
            problems.append(
                Problem("unknown_column", f"{sentence}.", raw.shown, raw.header_line, hint)
            )
    for entry in table.entries:
        if entry.required and entry.name in absent:
            sentence = f"The required column `{entry.name}` ({entry.meaning}) is missing."
            hint = f"Add it; the columns of {table.name} are in the README."
            problems.append(Problem("missing_column", sentence, raw.shown, raw.header_line, hint))
    return problems, notices


def _check_cells(
    raw: RawTable, entry: Entry, texts: pl.Series, values: pl.Series
) -> tuple[pl.Series, list[Problem]]:
    lines = raw.cells["line"]
    kind, hint = EXPECTED[entry.kind]
    unread = texts.is_not_null() & values.is_null()

    def unreadable(line: int, text: str) -> Problem:
        sentence = f"`{entry.name}` is not {kind}: {text!r}."
        spot = raw.spot(line, entry.name)
        return Problem(f"not_{entry.kind}", sentence, raw.shown, line, hint, spot)

    problems = _each_line(lines, texts, unread, unreadable)
    if entry.required and entry.name in raw.cells.columns:
        problems += _each_line(lines, texts, texts.is_null(), lambda n, _: _empty(raw, entry, n))
    if entry.choices:
        values = values.str.to_lowercase()
        wrong = values.is_not_null() & ~values.is_in(list(entry.choices))
        problems += _each_line(lines, texts, wrong, lambda n, text: _word(raw, entry, n, text))
    if entry.kind in {"number", "count"}:
        outside = (values < entry.lowest) | (values > entry.highest)
        problems += _each_line(lines, texts, outside, lambda n, text: _range(raw, entry, n, text))
    return values, problems


def _empty(raw: RawTable, entry: Entry, line: int) -> Problem:
    sentence = f"`{entry.name}` is empty, but every row needs it."
    hint = f"State {entry.meaning}."
    return Problem("empty_cell", sentence, raw.shown, line, hint, raw.spot(line, entry.name))


def _word(raw: RawTable, entry: Entry, line: int, text: str) -> Problem:
    sentence = f"`{entry.name}` cannot be {text!r}."
    known = ", ".join(f"`{choice}`" for choice in entry.choices)
    hint = did_you_mean(text, entry.choices) or f"Known are: {known}."
    return Problem("unknown_word", sentence, raw.shown, line, hint, raw.spot(line, entry.name))


def _range(raw: RawTable, entry: Entry, line: int, text: str) -> Problem:
    unit = f" {entry.unit}" if entry.unit not in {"", "1"} else ""
    sentence = f"`{entry.name}` is {text}, outside {entry.lowest:g} to {entry.highest:g}{unit}."
    hint = "Check the value and its unit."
    return Problem("out_of_range", sentence, raw.shown, line, hint, raw.spot(line, entry.name))


def _each_line(
    lines: pl.Series, texts: pl.Series, wrong: pl.Series, problem: Callable[[int, str], Problem]
) -> list[Problem]:
    """One problem per wrong row; beyond the first few of a kind only their count."""
    bad = pl.DataFrame({"line": lines, "text": texts}).filter(wrong.fill_null(value=False))
    problems = [problem(line, text or "") for line, text in bad.head(_MOST_ALIKE).rows()]
    if bad.height > _MOST_ALIKE:
        last = problems[-1]
        sentence = f"The same holds for {bad.height - _MOST_ALIKE} more rows of this column."
        problems.append(Problem(last.code, sentence, last.file, None, last.hint))
    return problems


def check_unique(frame: pl.DataFrame, key: tuple[str, ...], shown: str) -> list[Problem]:
    """A problem for every row whose key another row above it has already."""
    stated = frame.filter(pl.all_horizontal(pl.col(key[0]).is_not_null()))
    first = stated.with_columns(pl.col("line").min().over(key).alias("first_line"))
    again = first.filter(pl.col("line") > pl.col("first_line"))

    def duplicate(row: tuple[int, int, str]) -> Problem:
        line, first_line, text = row
        sentence = f"{_spoken(key)} {text!r} stands already on line {first_line}."
        hint = "Every row needs its own; correct or remove one of the two."
        return Problem("duplicate_id", sentence, shown, line, hint)

    shown_key = pl.concat_str(
        [pl.col(name).cast(pl.String) for name in key], separator=", ", ignore_nulls=True
    )
    rows = again.select("line", "first_line", shown_key).rows()
    return [duplicate(row) for row in rows[:_MOST_ALIKE]] + _rest(rows, shown)


def check_look_alikes(frame: pl.DataFrame, column: str, shown: str) -> list[Problem]:
    """A problem for every id that only capitals, blanks or unseen letters tell from another."""
    first: dict[str, tuple[int, str]] = {}
    problems = []
    for line, text in frame.select("line", column).drop_nulls().rows():
        like, earlier = first.setdefault(_seen(text), (line, text))
        if earlier != text:
            sentence = (
                f"`{column}` {text!r} differs from {earlier!r} on line {like} only by capitals, "
                "blanks or letters that are not seen."
            )
            hint = "Write the same one in the same way everywhere; they would be judged apart."
            problems.append(Problem("look_alike_id", sentence, shown, line, hint))
    return problems[:_MOST_ALIKE]


def _seen(text: str) -> str:
    """The letters that an eye tells apart."""
    plain = unicodedata.normalize("NFKC", text).casefold()
    return "".join(one for one in plain if unicodedata.category(one)[0] not in "ZC")


def _rest(rows: list[tuple[int, int, str]], shown: str) -> list[Problem]:
    count = len(rows) - _MOST_ALIKE
    sentence = f"The same holds for {count} more rows."
    return [Problem("duplicate_id", sentence, shown)] if count > 0 else []


def _spoken(key: tuple[str, ...]) -> str:
    return " and ".join(f"`{name}`" for name in key)


def check_reference(
    frame: pl.DataFrame, column: str, known: Iterable[str], shown: str, target: str
) -> list[Problem]:
    """A problem for every cell that names a row which the target table does not have."""
    ids = list(known)
    dangling = frame[column].is_not_null() & ~frame[column].is_in(ids)

    def problem(line: int, text: str) -> Problem:
        near = closest(text, ids)
        meant = f"Did you mean `{near}`? " if near else ""
        sentence = f"`{column}` is {text!r}, but {target} has no such row."
        hint = f"{meant}Correct it, or add the row."
        return Problem("dangling_reference", sentence, shown, line, hint)

    return _each_line(frame["line"], frame[column], dangling, problem)
