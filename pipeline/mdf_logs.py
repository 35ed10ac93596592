"""ASAM MDF 4 logs: several channel groups, each with its own time, as one log.

Takes log requests, gives raw wide rows. Units are those that the file states of each
channel, the start is that of the file's header, samples marked invalid are not known.
Groups of several sample rates are merged on time, with nulls between. Needs the optional
extra `mdf`. Does not belong here: soundness of the file (`mdf_blocks`), the meaning of a
channel's name and unit (`column_plans`).
"""

from __future__ import annotations

import logging
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from traceback import walk_tb
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from pipeline.clocks import TimeUse
from pipeline.column_plans import ColumnPlan, ColumnRemark, ColumnUse, plan_columns
from pipeline.mdf_blocks import check_mdf, damaged_mdf
from pipeline.raw_logs import LogForm, LogGroup, WideRows, value_name
from pipeline.recognition import candidates, fits_names, no_profile_fits
from pipeline.refusals import LogRefusedError, too_large

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from pipeline.log_requests import Door, LogRequest
    from pipeline.profiles import Profile
    from pipeline.raw_logs import Ledger

_TIME_MASTER = 1
_BYTES_PER_VALUE = 8


@dataclass(frozen=True)
class _Signal:
    """A channel of the file: its group and place there, its name and the unit it states."""

    group: int
    index: int
    name: str
    unit: str


def read_mdf_logs(
    requests: Mapping[int, LogRequest], door: Door, ledger: Ledger
) -> Iterator[tuple[LogGroup, WideRows]]:
    """Raw wide rows of each log; logs that cannot be read are refused."""
    for file, request in requests.items():
        try:
            yield _read(file, request, door)
        except LogRefusedError as error:
            ledger.refuse(request.path, error)


def _read(file: int, request: LogRequest, door: Door) -> tuple[LogGroup, WideRows]:
    check_mdf(request.file, door.largest_bytes)
    try:
        with open_mdf(request.file) as mdf:
            signals = signals_of(mdf)
            profile = profile_of(signals, request, door)
            plan = plan_columns(
                profile, [one.name for one in signals], [one.unit for one in signals]
            )
            start_s = _start_s(mdf, door.time_zone)
            rows, plan = _rows(mdf, signals, plan, door.largest_bytes)
    except (LogRefusedError, MemoryError):
        raise
    except Exception as error:  # the library raises whatever damage makes it raise
        _let_go(error)
        raise damaged_mdf(f"its library says {type(error).__name__}") from error
    time = TimeUse(-1, "time of the group", "seconds" if start_s is None else "epoch_s")
    shifted = rows.select(
        pl.lit(file, pl.Int32).alias("file"),
        pl.col("seconds") + (start_s or 0.0),
        pl.exclude("seconds"),
    )
    form = LogForm(profile.name, time)
    return LogGroup(profile, form, {file: request}), WideRows(shifted, plan, (file,))


@contextmanager
def open_mdf(file: Path) -> Iterator[Any]:
    """The file in the hands of the format's library.

    Raises
    ------
    LogRefusedError
        The library is not installed.
    """
    try:
        import asammdf  # noqa: PLC0415 - slow, optional
    except ImportError as error:
        raise LogRefusedError(
            "mdf_library_missing",
            "MDF 4 logs need the library asammdf, which is not installed.",
            hint="Install chillroster with its extra `mdf`: `pip install 'chillroster[mdf]'`, or "
            "export the log as CSV.",
        ) from error
    # what it would write to the terminal is told in a refusal
    logging.getLogger("asammdf").setLevel(logging.CRITICAL)
    # of a stream that is ours the library leaves nothing open when damage stops it half way
    with file.open("rb") as stream, asammdf.MDF(stream) as mdf:
        yield mdf


def _let_go(error: Exception) -> None:
    """Close what the library left half opened, and mark it so.

    It would try to close it when it is swept away, fail, and write to the terminal.
    """
    for frame, _ in walk_tb(error.__traceback__):
        parts = getattr(frame.f_locals.get("self"), "__dict__", {})
        if "_closed" in parts:
            parts["_closed"] = True
            if parts.get("_tempfile") is not None:
                parts["_tempfile"].close()


def signals_of(mdf: Any) -> list[_Signal]:
    """The channels of all groups that have a time, without the times themselves."""
    signals = []
    for number, group in enumerate(mdf.groups):
        master = mdf.masters_db.get(number)
        if master is None or group.channels[master].sync_type != _TIME_MASTER:
            continue
        for index, channel in enumerate(group.channels):
            if index != master:
                unit = channel.unit or (channel.conversion and channel.conversion.unit) or ""
                signals.append(_Signal(number, index, channel.name.strip(), unit.strip()))
    if not signals:
        raise LogRefusedError(
            "no_time_column",
            "No channel group has a time.",
            place="channel groups",
            hint="Export the log with time as the master channel of its groups.",
        )
    return signals


def profile_of(signals: list[_Signal], request: LogRequest, door: Door) -> Profile:
    """The profile that fits the channels of a file.

    Raises
    ------
    LogRefusedError
        None does.
    """
    names = [one.name for one in signals]
    for profile in candidates(door.profiles, "mdf", request.profile):
        if fits_names(profile, names):
            return profile
    raise no_profile_fits("an MDF file", "channels", names, "channel names")


def _start_s(mdf: Any, zone: str) -> float | None:
    """Seconds from 1970 to the start that the header states; None where it states none."""
    if not mdf.header.abs_time:
        return None
    started: datetime = mdf.start_time
    aware = started if started.tzinfo else started.replace(tzinfo=ZoneInfo(zone))
    return aware.astimezone(UTC).timestamp()


def _rows(
    mdf: Any, signals: list[_Signal], plan: ColumnPlan, largest_bytes: int
) -> tuple[pl.DataFrame, ColumnPlan]:
    """The samples of the channels used, and the plan without those that hold no readings."""
    by_group: dict[int, list[ColumnUse]] = {}
    for use in plan.uses:
        by_group.setdefault(signals[use.index].group, []).append(use)
    n_rows = sum(mdf.groups[group].channel_group.cycles_nr for group in by_group)
    if n_rows * (len(plan.uses) + 1) * _BYTES_PER_VALUE > largest_bytes:
        raise too_large(largest_bytes)
    parts, unfit = [], list[ColumnUse]()
    for group, uses in by_group.items():
        if not mdf.groups[group].channel_group.cycles_nr:
            # should it hold data all the same, the library would read it without end
            parts.append(_no_samples(uses))
            continue
        columns = {"seconds": pl.Series(mdf.get_master(group), dtype=pl.Float64).round(6)}
        for use in uses:
            values = _values(mdf, signals[use.index], use)
            if values is None:
                unfit.append(use)
            else:
                columns[value_name(use.index)] = values
        parts.append(pl.DataFrame(columns).filter(pl.col("seconds").is_finite()))
    return _merged(parts), _without(plan, unfit)


def _no_samples(uses: list[ColumnUse]) -> pl.DataFrame:
    """The columns of a group without records."""
    kinds = {value_name(use.index): pl.String if use.is_text else pl.Float64 for use in uses}
    return pl.DataFrame(schema={"seconds": pl.Float64, **kinds})


def _values(mdf: Any, signal: _Signal, use: ColumnUse) -> pl.Series | None:
    """The samples of a channel, null where marked invalid; None where they are no readings."""
    samples, invalid = mdf.get(
        group=signal.group, index=signal.index, samples_only=True, ignore_invalidation_bits=True
    )
    if samples.ndim != 1 or samples.dtype.names:
        return None
    is_number = samples.dtype.kind in "biuf"
    if not (is_number or use.is_text):
        return None
    if is_number:
        numbers = pl.Series(samples.astype(np.float64)).fill_nan(None)
        values = numbers.cast(pl.String) if use.is_text else numbers
    else:
        values = pl.Series([_word(one) for one in samples.tolist()], dtype=pl.String)
    if invalid is None:
        return values
    frame = pl.DataFrame({"value": values, "is_invalid": np.asarray(invalid, dtype=bool)})
    return frame.select(pl.when(~pl.col("is_invalid")).then("value").alias("value")).to_series()


def _word(sample: object) -> str:
    if isinstance(sample, bytes):
        return sample.decode("utf-8", "replace").strip("\0 ")
    return str(sample)


def _merged(parts: list[pl.DataFrame]) -> pl.DataFrame:
    """Groups of several sample rates as one frame, one row per instant.

    Raises
    ------
    LogRefusedError
        The time of a group goes back, so that the groups cannot be laid side by side.
    """
    if len(parts) <= 1:
        return parts[0] if parts else pl.DataFrame(schema={"seconds": pl.Float64})
    if any(not part["seconds"].is_sorted() for part in parts):
        raise LogRefusedError(
            "time_goes_back",
            "The time of a channel group goes back: the file holds more than one recording, or "
            "the logger's clock was set during the test.",
            place="channel groups",
            hint="Save each recording as a file of its own, with its own row in the registry.",
        )
    stacked = pl.concat(parts, how="diagonal").sort("seconds", maintain_order=True)
    return stacked.group_by("seconds", maintain_order=True).agg(
        pl.exclude("seconds").drop_nulls().first()
    )


def _without(plan: ColumnPlan, unfit: list[ColumnUse]) -> ColumnPlan:
    """The plan with channels refused whose samples are no readings."""
    refused = [
        ColumnRemark(
            use.name,
            "not_numbers",
            "The channel does not hold one number per sample.",
            "Export it as plain numbers.",
        )
        for use in unfit
    ]
    kept = tuple(use for use in plan.uses if use not in unfit)
    return replace(plan, uses=kept, refused=(*plan.refused, *refused))
