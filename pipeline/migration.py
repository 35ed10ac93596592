"""Migration: brings a store with the tables of another version to those of this one.

The raw log files are the truth: every log that is still on disk is read again. What only
the store holds (logs that are gone from disk, notes of earlier runs) is carried over. The
steps:
1. what the old store's journal holds is written into it;
2. a new store is made beside it, and rows are carried over column by column
   (`Warehouse.carry_over`), logs as to be read again; what the judgement was made from is
   left behind, so that it is made anew;
3. the complete new store takes the place of the old one, which until then stays as it is.
A store of a newer version is refused. Does not belong here: reading logs (`ingest`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.store_faults import OlderStoreError
from pipeline.store_tables import LOGS
from pipeline.warehouse import Replacement, make_store, open_store, settle_store

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from features.tables import Table
    from pipeline.warehouse import StoreLimits, Warehouse

MIGRATED = (
    "The store was made by another version of chillroster; what it held was carried over, and "
    "every log on disk is read again."
)


# No such hash can be, so that every log on disk is read again.
_STALE = pl.lit("carried over")


def open_migrated(
    path: Path, tables: Sequence[Table], limits: StoreLimits
) -> tuple[Warehouse, bool]:
    """The store at a path, brought to these tables where it had others; whether it had.

    Raises
    ------
    StoreError
        The store is newer than the program, damaged, or no store.
    """
    try:
        return open_store(path, tables, limits), False
    except OlderStoreError:
        settle_store(path, limits)
        make_store(path, tables, limits, earlier=path, fill=_carry)
        return open_store(path, tables, limits), True


def _carry(store: Warehouse) -> None:
    store.carry_over()
    store.replace([Replacement(LOGS, store.read(LOGS.name).with_columns(inputs_hash=_STALE))])
