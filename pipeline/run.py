"""Run: the steps of a command in their order, under the writer lock, then publishing.

Takes a workspace and what is asked for, gives a summary. Readers (`report`, `explain`,
`export`) only ever open the published snapshot. Does not belong here: what a step does
(`ingest`, `assess`), and options of the command line (`cli`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC
from typing import TYPE_CHECKING

import polars as pl

from pipeline.fingerprints import code_fingerprint, code_version, hash_values
from pipeline.ingest import IngestSummary, ingest
from pipeline.inputs import Inputs, read_inputs
from pipeline.lock import hold_lock
from pipeline.migration import MIGRATED, open_migrated
from pipeline.problems import Problem
from pipeline.publish import publish
from pipeline.state_changes import change_lines
from pipeline.store_faults import StoreError, StoreLockedError
from pipeline.store_files import remove_store
from pipeline.store_tables import RUNS, STORE_TABLES
from pipeline.warehouse import (
    Replacement,
    StoreLimits,
    Warehouse,
    open_store,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from pathlib import Path

    from pipeline.assess import AssessSummary
    from pipeline.paste_rows import Unassigned
    from pipeline.progress import Progress
    from pipeline.settings import Settings
    from pipeline.workspace import Workspace

_REASONS_SHOWN = 10


@dataclass(frozen=True)
class Order:
    """What a command asks for.

    `command` is its name as typed, `clock` the instant that it takes for now; `is_refit`
    fits the baselines anew, due or not.
    """

    command: str
    clock: datetime
    does_ingest: bool = True
    does_assess: bool = True
    is_debugging: bool = False
    is_refit: bool = False


@dataclass(frozen=True)
class StoreSummary:
    """What became of the store; a step that was not asked for is None."""

    ingest: IngestSummary | None
    assess: AssessSummary | None
    rejected: pl.DataFrame
    notices: tuple[Problem, ...]
    is_published: bool

    @property
    def n_rows_written(self) -> int:
        """Rows written by all steps."""
        return sum(step.n_rows_written for step in (self.ingest, self.assess) if step)

    @property
    def n_refused(self) -> int:
        """Files and columns refused, and logs held."""
        held = self.ingest.unassigned if self.ingest else ()
        return self.rejected.height + len(held)

    @property
    def lines(self) -> list[str]:
        """The summary for the terminal: each step, what was refused, whether readers see it."""
        steps = [step.text for step in (self.ingest, self.assess) if step]
        refused = refusal_lines(self.rejected) if self.ingest else []
        refused += unassigned_lines(self.ingest.unassigned) if self.ingest else []
        moved = change_lines(self.assess.changed) if self.assess else []
        news = f"{self.n_rows_written} rows written" if self.is_published else "nothing changed"
        notices = [notice.text for notice in self.notices]
        return [*notices, *steps, *moved, *refused, f"warehouse.duckdb: {news}."]


def unassigned_lines(held: Sequence[Unassigned]) -> list[str]:
    """The logs that wait for their row: why, and the row to add, all that there are."""
    if not held:
        return []
    lines = ["Unassigned, held until the registry says which test each is:"]
    lines += [f"  {log.path}: {log.sentence} {log.hint}" for log in held[:_REASONS_SHOWN]]
    if len(held) > _REASONS_SHOWN:
        rest = len(held) - _REASONS_SHOWN
        lines.append(f"  and {rest} more: `chillroster export --table unassigned`")
    by_header: dict[str, list[str]] = {}
    for log in held:
        by_header.setdefault(log.columns, []).append(log.row)
    lines.append("  Rows to add to registry/tests:")
    for header, rows in by_header.items():
        lines += [f"    {header}", *(f"    {row}" for row in rows)]
    return lines


def refusal_lines(rejected: pl.DataFrame) -> list[str]:
    """What was refused and why, whole files first; files with the same complaint together."""
    return objection_lines("Refused", rejected, "rejected")


def objection_lines(title: str, objections: pl.DataFrame, table: str) -> list[str]:
    """Complaints or remarks under a title; `table` is the stored one that has all of them."""
    if objections.is_empty():
        return []
    reasons = (
        objections.sort(pl.col("column_name").is_not_null(), "path", maintain_order=True)
        .group_by("column_name", "sentence", "hint", maintain_order=True)
        .agg(pl.col("path").first(), pl.len().alias("count"))
    )
    lines = [f"{title}:"]
    for row in reasons.head(_REASONS_SHOWN).iter_rows(named=True):
        others = f" and {row['count'] - 1} more" if row["count"] > 1 else ""
        column = f", column {row['column_name']}" if row["column_name"] else ""
        lines.append(f"  {row['path']}{others}{column}: {row['sentence']} {row['hint'] or ''}")
    if reasons.height > _REASONS_SHOWN:
        rest = reasons.height - _REASONS_SHOWN
        lines.append(f"  and {rest} other reasons: `chillroster export --table {table}`")
    return [line.rstrip() for line in lines]


def update_store(
    workspace: Workspace, order: Order, progress: Progress, inputs: Inputs | None = None
) -> StoreSummary:
    """Bring the store up to date and publish it, when anything changed.

    Settings and registry are read and checked first: with a problem in them, nothing is
    stored at all.
    """
    inputs = inputs or read_inputs(workspace)
    with hold_lock(workspace.work_folder / "lock", f"chillroster {order.command}"):
        remove_store(workspace.rebuilding_file)  # of a rebuild that was killed
        limits = store_limits(workspace, inputs.settings)
        opened, is_migrated = open_migrated(workspace.store_file, STORE_TABLES, limits)
        with opened as store:
            steps = take_steps(workspace, order, store, inputs, progress)
            store.checkpoint()
            state = store.state
        is_published = state != published_state(workspace, inputs.settings)
        if is_published:
            publish(workspace.store_file, workspace.published_file)
    notices = (*inputs.notices, *([_migrated(workspace)] if is_migrated else []))
    return StoreSummary(*steps, notices, is_published)


def _migrated(workspace: Workspace) -> Problem:
    return Problem("store_migrated", MIGRATED, workspace.shown(workspace.store_file))


def take_steps(
    workspace: Workspace, order: Order, store: Warehouse, inputs: Inputs, progress: Progress
) -> tuple[IngestSummary | None, AssessSummary | None, pl.DataFrame]:
    """The steps asked for, on an open store, and a row of `RUNS` when they changed it."""
    before = store.generation
    ingested = (
        ingest(workspace, inputs, store, progress, is_debugging=order.is_debugging)
        if order.does_ingest
        else None
    )
    assessed = _assess(workspace, store, order, inputs, progress) if order.does_assess else None
    if store.generation != before:
        n_rows = sum(step.n_rows_written for step in (ingested, assessed) if step)
        note = _run_row(store, order, inputs.settings, n_rows, ingested)
        store.replace([Replacement(RUNS, note, "run_number", ())])
    return ingested, assessed, store.read("rejected")


def _assess(
    workspace: Workspace, store: Warehouse, order: Order, inputs: Inputs, progress: Progress
) -> AssessSummary:
    # an ingest alone needs no statistics
    from pipeline.assess import assess  # noqa: PLC0415
    from pipeline.recurrence_step import update_recurrences  # noqa: PLC0415
    from pipeline.standing import Task  # noqa: PLC0415
    from pipeline.warn import update_warnings  # noqa: PLC0415

    task = Task(workspace, inputs.settings, order.clock, order.is_refit)
    judged = assess(store, task, progress)
    n_rows = update_recurrences(store, inputs.settings.recurrence, order.clock, progress)
    n_rows += update_warnings(store, inputs.settings, order.clock, progress)
    return replace(judged, n_rows_written=judged.n_rows_written + n_rows)


def open_published(workspace: Workspace, settings: Settings) -> Warehouse:
    """The published snapshot, for reading.

    Raises
    ------
    StoreError
        Nothing was published yet, or by another version.
    """
    limits = store_limits(workspace, settings)
    return open_store(workspace.published_file, STORE_TABLES, limits, read_only=True)


def published_state(workspace: Workspace, settings: Settings) -> str | None:
    """The state of the store that was published last; None when that cannot be told."""
    try:
        with open_published(workspace, settings) as store:
            return store.state
    except StoreLockedError:
        raise
    except StoreError:
        return None


def store_limits(workspace: Workspace, settings: Settings) -> StoreLimits:
    """The limits that the workspace's settings put on the database."""
    return StoreLimits(
        settings.store.memory_limit,
        settings.store.threads,
        _temp_folder(workspace),
        settings.store.temp_limit,
    )


def _temp_folder(workspace: Workspace) -> Path:
    return workspace.work_folder / "temp"


def _run_row(
    store: Warehouse,
    order: Order,
    settings: Settings,
    n_rows: int,
    ingested: IngestSummary | None,
) -> pl.DataFrame:
    logs = store.read("logs")
    stored = logs.filter(pl.col("outcome_code") == "stored")
    return RUNS.conform(
        pl.DataFrame(
            {
                "run_number": [store.counts()["runs"] + 1],
                "command": [order.command],
                "clock": [order.clock.astimezone(UTC)],
                "code_version": [code_version()],
                "code_hash": [code_fingerprint("features", "models", "pipeline")],
                "settings_hash": [hash_values(settings.model_dump(mode="json"))],
                "logs_hash": [hash_values(stored.select("path", "inputs_hash").rows())],
                "n_logs_stored": [ingested.n_stored if ingested else 0],
                "n_logs_refused": [logs.filter(pl.col("outcome_code") == "refused").height],
                "n_rows_written": [n_rows],
            }
        )
    )
