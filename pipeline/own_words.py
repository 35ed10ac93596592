"""Remarks on what logs say of their own test: where the registry says otherwise, what is not used.

Takes logs that were read, gives rows of `NOTICES`. A row of the registry always counts;
where header or file name contradict it, that is told, because one of the two is the wrong
car or the wrong file. Does not belong here: logs without a row (`assignment`).
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.log_peeks import peek
from pipeline.log_requests import LogRequest
from pipeline.refusals import NOTICES, LogRefusedError, Objection, objections_frame
from pipeline.registry_cells import parse_cells
from pipeline.registry_tables import TEST_ENTRIES
from pipeline.stated import stated_by

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pipeline.ingest_plan import PlannedLog
    from pipeline.log_batches import Workshop
    from pipeline.profiles import Profile
    from pipeline.stated import Stated

# A log may be started some minutes after the entry in the book (common practice, no source).
_SAME_START_S = 900.0
# the settings may stand in for a row without altitude, and they contradict nobody
_NOT_COMPARED = ("altitude_m",)


def remarks_on(
    batch: Sequence[PlannedLog], readings: pl.DataFrame, workshop: Workshop
) -> pl.DataFrame:
    """The remarks on the logs of a batch that were read."""
    profiles = {profile.name: profile for profile in workshop.door.profiles}
    read_by = dict(
        readings.filter(pl.col("outcome_code") == "read").select("path", "profile").iter_rows()
    )
    remarks: list[Objection] = []
    for log in batch:
        if log.file.path not in read_by:
            continue
        remarks += [_not_used(log, remark) for remark in log.remarks]
        profile = profiles[read_by[log.file.path]]
        if log.has_registry_row and profile.states_tests:
            stated = _stated(log, profile, workshop)
            remarks += _contradictions(log, stated, workshop.door.time_zone)
    return objections_frame(NOTICES, remarks)


def _stated(log: PlannedLog, profile: Profile, workshop: Workshop) -> Stated:
    path = log.file.path
    if not profile.from_header:
        return stated_by(profile, path, {})
    request = LogRequest(path, workshop.logs_folder / path, log.test_id, profile.name)
    try:
        with TemporaryDirectory(prefix="chillroster-") as scratch:
            return stated_by(profile, path, peek(request, workshop.door, Path(scratch)).fields)
    except LogRefusedError:
        # it was read a moment ago; if it is gone now, there is nothing to compare
        return stated_by(profile, path, {})


def _contradictions(log: PlannedLog, stated: Stated, zone: str) -> Iterator[Objection]:
    for entry in TEST_ENTRIES.entries:
        text, row = stated.values.get(entry.name), log.context.get(entry.name)
        if not text or row is None or entry.name in _NOT_COMPARED:
            continue
        series = pl.Series(entry.name, [text.strip()], pl.String)
        value = parse_cells(series, entry.kind, zone=zone, decimal_comma=False)[0]
        if value is not None and _differs(value, row):
            source = stated.sources[entry.name]
            yield Objection(
                log.file.path,
                None,
                "registry_contradicted",
                f"`{entry.name}` is {text!r} by {source}, and {_shown(row)!r} by the registry's "
                "row, which counts.",
                source.removeprefix("the "),
                "Find out which is right: correct the row in registry/tests, or whoever named or "
                "set up the log.",
            )


def _differs(stated: Any, row: Any) -> bool:
    if isinstance(stated, datetime):
        return bool(abs((stated - row).total_seconds()) > _SAME_START_S)
    if isinstance(stated, float):
        return bool(abs(stated - row) > 1e-6 * max(1.0, abs(row)))
    if isinstance(stated, str):
        return stated.strip().casefold() != str(row).strip().casefold()
    return bool(stated != row)


def _shown(value: Any) -> str:
    return value.isoformat(" ") if isinstance(value, datetime) else str(value)


def _not_used(log: PlannedLog, remark: str) -> Objection:
    return Objection(
        log.file.path,
        None,
        "own_word_not_used",
        f"No row of the registry names this log; it says itself which test it is, but {remark}, "
        "and that is left out.",
        "header or file name",
        "Add a row for the log to registry/tests, which then counts.",
    )
