"""Assess: judges the fleet from the features in the store and stores the judgement.

Takes an open store and what is asked for; reads features, context and registry from the
store, judges by the baselines in force (`standing`), and replaces residuals, assessments,
states, evidence, drifts and the rest in one transaction, with what moved the states. Only
tables that differ are written, and nothing is computed when no input changed. Does not belong
here: any statistics.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from models.assess import Assessed, AssessmentInputs, judge, judge_fitted
from models.frozen_tables import BASELINE_VERSIONS
from models.repair_quality import judge_repairs
from pipeline.fingerprints import code_fingerprint, hash_values
from pipeline.refits import RefitReason
from pipeline.standing import Standing, Task, read_baselines, standing_baselines
from pipeline.state_changes import changes, state_inputs
from pipeline.state_tables import STATE_CHANGES, STATE_INPUTS
from pipeline.store_tables import ASSESSMENT_TABLES
from pipeline.warehouse import Replacement

if TYPE_CHECKING:
    from pipeline.progress import Progress
    from pipeline.warehouse import Warehouse

_REASONS_OF_DATA = (
    RefitReason.ORDERED, RefitReason.GROWN, RefitReason.OLD, RefitReason.CLOCK,
)  # fmt: skip
# The fact under which the store notes what its judgement was made from.
FACT = "assessment_inputs"


@dataclass(frozen=True)
class AssessSummary:
    """What an assessment did: vehicles by state, rows written, and states that changed."""

    vehicles_by_state: dict[str, int]
    n_rows_written: int
    changed: pl.DataFrame
    standing: Standing

    @property
    def text(self) -> str:
        """The summary in one line."""
        count = sum(self.vehicles_by_state.values())
        states = ", ".join(f"{n} {state}" for state, n in self.vehicles_by_state.items())
        told = f"{count} vehicles: {states}." if count else "No vehicle to judge."
        return f"{told} {standing_text(self.standing)}"


def standing_text(standing: Standing) -> str:
    """Which version of the baselines was judged by, and why it was fitted if it was."""
    facts = standing.last.facts
    tests = f"{facts['n_tests']} tests of {facts['n_vehicles']} vehicles"
    name = f"Baselines: version {standing.last.number}"
    if standing.reason is not None:
        return f"{name}, fitted to {tests} ({standing.reason.value})."
    return f"{name} of {standing.last.fitted_at:%Y-%m-%d}, {tests}."


def assess(store: Warehouse, task: Task, progress: Progress) -> AssessSummary:
    """Bring the judgement in the store up to date; returns what was done."""
    progress.begin("Judging the fleet", 1)
    inputs = assessment_inputs(store)
    standing = standing_baselines(store, inputs, task)
    made_from = _inputs_hash(store, inputs, task, standing)
    n_rows, changed = 0, STATE_CHANGES.empty()
    if store.fact(FACT) != made_from or standing.replacements:
        assessed = _judged(store, inputs, task, standing)
        noted = _state_inputs(store, inputs, assessed, task)
        number = store.counts()["runs"] + 1
        before = store.read(STATE_INPUTS.name)
        otherwise = _by_earlier(store, inputs, task, standing)
        changed = changes(before, noted, number, task.clock, otherwise)
        repairs = judge_repairs(
            inputs, assessed, task.settings.assessment, task.clock,
            cooling_from_c=task.settings.recurrence.cooling_from_c,
        )  # fmt: skip
        judgement = vars(assessed) | vars(repairs)
        replacements = [*standing.replacements, *_judgement(store, judgement, noted, changed)]
        n_rows = store.replace(replacements, {FACT: made_from})
    progress.advance()
    return AssessSummary(vehicles_by_state(store.read("states")), n_rows, changed, standing)


def _judged(store: Warehouse, inputs: AssessmentInputs, task: Task, standing: Standing) -> Assessed:
    """The fleet judged by the baselines in force."""
    if standing.fitted is not None:
        return judge_fitted(inputs, standing.fitted, task.settings.assessment, task.clock)
    baselines = standing.baselines or read_baselines(store)
    return judge(inputs, baselines, task.settings.assessment, task.clock)


def _by_earlier(
    store: Warehouse, inputs: AssessmentInputs, task: Task, standing: Standing
) -> pl.DataFrame | None:
    """The states that the baselines before would give now; None where that tells nothing.

    Other program or settings would judge otherwise by the same baselines.
    """
    if standing.reason not in _REASONS_OF_DATA or store.read(BASELINE_VERSIONS.name).is_empty():
        return None
    return judge(inputs, read_baselines(store), task.settings.assessment, task.clock).states


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


def _inputs_hash(store: Warehouse, inputs: AssessmentInputs, task: Task, standing: Standing) -> str:
    """Fingerprint of all that the judgement depends on.

    The features follow from the inputs of the stored logs, so their hashes stand for them.
    Of the instant it is the day that counts, and which tests, repairs and dispositions lie
    before it.
    """
    as_of = task.clock
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
        standing.last.number,
        task.settings.assessment.model_dump(mode="json"),
        task.settings.recurrence.cooling_from_c,
        code_fingerprint("features", "models"),
    )


def _state_inputs(
    store: Warehouse, inputs: AssessmentInputs, assessed: Assessed, task: Task
) -> pl.DataFrame:
    """What each state was made from, to tell later what moved it."""
    fleet = {
        "settings_hash": hash_values(task.settings.assessment.model_dump(mode="json")),
        "code_hash": code_fingerprint("features", "models"),
        "judged_on": task.clock.date(),
    }
    logs = store.read("logs").filter(pl.col("outcome_code") == "stored")
    return state_inputs(assessed.states, logs, inputs, fleet)


def _judgement(
    store: Warehouse, judgement: dict[str, pl.DataFrame], noted: pl.DataFrame, changed: pl.DataFrame
) -> list[Replacement]:
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
    return replacements
