"""JSON lines logs: one object per line, wide (a key per channel) or long (time, channel, value).

Takes log requests, gives raw wide rows per group of logs that share profile, time and keys.
A few broken lines are left out with a remark, many refuse the log; a key that a line lacks
is not known there. Does not belong here: parsing (`json_lines`), the meaning of a key
(`column_plans`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import polars as pl

from pipeline.clocks import find_time_column, find_time_use, seconds
from pipeline.column_plans import plan_columns
from pipeline.headers import match_time
from pipeline.json_lines import BYTES_PER_CELL, JsonTable, parse_lines
from pipeline.layouts import MOST_COLUMNS, too_many_columns
from pipeline.long_logs import find_long_columns
from pipeline.number_texts import PLAIN_NUMBERS, number
from pipeline.openings import open_text
from pipeline.raw_logs import LogForm, LogGroup, WideRows, fields_of, value_name
from pipeline.recognition import candidates, fits_names, no_profile_fits
from pipeline.refusals import LogRefusedError, header_only, not_readable, too_large
from pipeline.scanning import raw_schema
from pipeline.text_rows import TextRows, clean_rows, notice

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from pipeline.clocks import TimeUse
    from pipeline.json_lines import Key
    from pipeline.log_requests import Door, LogRequest
    from pipeline.long_logs import LongColumns
    from pipeline.openings import Opening
    from pipeline.profiles import Profile
    from pipeline.raw_logs import Ledger

_NAMES_SHOWN = 6
_HINT = (
    "Each line must be one JSON object such as "
    '{"time": 0.0, "low_side_kpa": 310.2}; export the log again.'
)


@dataclass
class _Group:
    """Logs that share profile, time and keys, with their rows as texts."""

    profile: Profile
    time: TimeUse
    keys: tuple[Key, ...]
    tables: dict[int, tuple[LogRequest, JsonTable]] = field(default_factory=dict)


def read_json_logs(
    requests: Mapping[int, LogRequest], door: Door, scratch: Path, ledger: Ledger
) -> Iterator[tuple[LogGroup, WideRows]]:
    """Raw wide rows of all logs, per group; logs that cannot be read are refused."""
    groups: dict[tuple[str, TimeUse, tuple[Key, ...]], _Group] = {}
    for file, request in requests.items():
        try:
            profile, table = _open(request, door, scratch, ledger)
            time = _time_use(table, profile)
        except LogRefusedError as error:
            ledger.refuse(request.path, error)
            continue
        key = profile.name, time, table.keys
        group = groups.setdefault(key, _Group(profile, time, table.keys))
        group.tables[file] = request, table
    for group in groups.values():
        yield _read_group(group, door, ledger)


def _open(
    request: LogRequest, door: Door, scratch: Path, ledger: Ledger
) -> tuple[Profile, JsonTable]:
    """Profile and rows of a log, long rows made wide."""
    opening = open_text(request, scratch, door.largest_bytes, door.highest_packing_ratio)
    profiles = candidates(door.profiles, "json", request.profile)
    table = parse_opening(opening, profiles, door.largest_bytes)
    _require_sound(request.path, table, door, ledger)
    names = [name for name, _ in table.keys]
    profile = next((one for one in profiles if fits_names(one, names)), None)
    if profile is None:
        raise no_profile_fits("a JSON lines file", "keys", names, "keys of the objects")
    long = find_long_columns(names, profile)
    return profile, table if long is None else _widen(table, long, door.largest_bytes)


def parse_opening(opening: Opening, profiles: tuple[Profile, ...], largest_bytes: int) -> JsonTable:
    """The lines of an opened log as a table; keys that a profile calls the time are the time."""
    times = {profile.time.column.strip().lower() for profile in profiles} - {""}

    def is_header(names: Iterable[str]) -> bool:
        return not any(name.lower() in times or match_time(name) is not None for name in names)

    try:
        with opening.plain.open(encoding=opening.encoding, errors="replace") as lines:
            return parse_lines(lines, is_header, largest_bytes)
    except OSError as error:
        raise not_readable(error) from error


def _require_sound(path: str, table: JsonTable, door: Door, ledger: Ledger) -> None:
    """Remark on a few broken lines.

    Raises
    ------
    LogRefusedError
        Many lines are broken, or there is no row with a time.
    """
    broken = table.broken[:-1] if table.is_cut else table.broken
    n_lines = table.cells.height + len(broken)
    if broken and (table.cells.is_empty() or len(broken) > max(1, door.unreadable_share * n_lines)):
        sentence = f"{len(broken)} of {n_lines} lines are no JSON objects with clear keys."
        place = f"first in line {broken[0]}"
        raise LogRefusedError("broken_lines", sentence, place=place, hint=_HINT)
    if table.cells.is_empty():
        raise _no_rows(table)
    if broken:
        sentence = f"{len(broken)} of {n_lines} lines are no JSON objects and are left out."
        place = f"first in line {broken[0]}"
        ledger.notices.append(notice(path, None, "broken_lines", sentence, place))
    if table.is_cut:
        sentence = "The last line was broken off in the middle and is left out."
        place = f"line {table.broken[-1]}"
        ledger.notices.append(notice(path, None, "last_line_cut", sentence, place))


def _no_rows(table: JsonTable) -> LogRefusedError:
    if not table.header:
        return header_only()
    shown = ", ".join(f"`{name}`" for name in list(table.header)[:_NAMES_SHOWN])
    return LogRefusedError(
        "no_time_column",
        f"None of the keys is known as the time: {shown}.",
        place="keys of the objects",
        hint="Name one `time`, `clock` or `timestamp`, or say in a profile which one it is, "
        "under [time].",
    )


def _time_use(table: JsonTable, profile: Profile) -> TimeUse:
    names = [name for name, _ in table.keys]
    index = find_time_column(names, profile.time)
    known = table.cells[value_name(index)].drop_nulls()
    sample = str(known[0]).strip() if known.len() else ""
    return find_time_use(index, names[index], table.keys[index][1], sample, profile.time)


def _widen(table: JsonTable, long: LongColumns, largest_bytes: int) -> JsonTable:
    """One row per time; the first value counts where time and channel come twice.

    The unit of a label is that inside its value, else that in the column of units.
    """
    unit = pl.lit("") if long.unit is None else pl.col(value_name(long.unit)).fill_null("")
    value_key = table.keys[long.value][0]
    parts = [
        table.cells.select(
            "line",
            pl.col(value_name(long.time)).alias("time"),
            pl.col(value_name(long.channel)).str.strip_chars().alias("channel"),
            (pl.lit(inner) if inner else unit.str.strip_chars()).alias("unit"),
            pl.col(value_name(index)).alias("value"),
        )
        for index, (name, inner) in enumerate(table.keys)
        if name == value_key
    ]
    cells = pl.concat(parts).drop_nulls(["time", "channel", "value"]).sort("line")
    labels = cells.select("channel", "unit").unique(maintain_order=True)
    n_rows = cells["time"].n_unique()
    if labels.height >= MOST_COLUMNS:
        raise too_many_columns(labels.height)
    if n_rows * labels.height * BYTES_PER_CELL > largest_bytes:
        raise too_large(largest_bytes)
    return _pivot(table, table.keys[long.time], cells, labels)


def _pivot(table: JsonTable, time: Key, cells: pl.DataFrame, labels: pl.DataFrame) -> JsonTable:
    numbered = labels.with_columns(
        pl.format("value_{}", pl.int_range(1, pl.len() + 1)).alias("label")
    )
    wide = (
        cells.join(numbered, on=["channel", "unit"], maintain_order="left")
        .pivot(on="label", index="time", values="value", aggregate_function="first")
        .join(cells.group_by("time").agg(pl.col("line").first()), on="time", maintain_order="left")
        .rename({"time": value_name(0)})
    )
    return replace(table, keys=(time, *labels.rows()), cells=wide, is_long=True)


def _read_group(group: _Group, door: Door, ledger: Ledger) -> tuple[LogGroup, WideRows]:
    names, units = [name for name, _ in group.keys], [unit for _, unit in group.keys]
    plan = plan_columns(group.profile, names, units, {group.time.index})
    fields = fields_of(plan)
    parts = [pl.DataFrame(schema=raw_schema(fields))]
    read = {}
    for file, (request, table) in group.tables.items():
        time = pl.col(value_name(group.time.index))
        plain = time if group.time.is_text else number(time, PLAIN_NUMBERS)
        timed = table.cells.with_columns(
            time.alias("time_text"), seconds(plain, group.time, door.time_zone).alias("seconds")
        )
        if table.is_long:
            timed = timed.sort("seconds", nulls_last=True, maintain_order=True)
        texts = TextRows(request.path, timed, group.time.name, fields)
        try:
            clean = clean_rows(texts, door.unreadable_share)
        except LogRefusedError as error:
            ledger.refuse(request.path, error)
            continue
        ledger.refusals += clean.refusals
        ledger.notices += clean.notices
        parts.append(clean.rows.select(pl.lit(file, pl.Int32).alias("file"), pl.all()))
        read[file] = request
    form = LogForm(group.profile.name, group.time)
    log_group = LogGroup(group.profile, form, read)
    return log_group, WideRows(pl.concat(parts), plan, tuple(read))
