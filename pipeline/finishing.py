"""One group of logs from raw rows to samples and readings, with what is said of its columns.

Takes raw wide rows and their plan, gives samples with the column `file` and one row of
`READINGS` per log that holds something. Does not belong here: reading files, units
(`conversion`).
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.clocks import unwrap_midnight
from pipeline.conversion import (
    count_unknown_switches,
    count_values,
    find_atmospheres,
    gauges_without_place,
    to_samples,
)
from pipeline.refusals import Objection
from pipeline.time_checks import refuse_impossible_times

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.column_plans import ColumnPlan, ColumnRemark
    from pipeline.log_requests import Door, LogRequest
    from pipeline.raw_logs import Ledger, LogGroup, WideRows

_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


def finish_group(
    group: LogGroup, wide: WideRows, door: Door, ledger: Ledger
) -> tuple[pl.DataFrame, dict[int, dict[str, object]]]:
    """Samples of one group with the column `file`, and its readings by position."""
    requests = {file: group.requests[file] for file in wide.files}
    _remark_columns(wide.plan, requests.values(), ledger)
    if not wide.plan.uses or wide.rows.is_empty():
        return pl.DataFrame(), {}
    raw = wide.rows
    if group.form.time.format_code == "clock":
        raw = raw.with_columns(unwrap_midnight(pl.col("seconds"), "file"))
    refused = refuse_impossible_times(raw, group.form.time)
    for file, error in refused.items():
        ledger.refuse(requests.pop(file).path, error)
    if refused:
        raw = raw.filter(~pl.col("file").is_in(list(refused)))
    if raw.is_empty():
        return pl.DataFrame(), {}
    atmospheres = find_atmospheres(raw, wide.plan, requests, door)
    ledger.refusals += gauges_without_place(wide.plan, atmospheres, requests)
    samples = to_samples(raw, wide.plan, atmospheres)
    ledger.notices += count_unknown_switches(raw, samples, wide.plan, requests)
    channels = [use.channel for use in wide.plan.uses]
    counts = count_values(samples, channels)
    readings = {
        row["file"]: _reading(row, channels, group)
        for row in counts.iter_rows(named=True)
        if any(row[channel] for channel in channels)
    }
    if len(readings) < counts.height:
        samples = samples.filter(pl.col("file").is_in(list(readings)))
    return samples.drop("first_s"), readings


def _reading(row: dict[str, Any], channels: list[str], group: LogGroup) -> dict[str, object]:
    is_absolute = group.form.time.is_absolute
    return {
        "profile": group.profile.name,
        "outcome_code": "read",
        "n_rows": row["n_rows"],
        "first_time": _EPOCH + dt.timedelta(seconds=row["first_s"]) if is_absolute else None,
        "duration_s": row["duration_s"],
        "channels": " ".join(sorted(channel for channel in channels if row[channel])),
    }


def _remark_columns(plan: ColumnPlan, requests: Iterable[LogRequest], ledger: Ledger) -> None:
    """Say of every log which columns are refused and which match no channel."""
    for request in requests:
        ledger.refusals += [_objection(request.path, remark) for remark in plan.refused]
        ledger.notices += [_objection(request.path, remark) for remark in plan.unused]


def _objection(path: str, remark: ColumnRemark) -> Objection:
    place = f"column {remark.name}"
    return Objection(path, remark.name, remark.code, remark.sentence, place, remark.hint)
