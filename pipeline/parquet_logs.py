"""Parquet logs, wide or long: sorting them into groups of one form, and reading a group.

Takes log requests, gives groups by columns and types; takes a group, gives raw wide rows.
Does not belong here: text files (`text_logs`), the meaning of columns (`column_plans`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.clocks import (
    TimeUse,
    find_time_column,
    find_time_use,
    seconds,
    within_calendar,
)
from pipeline.column_plans import plan_columns
from pipeline.hidden_sizes import HiddenSizeError, parquet_bytes
from pipeline.layouts import MOST_COLUMNS, too_many_columns
from pipeline.long_logs import find_long_columns, label_long, widen, without_restarts
from pipeline.parquet_types import require_plain_cells, require_time, without_unfit
from pipeline.raw_logs import Field, Ledger, LogForm, LogGroup, WideRows, fields_of
from pipeline.recognition import candidates, fits_names
from pipeline.refusals import LogRefusedError, header_only, not_readable, too_large
from pipeline.scanning import SCAN_ERRORS, raw_schema, read_halving, without_unclear
from pipeline.text_rows import TextRows, clean_rows

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from pipeline.log_requests import Door, LogRequest
    from pipeline.profiles import Profile


def sort_parquet_logs(
    requests: Mapping[int, LogRequest], door: Door, ledger: Ledger
) -> list[LogGroup]:
    """Groups of the logs that were recognised; the others are refused in the ledger."""
    groups: dict[LogForm, LogGroup] = {}
    for file, request in requests.items():
        try:
            profile, form = recognise_parquet(request, door)
        except LogRefusedError as error:
            ledger.refuse(request.path, error)
            continue
        groups.setdefault(form, LogGroup(profile, form, {})).requests[file] = request
    return list(groups.values())


def recognise_parquet(request: LogRequest, door: Door) -> tuple[Profile, LogForm]:
    """The profile of a Parquet log and its form.

    Raises
    ------
    LogRefusedError
        No profile fits, or the file has no readable time or is damaged.
    """
    types = _open(request.file, door.largest_bytes)
    names = [name for name, _ in types]
    fitting = [
        profile
        for profile in candidates(door.profiles, "parquet", request.profile)
        if fits_names(profile, names)
    ]
    if not fitting:
        raise LogRefusedError(
            "profile_mismatch",
            f"No profile fits a Parquet file with the columns {', '.join(names)}.",
            place="column names",
            hint="Leave `profile` empty in the registry's tests table, or write a profile.",
        )
    profile = fitting[0]
    index = find_time_column(names, profile.time)
    require_time(*types[index])
    long = find_long_columns(names, profile)
    if long is not None:
        require_plain_cells(long.fields, types)
    time = _time_use(index, types[index], request.file, profile)
    return profile, LogForm(profile.name, time, None, types)


def _open(file: Path, largest_bytes: int) -> tuple[tuple[str, pl.DataType], ...]:
    """The columns with their types."""
    try:
        n_bytes = parquet_bytes(file)
        if n_bytes > largest_bytes:
            raise too_large(largest_bytes)
        scan = pl.scan_parquet(file, glob=False, hive_partitioning=False)
        types = tuple(scan.collect_schema().items())
        n_rows = scan.select(pl.len()).collect().item()
        # a text that every row names stands in the file only once
        texts = scan.select(pl.selectors.string().str.len_bytes().sum()).collect()
    except FileNotFoundError as error:
        raise not_readable(error) from error
    except (HiddenSizeError, *SCAN_ERRORS) as error:
        raise damaged_parquet() from error
    if len(types) > MOST_COLUMNS:
        raise too_many_columns(len(types))
    if n_rows == 0:
        raise header_only()
    if texts.width and sum(texts.row(0)) > largest_bytes:
        raise too_large(largest_bytes)
    return types


def _first_text(file: Path, name: str) -> str:
    """The first cell of a column as text, empty where there is none."""
    try:
        scan = pl.scan_parquet(file, glob=False, hive_partitioning=False)
        cells = scan.select(pl.col(name).cast(pl.String)).head(1).collect()
    except SCAN_ERRORS as error:
        raise damaged_parquet() from error
    return cells.item() or ""


def damaged_parquet() -> LogRefusedError:
    """The refusal of a file that is no sound Parquet."""
    return LogRefusedError(
        "damaged_parquet",
        "The file is not a Parquet file, or it is damaged or broken off.",
        hint="Copy it again from where it was written.",
    )


def _time_use(index: int, column: tuple[str, pl.DataType], file: Path, profile: Profile) -> TimeUse:
    name, dtype = column
    if isinstance(dtype, pl.Datetime):
        return TimeUse(index, name, "timestamp", has_zone=dtype.time_zone is not None)
    if dtype == pl.Time:
        return TimeUse(index, name, "clock")
    if isinstance(dtype, pl.Duration):
        return TimeUse(index, name, "seconds")
    return find_time_use(index, name, "", _first_text(file, name), profile.time)


def _time_seconds(time: TimeUse, dtype: pl.DataType, zone: str) -> pl.Expr:
    return within_calendar(_typed_seconds(time, dtype, zone))


def _typed_seconds(time: TimeUse, dtype: pl.DataType, zone: str) -> pl.Expr:
    column = pl.col(time.name)
    if isinstance(dtype, pl.Datetime):
        aware = column
        if dtype.time_zone is None:
            aware = column.dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
        return aware.dt.epoch("us").cast(pl.Float64) / 1e6
    if dtype == pl.Time:
        return column.cast(pl.Int64).cast(pl.Float64) / 1e9
    if isinstance(dtype, pl.Duration):
        return column.dt.total_microseconds().cast(pl.Float64) / 1e6
    plain = column.cast(pl.String) if time.is_text else column.cast(pl.Float64, strict=False)
    return seconds(plain, time, zone)


def read_parquet_group(group: LogGroup, door: Door, ledger: Ledger) -> Iterator[WideRows]:
    """Raw wide rows of the logs of a group; logs that cannot be read are refused."""
    names = [name for name, _ in group.form.types]
    long = find_long_columns(names, group.profile)
    if long is not None:
        raw = _read_fields(group, long.fields, door, ledger)
        paths = {file: request.path for file, request in group.requests.items()}
        rows = without_restarts(label_long(raw, long), paths, ledger)
        yield from widen(rows, group.profile)
        return
    stated = plan_columns(group.profile, names, [""] * len(names), {group.form.time.index})
    plan = without_unfit(stated, group.form.types)
    rows = _read_fields(group, fields_of(plan), door, ledger) if plan.uses else pl.DataFrame()
    refused = {objection.path for objection in ledger.refusals if objection.column_name is None}
    files = [file for file, request in group.requests.items() if request.path not in refused]
    yield WideRows(rows, plan, tuple(files))


def _read_fields(
    group: LogGroup, fields: tuple[Field, ...], door: Door, ledger: Ledger
) -> pl.DataFrame:
    form = group.form
    time_seconds = _time_seconds(form.time, form.types[form.time.index][1], door.time_zone)

    def read(positions: list[int]) -> pl.DataFrame:
        paths = [group.requests[one].file for one in positions]
        shown = [str(path) for path in paths]
        file = pl.col("path").replace_strict(shown, positions, return_dtype=pl.Int32)
        scan = pl.scan_parquet(
            paths, include_file_paths="path", glob=False, hive_partitioning=False
        )
        values = [
            pl.col(form.types[field.index][0]).cast(field.dtype).alias(field.column)
            for field in fields
        ]
        return scan.select(file.alias("file"), time_seconds.alias("seconds"), *values).collect()

    parts, culprits = read_halving(sorted(group.requests), read)
    rows = pl.concat(parts) if parts else pl.DataFrame(schema=raw_schema(fields))
    rows, unclear = without_unclear(rows, fields)
    parts = [rows]
    for file in sorted({*culprits, *unclear}):
        try:
            clean = clean_rows(_texts(group, file, fields, door), door.unreadable_share)
        except LogRefusedError as error:
            ledger.refuse(group.requests[file].path, error)
            continue
        ledger.refusals += clean.refusals
        ledger.notices += clean.notices
        parts.append(clean.rows.select(pl.lit(file, pl.Int32).alias("file"), pl.all()))
    return pl.concat(parts)


def _texts(group: LogGroup, file: int, fields: tuple[Field, ...], door: Door) -> TextRows:
    """The rows of one log as texts, with the seconds that their time means."""
    form, request = group.form, group.requests[file]
    time_seconds = _time_seconds(form.time, form.types[form.time.index][1], door.time_zone)
    texts = [
        pl.col(form.types[field.index][0]).cast(pl.String).alias(field.column) for field in fields
    ]
    try:
        rows = (
            pl.scan_parquet(request.file, glob=False, hive_partitioning=False)
            .select(
                pl.int_range(1, pl.len() + 1).alias("line"),
                pl.col(form.time.name).cast(pl.String).alias("time_text"),
                time_seconds.alias("seconds"),
                *texts,
            )
            .collect()
        )
    except SCAN_ERRORS as error:
        raise damaged_parquet() from error
    return TextRows(request.path, rows, form.time.name, fields)
