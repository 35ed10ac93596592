"""Recurrence in the store: recurring failures told anew when what they rest on changed.

Takes an open store, settings and the instant to tell at; reads the registry as stored, calls
`models.recurrence`, and replaces its tables in one transaction. Does not belong here: any
statistics, the command that cuts cohorts another way (`recurrence_command`).
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from models.recurrence.exposure import ClaimRecords
from models.recurrence.recurrence import find_recurrences
from models.recurrence.recurrence_tables import RECURRENCE_TABLES
from pipeline.fingerprints import code_fingerprint, hash_values
from pipeline.warehouse import Replacement

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl

    from models.recurrence.settings import RecurrenceSettings
    from pipeline.progress import Progress
    from pipeline.warehouse import Warehouse

# The fact under which the store notes what its recurrences were made from.
_FACT = "recurrence_inputs"


def claim_records(store: Warehouse) -> ClaimRecords:
    """What recurrence rests on, as it is stored; the tests stand in the order of their key."""
    tests = store.read("tests").select("vehicle_id", "started_at", "ambient_c", "odometer_km")
    registry = {name: store.read(name) for name in ("vehicles", "models", "repairs", "volumes")}
    return ClaimRecords(**registry, tests=tests)


def update_recurrences(
    store: Warehouse, settings: RecurrenceSettings, as_of: datetime, progress: Progress
) -> int:
    """Bring the recurrences in the store up to date; returns the number of rows written."""
    progress.begin("Counting recurring failures", 1)
    records = claim_records(store)
    made_from = _inputs_hash(records, settings, as_of)
    n_rows = 0
    if store.fact(_FACT) != made_from:
        found = find_recurrences(records, settings, as_of)
        replacements = []
        for table in RECURRENCE_TABLES:
            rows = table.conform(getattr(found, table.name)).sort(table.key, nulls_last=True)
            if not rows.equals(store.read(table.name)):
                replacements.append(Replacement(table, rows))
        n_rows = store.replace(replacements, {_FACT: made_from})
    progress.advance()
    return n_rows


def _inputs_hash(records: ClaimRecords, settings: RecurrenceSettings, as_of: datetime) -> str:
    frames = (records.vehicles, records.models, records.repairs, records.volumes, records.tests)
    return hash_values(
        [_content(frame) for frame in frames],
        as_of.date(),
        settings.model_dump(mode="json"),
        code_fingerprint("features", "models"),
    )


def _content(frame: pl.DataFrame) -> str:
    """Fingerprint of a frame's cells; a million claims are too many to write out as text."""
    return hashlib.sha256(frame.hash_rows(seed=0).to_numpy().tobytes()).hexdigest()
