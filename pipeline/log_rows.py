"""From outcomes to rows: what to delete and insert for logs that were read or refused.

Takes planned logs with what became of them, gives `Replacement`s to be applied in one
transaction. Pure. Does not belong here: deciding what to read (`ingest_plan`), SQL.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.refusals import PASSING_CODES
from pipeline.store_tables import LOGS, NOTICES, PER_TEST_TABLES, REJECTED, UNASSIGNED
from pipeline.warehouse import Replacement

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.ingest_plan import Complaint, Plan, PlannedLog, RefusedLog
    from pipeline.log_batches import BatchRows

_TRY_AGAIN = "try again"
_KEPT = " What was stored of its earlier content is kept."


def batch_replacements(
    batch: Sequence[PlannedLog], rows: BatchRows, moved: Mapping[str, str]
) -> list[Replacement]:
    """All that storing one batch changes.

    `moved` gives the old path by test of logs that lie elsewhere now; the row of the old
    path goes when the test is stored under its new one.
    """
    readings = {row["path"]: row for row in rows.readings.iter_rows(named=True)}
    logs, gone_tests, kept = [], set[str](), set[str]()
    passing = set(rows.refusals.filter(_is_passing())["path"])
    for log in batch:
        reading = readings[log.file.path]
        if reading["outcome_code"] == "read":
            logs.append(_stored_row(log, reading))
            gone_tests |= _stored_tests(log) | ({log.test_id} & moved.keys())
        elif (log.holds_the_only_copy or log.file.path in passing) and _stored_tests(log):
            logs.append(_kept_row(log))
            kept.add(log.file.path)
        else:
            logs.append(_refused_row(log, log.context["vehicle_id"]))
            gone_tests |= _stored_tests(log)
        if log.file.path in passing:
            # no such hash can be: the next run tries again
            logs[-1]["inputs_hash"] = _TRY_AGAIN
    paths = tuple(log.file.path for log in batch)
    left = tuple(moved[test] for test in sorted(gone_tests & moved.keys()))
    refusals = _say_what_is_kept(rows.refusals, kept)
    return [
        *_by_test(rows.tables, gone_tests),
        Replacement(UNASSIGNED, UNASSIGNED.empty(), "path", paths + left),
        *_by_path(pl.DataFrame(logs, schema=LOGS.schema), refusals, rows.notices, paths + left),
    ]


def _is_passing() -> pl.Expr:
    """True means: a whole file was refused for a reason that may be gone the next time."""
    return pl.col("column_name").is_null() & pl.col("code").is_in(sorted(PASSING_CODES))


def unread_replacements(plan: Plan, rejected: pl.DataFrame) -> list[Replacement]:
    """All that changes without reading a log: refusals, files that are gone, empty rows.

    `rejected` is the stored table, compared so that an unchanged complaint is not written
    again.
    """
    replacements = []
    if plan.to_refuse or plan.forgotten:
        kept = {log.file.path for log in plan.to_refuse if _is_kept(log)}
        logs = [_kept_row(log) if _is_kept(log) else _unread_row(log) for log in plan.to_refuse]
        dropped = [log for log in plan.to_refuse if not _is_kept(log)]
        gone_tests = set[str]().union(*(_stored_tests(log) for log in dropped))
        paths = (*(log.file.path for log in plan.to_refuse), *plan.forgotten)
        complaints = complaint_rows(plan.complaints)
        held = [asdict(log.held) for log in plan.to_refuse if log.held is not None]
        waiting = UNASSIGNED.conform(pl.DataFrame(held))
        replacements += _by_test({}, gone_tests)
        replacements.append(Replacement(UNASSIGNED, waiting, "path", paths))
        replacements += _by_path(
            pl.DataFrame(logs, schema=LOGS.schema),
            _say_what_is_kept(complaints, kept),
            NOTICES.empty(),
            paths,
        )
    missing = complaint_rows(plan.missing).sort("path")
    known = rejected.filter(pl.col("code") == "log_file_missing").sort("path")
    if not missing.equals(known):
        replacements.append(Replacement(REJECTED, missing, "code", ("log_file_missing",)))
    return replacements


def _by_test(tables: Mapping[str, pl.DataFrame], gone: set[str]) -> list[Replacement]:
    return [
        Replacement(table, tables.get(table.name, table.empty()), "test_id", tuple(sorted(gone)))
        for table in PER_TEST_TABLES
    ]


def _by_path(
    logs: pl.DataFrame, refusals: pl.DataFrame, notices: pl.DataFrame, paths: tuple[str, ...]
) -> list[Replacement]:
    return [
        Replacement(REJECTED, refusals, "path", paths),
        Replacement(NOTICES, notices, "path", paths),
        Replacement(LOGS, logs, "path", paths),
    ]


def _stored_row(log: PlannedLog, reading: Mapping[str, Any]) -> dict[str, Any]:
    return {
        **_refused_row(log, log.context["vehicle_id"]),
        "outcome_code": "stored",
        "test_id": log.test_id,
        **{name: reading[name] for name in _READING_COLUMNS},
    }


_READING_COLUMNS = ("profile", "n_rows", "first_time", "duration_s", "channels")


def _refused_row(log: PlannedLog | RefusedLog, vehicle_id: str | None) -> dict[str, Any]:
    return {
        **dict.fromkeys(LOGS.schema),
        "path": log.file.path,
        "outcome_code": "refused",
        "vehicle_id": vehicle_id,
        "content_hash": log.file.content_hash,
        "inputs_hash": log.inputs_hash,
        "size_bytes": log.file.size_bytes,
    }


def _unread_row(log: RefusedLog) -> dict[str, Any]:
    row = _refused_row(log, log.vehicle_id)
    return row if log.held is None else {**row, "outcome_code": "unassigned"}


def _kept_row(log: PlannedLog | RefusedLog) -> dict[str, Any]:
    """The row as stored, with the hash of the inputs that failed, so that they are not retried."""
    return {**(log.stored or {}), "inputs_hash": log.inputs_hash}


def _is_kept(log: RefusedLog) -> bool:
    return log.holds_the_only_copy and bool(_stored_tests(log))


def _stored_tests(log: PlannedLog | RefusedLog) -> set[str]:
    """The test whose rows are stored for this log, if any."""
    if log.stored is None or log.stored["outcome_code"] != "stored":
        return set()
    return {log.stored["test_id"]}


def complaint_rows(complaints: Sequence[Complaint]) -> pl.DataFrame:
    """Complaints as rows of `REJECTED`."""
    rows = [asdict(complaint) for complaint in complaints]
    return REJECTED.conform(pl.DataFrame(rows))


def _say_what_is_kept(refusals: pl.DataFrame, kept: set[str]) -> pl.DataFrame:
    is_kept = pl.col("path").is_in(list(kept)) & pl.col("column_name").is_null()
    return refusals.with_columns(
        pl.when(is_kept).then(pl.col("sentence") + _KEPT).otherwise("sentence").alias("sentence")
    )
