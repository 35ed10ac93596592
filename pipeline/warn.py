"""Warn: finds the early warnings from the judgement in the store and stores them.

Takes an open store, settings and the instant; calls `models.fleet_warnings` and replaces its
tables in one transaction. Nothing is computed when no input changed. Does not belong here: any
statistics, the judgement of single cars (`assess`), words (`warnings_text`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from models.fleet_warnings import find_warnings
from models.recurrence.exposure import ClaimRecords
from pipeline.assess import FACT as JUDGEMENT
from pipeline.fingerprints import hash_values
from pipeline.store_tables import WARNING_TABLES
from pipeline.warehouse import Replacement

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.progress import Progress
    from pipeline.settings import Settings
    from pipeline.warehouse import Warehouse

# The fact under which the store notes what its warnings were made from.
_FACT = "warning_inputs"


def update_warnings(
    store: Warehouse, settings: Settings, as_of: datetime, progress: Progress
) -> int:
    """Bring the warnings in the store up to date with its judgement; returns the rows written."""
    progress.begin("Watching cohorts and batches", 1)
    volumes, repairs = store.read("volumes"), store.read("repairs")
    reported = repairs.filter(pl.col("reported_at") <= as_of).height
    made_from = hash_values(
        # the judgement is made from registry, settings, code and day
        store.fact(JUDGEMENT), volumes.rows(), reported, settings.recurrence.model_dump(mode="json")
    )  # fmt: skip
    n_rows = 0
    if store.fact(_FACT) != made_from:
        records = ClaimRecords(
            store.read("vehicles"), store.read("models"), repairs, volumes, store.read("context")
        )
        judged = (store.read("residuals"), store.read("causes"))
        found = find_warnings(judged, records, (settings.assessment, settings.recurrence), as_of)
        replacements = []
        for table in WARNING_TABLES:
            # in the order of the key, so that the order in which rows were found never shows
            rows = getattr(found, table.name).sort(table.key, nulls_last=True)
            if not rows.equals(store.read(table.name)):
                replacements.append(Replacement(table, rows))
        n_rows = store.replace(replacements, {_FACT: made_from})
    progress.advance()
    return n_rows
