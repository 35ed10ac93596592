"""Rebuild: a new store from the raw files, swapped in when it is complete.

Takes a workspace, gives the same summary as a run. The old store serves readers until
the new one stands, and stays if the rebuild fails. What cannot come from raw files (the
notes of earlier runs, of what they changed and why) is carried over; logs that are gone from
disk are not. Does not belong here: the steps themselves (`run`, `ingest`, `assess`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.inputs import read_inputs
from pipeline.lock import hold_lock
from pipeline.migration import open_migrated
from pipeline.publish import publish
from pipeline.run import Order, StoreSummary, store_limits, take_steps
from pipeline.store_faults import StoreError, StoreLockedError
from pipeline.store_files import put_in_place, remove_store
from pipeline.store_tables import KEPT_TABLES, STORE_TABLES
from pipeline.warehouse import Replacement, open_store

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.inputs import Inputs
    from pipeline.progress import Progress
    from pipeline.workspace import Workspace


def rebuild(workspace: Workspace, order: Order, progress: Progress) -> StoreSummary:
    """Make the store anew from raw files and registry, and publish it."""
    inputs = read_inputs(workspace)
    unfinished = workspace.rebuilding_file
    with hold_lock(workspace.work_folder / "lock", f"chillroster {order.command}"):
        remove_store(unfinished)
        try:
            summary = _build(workspace, order, inputs, unfinished, progress)
            put_in_place(unfinished, workspace.store_file)
        finally:
            remove_store(unfinished)
        publish(workspace.store_file, workspace.published_file)
    return summary


def _build(
    workspace: Workspace, order: Order, inputs: Inputs, path: Path, progress: Progress
) -> StoreSummary:
    limits = store_limits(workspace, inputs.settings)
    with open_store(path, STORE_TABLES, limits) as store:
        kept = _kept(workspace, inputs)
        if kept:
            store.replace(kept)
        steps = take_steps(workspace, order, store, inputs, progress)
        store.checkpoint()
    return StoreSummary(*steps, inputs.notices, is_published=True)


def _kept(workspace: Workspace, inputs: Inputs) -> list[Replacement]:
    """What only the old store knows; nothing when there is none that can be read."""
    if not workspace.store_file.exists():
        return []
    limits = store_limits(workspace, inputs.settings)
    try:
        # opened for writing, so that its journal is written into it before it is replaced
        store, _ = open_migrated(workspace.store_file, STORE_TABLES, limits)
        with store:
            return [Replacement(table, store.read(table.name)) for table in KEPT_TABLES]
    except StoreLockedError:
        raise
    except StoreError:
        return []
