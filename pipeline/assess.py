"""Assess: judges the fleet from the features in the store and stores the judgement.

Takes an open store, settings and the instant to judge at; reads features, context and
registry from the store, calls `models.assess`, and replaces baselines, residuals,
assessments, states, evidence, drifts and the rest in one transaction, with what moved the
states. Only tables that differ are written, and nothing is computed when no input changed.
Does not belong here: any statistics.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from models.assess import Assessed, AssessmentInputs
from models.assess import assess as judge
from models.repair_quality import judge_repairs
from pipeline.fingerprints import code_fingerprint, hash_values
from pipeline.state_changes import changes, state_inputs
from pipeline.state_tables import STATE_CHANGES, STATE_INPUTS
from pipeline.store_tables import ASSESSMENT_TABLES
from pipeline.warehouse import Replacement

if TYPE_CHECKING:
    from datetime import datetime

    from models.settings import AssessmentSettings
    from pipeline.progress import Progress
    from pipeline.settings import Settings
    from pipeline.warehouse import Warehouse

# The fact under which the store notes what its judgement was made from.
FACT = "assessment_inputs"


@dataclass(frozen=True)
class AssessSummary:
    """What an assessment did: vehicles by state, rows written, and states that changed."""

    vehicles_by_state: dict[str, int]
    n_rows_written: int
    changed: pl.DataFrame

    @property
    def text(self) -> str:
        """The summary in one line."""
        count = sum(self.vehicles_by_state.values())
        states = ", ".join(f"{n} {state}" for state, n in self.vehicles_by_state.items())
        return f"{count} vehicles: {states}." if count else "No vehicle to judge."


def assess(
    store: Warehouse, settings: Settings, as_of: datetime, progress: Progress
) -> AssessSummary:
    """Bring the judgement in the store up to date; returns what was done."""
    progress.begin("Judging the fleet", 1)
    inputs = assessment_inputs(store)
    made_from = _inputs_hash(store, inputs, settings, as_of)
    n_rows, changed = 0, STATE_CHANGES.empty()
    if store.fact(FACT) != made_from:
        assessed = judge(inputs, settings.assessment, as_of)
        noted = _state_inputs(store, inputs, assessed, settings.assessment, as_of)
        changed = changes(store.read(STATE_INPUTS.name), noted, store.counts()["runs"] + 1, as_of)
        repairs = judge_repairs(
            inputs, assessed, settings.assessment, as_of,
            cooling_from_c=settings.recurrence.cooling_from_c,
        )  # fmt: skip
        judgement = vars(assessed) | vars(repairs)
        n_rows = _store_judgement(store, judgement, made_from, noted, changed)
    progress.advance()
    return AssessSummary(vehicles_by_state(store.read("states")), n_rows, changed)


def assessment_inputs(store: Warehouse) -> AssessmentInputs:
    """What a judgement rests on, as it is stored."""
    return AssessmentInputs(
        features=store.read("features"),
        context=store.read("context"),
        vehicles=store.read("vehicles"),
        models=store.read("models"),
        repairs=store.read("repairs"),
        dispositions=store.read("dispositions"),
        soak_biases=store.read("soak_biases"),
    )


def vehicles_by_state(states: pl.DataFrame) -> dict[str, int]:
    """Number of vehicles in each state, most frequent first."""
    counted = states.group_by("state").len().sort("len", "state", descending=[True, False])
    return dict(counted.iter_rows())


def _inputs_hash(
    store: Warehouse, inputs: AssessmentInputs, settings: Settings, as_of: datetime
) -> str:
    """Fingerprint of all that the judgement depends on.

    The features follow from the inputs of the stored logs, so their hashes stand for them.
    Of the instant it is the day that counts, and which tests, repairs and dispositions lie
    before it.
    """
    logs = store.read("logs").filter(pl.col("outcome_code") == "stored")
    tables = (inputs.vehicles, inputs.models, inputs.repairs, inputs.dispositions)
    registry = [frame.rows() for frame in tables]
    return hash_values(
        logs.select("test_id", "inputs_hash").sort("test_id").rows(),
        registry,
        inputs.context.filter(pl.col("started_at") <= as_of).height,
        inputs.repairs.filter(pl.col("performed_at") <= as_of).height,
        inputs.dispositions.filter(pl.col("recorded_at") <= as_of).height,
        as_of.date(),
        settings.assessment.model_dump(mode="json"),
        settings.recurrence.cooling_from_c,
        code_fingerprint("features", "models"),
    )


def _state_inputs(
    store: Warehouse,
    inputs: AssessmentInputs,
    assessed: Assessed,
    settings: AssessmentSettings,
    as_of: datetime,
) -> pl.DataFrame:
    """What each state was made from, to tell later what moved it."""
    fleet = {
        "settings_hash": hash_values(settings.model_dump(mode="json")),
        "code_hash": code_fingerprint("features", "models"),
        "baselines_hash": hash_values(sorted(assessed.baselines["version"].to_list())),
        "judged_on": as_of.date(),
    }
    logs = store.read("logs").filter(pl.col("outcome_code") == "stored")
    return state_inputs(assessed.states, logs, inputs, fleet)


def _store_judgement(
    store: Warehouse,
    judgement: dict[str, pl.DataFrame],
    made_from: str,
    noted: pl.DataFrame,
    changed: pl.DataFrame,
) -> int:
    replacements = []
    for table in ASSESSMENT_TABLES:
        # in the order of the key, so that the order in which rows were found never shows
        rows = table.conform(judgement[table.name]).sort(table.key, nulls_last=True)
        if not rows.equals(store.read(table.name)):
            replacements.append(Replacement(table, rows))
    if not noted.drop("judged_on").equals(store.read(STATE_INPUTS.name).drop("judged_on")):
        replacements.append(Replacement(STATE_INPUTS, noted))
    if changed.height:
        replacements.append(Replacement(STATE_CHANGES, changed, "run_number", ()))
    return store.replace(replacements, {FACT: made_from})
