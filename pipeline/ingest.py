"""Ingest: brings the store up to date with the log files and the registry.

Takes a workspace, what a person wrote (`inputs.Inputs`) and an open store; writes the
rows of new and changed logs, batch by batch, each log together with its `logs` row in
one transaction, and gives a summary. Raw files are only read. Does not belong here: the
decision what to do (`ingest_plan`), reading and deriving (`log_batches`), SQL.

What happens to rows already stored
- a changed file replaces its own rows, and no others;
- a changed file that can no longer be read is listed in `rejected`, and the rows of its
  earlier content are kept, because no file holds them any more;
- a file that is gone from disk keeps its rows until `chillroster rebuild`; moved to
  another path it is the same test and is stored once;
- a file whose registry row is gone, or whose model is refused, loses its rows: the file
  is still there to be read again.
"""

from __future__ import annotations

from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from pipeline.assignment import assign_logs
from pipeline.fingerprints import code_fingerprint, hash_logs, hash_values
from pipeline.ingest_plan import plan_ingest
from pipeline.log_batches import Workshop, batches
from pipeline.log_context import log_contexts
from pipeline.log_rows import batch_replacements, unread_replacements
from pipeline.log_workers import LogWorkers, useful_workers, worked_out_in_order
from pipeline.registry_tables import REGISTRY_TABLES
from pipeline.store_schema import schema_fingerprint
from pipeline.store_tables import STORE_TABLES
from pipeline.warehouse import Replacement
from pipeline.workspace import list_logs

if TYPE_CHECKING:
    from pipeline.fingerprints import LogFile
    from pipeline.ingest_plan import Plan
    from pipeline.inputs import Inputs
    from pipeline.paste_rows import Unassigned
    from pipeline.progress import Progress
    from pipeline.store_settings import StoreSettings
    from pipeline.warehouse import Warehouse
    from pipeline.workspace import Workspace


@dataclass(frozen=True)
class IngestSummary:
    """What an ingest did: logs by outcome, and rows written.

    `n_new`, `n_changed`, `n_unchanged`, `n_refused` and the logs held as `unassigned` add
    up to `n_logs`.
    """

    n_new: int = 0
    n_changed: int = 0
    n_unchanged: int = 0
    n_refused: int = 0
    n_missing: int = 0
    n_vanished: int = 0
    n_rows_written: int = 0
    unassigned: tuple[Unassigned, ...] = ()
    n_workers_ended: int = 0

    @property
    def n_logs(self) -> int:
        """Log files found."""
        read_or_not = self.n_new + self.n_changed + self.n_unchanged + self.n_refused
        return read_or_not + len(self.unassigned)

    @property
    def n_stored(self) -> int:
        """Logs stored by this ingest."""
        return self.n_new + self.n_changed

    @property
    def text(self) -> str:
        """The summary in one line."""
        outcomes: tuple[str, ...] = (
            f"{self.n_new} new",
            f"{self.n_changed} changed",
            f"{self.n_unchanged} unchanged",
            f"{self.n_refused} refused",
        )
        if self.unassigned:
            outcomes = (*outcomes, f"{len(self.unassigned)} unassigned")
        parts = [f"{self.n_logs} logs: {', '.join(outcomes)}"]
        if self.n_missing:
            parts.append(f"{self.n_missing} named in the registry but not found under logs/")
        if self.n_vanished:
            parts.append(f"{self.n_vanished} stored earlier but gone from disk (kept)")
        if self.n_workers_ended:
            parts.append(
                f"{self.n_workers_ended} times a process that read logs ended before it was done "
                "(its logs were read again)"
            )
        return "; ".join(parts) + "."


@dataclass(frozen=True)
class _Done:
    """What became of the logs to read: rows written, paths stored, workers lost on the way."""

    n_rows: int
    read: frozenset[str]
    n_ended: int


def ingest(
    workspace: Workspace,
    inputs: Inputs,
    store: Warehouse,
    progress: Progress,
    *,
    is_debugging: bool = False,
) -> IngestSummary:
    """Bring the store up to date with logs and registry; returns what was done."""
    files = hashed_logs(workspace, progress)
    assignment = assign_logs(files, workspace, inputs)
    contexts = log_contexts(assignment.added_to(inputs.registry), inputs.settings.site.altitude_m)
    plan = plan_ingest(files, contexts, store.read("logs"), _common_hash(inputs), assignment)
    n_rows = _store_registry(store, inputs)
    n_rows += _store_unread(store, plan)
    workshop = Workshop.of(workspace, inputs, is_debugging=is_debugging)
    done = _read_and_store(plan, workshop, inputs.settings.store, store, progress)
    return _summary(plan, done, n_rows + done.n_rows)


def hashed_logs(workspace: Workspace, progress: Progress) -> list[LogFile]:
    """The log files of a workspace as they are on disk now, in order of path."""
    paths = list_logs(workspace)
    progress.begin("Looking at files", len(paths))
    files = []
    for file in hash_logs(paths, [workspace.logs_folder / path for path in paths]):
        files.append(file)
        progress.advance()
    return files


def _common_hash(inputs: Inputs) -> str:
    """Fingerprint of what the rows of every log depend on besides its file and registry row."""
    settings = inputs.settings
    return hash_values(
        settings.time_zone,
        settings.site.model_dump(mode="json"),
        settings.reading.model_dump(mode="json"),
        settings.derivation.model_dump(mode="json"),
        [profile.model_dump(mode="json") for profile in inputs.profiles],
        inputs.registry.instruments.rows(),
        schema_fingerprint(STORE_TABLES),
        code_fingerprint("features", "pipeline"),
    )


def _store_registry(store: Warehouse, inputs: Inputs) -> int:
    """Replace the registry tables that differ from what is stored; returns rows written."""
    changed = [
        Replacement(table, getattr(inputs.registry, name))
        for name, table in REGISTRY_TABLES.items()
        if not _has_same_rows(store.read(name), table.conform(getattr(inputs.registry, name)))
    ]
    return store.replace(changed) if changed else 0


def _has_same_rows(one: pl.DataFrame, other: pl.DataFrame) -> bool:
    return one.sort(one.columns).equals(other.sort(one.columns))


def _store_unread(store: Warehouse, plan: Plan) -> int:
    replacements = unread_replacements(plan, store.read("rejected"))
    return store.replace(replacements) if replacements else 0


def _read_and_store(
    plan: Plan, workshop: Workshop, settings: StoreSettings, store: Warehouse, progress: Progress
) -> _Done:
    """Work out the logs of the plan, later batches while earlier ones are stored."""
    n_bytes = sum(log.file.size_bytes for log in plan.to_read)
    # whoever hunts a fault wants it in the process that he watches
    n_workers = 1 if workshop.is_debugging else useful_workers(settings.workers, n_bytes)
    planned = batches(
        plan.to_read, settings.batch_logs, settings.batch_megabytes, workshop.logs_folder
    )
    progress.begin("Reading logs", len(plan.to_read))
    n_rows, read = 0, set[str]()
    with (
        LogWorkers(workshop, n_workers) as workers,
        closing(worked_out_in_order(planned, workers.work_out, n_workers)) as worked_out,
    ):
        for batch, rows in worked_out:
            n_rows += store.replace(batch_replacements(batch, rows, plan.moved))
            read.update(rows.readings.filter(pl.col("outcome_code") == "read")["path"])
            progress.advance(len(batch))
    return _Done(n_rows, frozenset(read), workers.n_ended)


def _summary(plan: Plan, done: _Done, n_rows: int) -> IngestSummary:
    read = done.read
    stored = [log for log in plan.to_read if log.file.path in read]
    n_changed = sum(log.stored is not None for log in stored)
    outcomes = Counter(row["outcome_code"] for row in plan.unchanged)
    return IngestSummary(
        n_new=len(stored) - n_changed,
        n_changed=n_changed,
        n_unchanged=outcomes["stored"],
        n_refused=len(plan.to_read) - len(stored) + len(plan.complaints) + outcomes["refused"],
        n_missing=len(plan.missing),
        n_vanished=len(plan.vanished),
        n_rows_written=n_rows,
        unassigned=plan.held,
        n_workers_ended=done.n_ended,
    )
