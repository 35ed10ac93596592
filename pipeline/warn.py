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
from models.recurrence.settings import RecurrenceSettings
from pipeline.fingerprints import hash_values
from pipeline.store_tables import WARNING_TABLES
from pipeline.warehouse import Replacement

if TYPE_CHECKING:
    from datetime import datetime

    from models.settings import AssessmentSettings
    from pipeline.warehouse import Warehouse

# The fact under which the store notes what its warnings were made from.
_FACT = "warning_inputs"


def store_warnings(
    store: Warehouse, settings: AssessmentSettings, as_of: datetime, judged_from: str
) -> int:
    """Bring the warnings in the store up to date; returns the rows written.

    `judged_from` is the fingerprint of the judgement that the store holds.
    """
    recurrence = RecurrenceSettings()
    volumes = store.read("volumes")
    repairs = store.read("repairs")
    reported = repairs.filter(pl.col("reported_at") <= as_of).height
    made_from = hash_values(
        judged_from, volumes.rows(), reported, recurrence.model_dump(mode="json")
    )
    if store.fact(_FACT) == made_from:
        return 0
    records = ClaimRecords(
        store.read("vehicles"), store.read("models"), repairs, volumes, store.read("context")
    )
    judged = (store.read("residuals"), store.read("causes"))
    found = find_warnings(judged, records, (settings, recurrence), as_of)
    replacements = []
    for table in WARNING_TABLES:
        # in the order of the key, so that the order in which rows were found never shows
        rows = getattr(found, table.name).sort(table.key, nulls_last=True)
        if not rows.equals(store.read(table.name)):
            replacements.append(Replacement(table, rows))
    return store.replace(replacements, {_FACT: made_from})
