"""Assess: judges the fleet from the features in the store and stores the judgement.

Takes an open store, settings and the instant to judge at; reads features, context and
registry from the store, calls `models.assess`, and replaces baselines, residuals,
assessments, states and evidence in one transaction. Only tables that differ are written,
and nothing is computed when no input changed. Does not belong here: any statistics.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from models.assess import Assessed, AssessmentInputs
from models.assess import assess as judge
from pipeline.fingerprints import code_fingerprint, hash_values
from pipeline.store_tables import ASSESSMENT_TABLES
from pipeline.warehouse import Replacement

if TYPE_CHECKING:
    from datetime import datetime

    from models.settings import AssessmentSettings
    from pipeline.progress import Progress
    from pipeline.warehouse import Warehouse

# The fact under which the store notes what its judgement was made from.
_FACT = "assessment_inputs"


@dataclass(frozen=True)
class AssessSummary:
    """What an assessment did: vehicles by state, and rows written."""

    vehicles_by_state: dict[str, int]
    n_rows_written: int

    @property
    def text(self) -> str:
        """The summary in one line."""
        count = sum(self.vehicles_by_state.values())
        states = ", ".join(f"{n} {state}" for state, n in self.vehicles_by_state.items())
        return f"{count} vehicles: {states}." if count else "No vehicle to judge."


def assess(
    store: Warehouse, settings: AssessmentSettings, as_of: datetime, progress: Progress
) -> AssessSummary:
    """Bring the judgement in the store up to date; returns what was done."""
    progress.begin("Judging the fleet", 1)
    inputs = assessment_inputs(store)
    made_from = _inputs_hash(store, inputs, settings, as_of)
    n_rows = 0
    if store.fact(_FACT) != made_from:
        n_rows = _store_judgement(store, judge(inputs, settings, as_of), made_from)
    progress.advance()
    return AssessSummary(vehicles_by_state(store.read("states")), n_rows)


def assessment_inputs(store: Warehouse) -> AssessmentInputs:
    """What a judgement rests on, as it is stored."""
    return AssessmentInputs(
        features=store.read("features"),
        context=store.read("context"),
        vehicles=store.read("vehicles"),
        models=store.read("models"),
        repairs=store.read("repairs"),
        soak_biases=store.read("soak_biases"),
    )


def vehicles_by_state(states: pl.DataFrame) -> dict[str, int]:
    """Number of vehicles in each state, most frequent first."""
    counted = states.group_by("state").len().sort("len", "state", descending=[True, False])
    return dict(counted.iter_rows())


def _inputs_hash(
    store: Warehouse, inputs: AssessmentInputs, settings: AssessmentSettings, as_of: datetime
) -> str:
    """Fingerprint of all that the judgement depends on.

    The features follow from the inputs of the stored logs, so their hashes stand for them.
    Of the instant it is the day that counts, and which tests and repairs lie before it.
    """
    logs = store.read("logs").filter(pl.col("outcome_code") == "stored")
    registry = [frame.rows() for frame in (inputs.vehicles, inputs.models, inputs.repairs)]
    return hash_values(
        logs.select("test_id", "inputs_hash").sort("test_id").rows(),
        registry,
        inputs.context.filter(pl.col("started_at") <= as_of).height,
        inputs.repairs.filter(pl.col("performed_at") <= as_of).height,
        as_of.date(),
        settings.model_dump(mode="json"),
        code_fingerprint("features", "models"),
    )


def _store_judgement(store: Warehouse, assessed: Assessed, made_from: str) -> int:
    changed = []
    for table in ASSESSMENT_TABLES:
        # in the order of the key, so that the order in which rows were found never shows
        rows = table.conform(getattr(assessed, table.name)).sort(table.key, nulls_last=True)
        if not rows.equals(store.read(table.name)):
            changed.append(Replacement(table, rows))
    return store.replace(changed, {_FACT: made_from})
