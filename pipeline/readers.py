"""The door for log files: many logs in, canonical samples and a verdict per file out.

Holds `read_logs` and its result `LogBatch`. Logs of one form are read together; a log
that cannot be read costs only itself and is refused with a sentence. Does not belong
here: what is done per kind of file (`text_logs`, `json_logs`, `parquet_logs`, `mdf_logs`),
storing (`ingest`).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import polars as pl

from features.channels import SAMPLES, channels_in
from features.tables import Column, Table
from pipeline.finishing import finish_group
from pipeline.json_logs import read_json_logs
from pipeline.log_requests import Door, LogRequest
from pipeline.mdf_logs import read_mdf_logs
from pipeline.parquet_logs import read_parquet_group, sort_parquet_logs
from pipeline.raw_logs import Ledger
from pipeline.refusals import NOTICES, REFUSALS, LogRefusedError
from pipeline.text_logs import read_text_group, sort_text_logs
from pipeline.workspace import kind_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from pipeline.column_plans import ColumnUse
    from pipeline.raw_logs import LogGroup, WideRows

__all__ = ["NOTICES", "READINGS", "REFUSALS", "Door", "LogBatch", "LogRequest", "read_logs"]

READINGS = Table(
    "readings",
    "one row per log asked for",
    ("path",),
    (
        Column("path", pl.String(), "", "the log file, relative to the logs folder"),
        Column("test_id", pl.String(), "", "the test it becomes"),
        Column("profile", pl.String(), "", "the profile it was read by; null: not recognised"),
        Column("outcome_code", pl.String(), "", "read or refused"),
        Column("n_rows", pl.Int64(), "1", "samples read"),
        Column("first_time", pl.Datetime("us", "UTC"), "", "first sample, where the log tells"),
        Column("duration_s", pl.Float64(), "s", "time from the first to the last sample"),
        Column("channels", pl.String(), "", "channels with values, separated by blanks"),
    ),
)


@dataclass(frozen=True)
class LogBatch:
    """Logs read together.

    Attributes
    ----------
    samples : DataFrame
        `SAMPLES`, with only those channels that some log has; rows in the order of the
        requests, within a log in the order of the file.
    readings : DataFrame
        `READINGS`, one row per request, in their order.
    refusals : DataFrame
        `REFUSALS`: files and columns that were not read.
    notices : DataFrame
        `NOTICES`: what else should be known of the files.
    columns : mapping of str to tuple of ColumnUse
        By path: the columns that were read, as the file calls them, with channel and unit.
    """

    samples: pl.DataFrame
    readings: pl.DataFrame
    refusals: pl.DataFrame
    notices: pl.DataFrame
    columns: Mapping[str, tuple[ColumnUse, ...]]


def read_logs(requests: Sequence[LogRequest], door: Door) -> LogBatch:
    """Samples of the logs asked for; a few hundred at a time keep the memory small.

    Parameters
    ----------
    requests : sequence of LogRequest
        The logs.
    door : Door
        How to read them.

    Returns
    -------
    LogBatch
        Bad files and columns are rows of its `refusals`; they raise nothing.
    """
    ledger = Ledger()
    samples: list[pl.DataFrame] = []
    readings: dict[int, dict[str, object]] = {}
    columns: dict[str, tuple[ColumnUse, ...]] = {}
    with TemporaryDirectory(prefix="chillroster-") as scratch:
        for group, wide in _read_groups(requests, door, Path(scratch), ledger):
            part, rows = finish_group(group, wide, door, ledger)
            samples.append(part)
            readings |= rows
            columns |= {group.requests[file].path: wide.plan.uses for file in wide.files}
    _refuse_unread(requests, readings, ledger)
    refusals, notices = ledger.frames()
    kept = [part for part in samples if part.height]
    frame = _readings_frame(requests, readings)
    return LogBatch(_stack(kept, requests), frame, refusals, notices, columns)


def _read_groups(
    requests: Sequence[LogRequest], door: Door, scratch: Path, ledger: Ledger
) -> Iterator[tuple[LogGroup, WideRows]]:
    """Raw rows of every group of logs, text files first."""
    kinds: dict[str, dict[int, LogRequest]] = {"text": {}, "json": {}, "parquet": {}, "mdf": {}}
    for file, request in enumerate(requests):
        kinds[kind_of(request.file.name)][file] = request
    for text_group in sort_text_logs(kinds["text"], door, scratch, ledger):
        for wide in read_text_group(text_group, door, ledger):
            yield text_group.group, wide
    yield from read_json_logs(kinds["json"], door, scratch, ledger)
    for group in sort_parquet_logs(kinds["parquet"], door, ledger):
        for wide in read_parquet_group(group, door, ledger):
            yield group, wide
    yield from read_mdf_logs(kinds["mdf"], door, ledger)


def _stack(parts: Sequence[pl.DataFrame], requests: Sequence[LogRequest]) -> pl.DataFrame:
    """The samples of all groups as `SAMPLES`, in the order of the requests."""
    if not parts:
        return SAMPLES.empty().select("test_id", "time_s")
    # groups hold whole logs, so a stable sort by log keeps the order within each
    stacked = parts[0] if len(parts) == 1 else pl.concat(parts, how="diagonal")
    if not stacked["file"].is_sorted():
        stacked = stacked.sort("file", maintain_order=True)
    test_ids = pl.Series("test_id", [request.test_id for request in requests], pl.String)
    named = stacked.with_columns(test_ids.gather(stacked["file"]))
    return named.select("test_id", "time_s", *channels_in(named))


def _refuse_unread(
    requests: Sequence[LogRequest], readings: Collection[int], ledger: Ledger
) -> None:
    """Refuse every log that gave no reading and was not refused already."""
    refused = {objection.path for objection in ledger.refusals if objection.column_name is None}
    for file, request in enumerate(requests):
        if file not in readings and request.path not in refused:
            ledger.refuse(request.path, _nothing_usable())


def _nothing_usable() -> LogRefusedError:
    return LogRefusedError(
        "no_usable_channel",
        "The log holds no reading that can be used: every column is empty, refused or unknown.",
        place="all columns",
        hint="See what is said of its columns; name their channels and units in the header or "
        "in a profile.",
    )


def _readings_frame(
    requests: Sequence[LogRequest], readings: Mapping[int, dict[str, object]]
) -> pl.DataFrame:
    rows = [
        {
            "path": request.path,
            "test_id": request.test_id,
            "outcome_code": "refused",
            "n_rows": 0,
            **readings.get(file, {}),
        }
        for file, request in enumerate(requests)
    ]
    return pl.DataFrame(rows, schema=READINGS.schema)
