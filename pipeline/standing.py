"""The baselines in force: read from the store, or fitted anew and made ready to be stored.

Takes the store's inputs and what a command asks for, gives a `Standing`: the version, its
baselines, and the rows to be stored with the judgement. A store that has no version, as after
`rebuild`, fits again the last versions of the ledger, each to the tests that it was fitted to.
Does not belong here: when to fit anew (`refits`), the ledger's file (`baseline_ledger`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC
from typing import TYPE_CHECKING

import polars as pl

from models.assess import Fitted, fit
from models.baseline_table import baseline_frame
from models.frozen_rows import frozen_frames, read_frozen
from models.frozen_tables import BASELINE_VERSIONS, IN_FORCE
from models.tables import BASELINES, INSTRUMENT_OFFSETS
from pipeline.baseline_ledger import Fit, append_fit, read_ledger, versions_frame
from pipeline.fingerprints import code_fingerprint, code_version, hash_values
from pipeline.refits import Known, RefitReason, refit_reason
from pipeline.warehouse import Replacement

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from models.assess import AssessmentInputs
    from models.frozen import Baselines
    from pipeline.settings import Settings
    from pipeline.warehouse import Warehouse
    from pipeline.workspace import Workspace

_DIGITS = 12
# What says when to fit is no part of what a fit depends on.
_NOT_OF_THE_FIT = {"refit_days", "refit_growth"}


@dataclass(frozen=True)
class Task:
    """What a judgement is asked for: the workspace, its settings, the instant, a fit by command."""

    workspace: Workspace
    settings: Settings
    clock: datetime
    is_refit: bool = False


@dataclass(frozen=True)
class Standing:
    """The version in force; `replacements` are to be stored with what is judged by it.

    `fitted` is what a fit to the inputs of now gave, `baselines` what was read of it or made
    again from the ledger; None where the store has them: `read_baselines`. `reason` says why
    they were fitted, None where they stand.
    """

    fits: tuple[Fit, ...]
    fitted: Fitted | None
    baselines: Baselines | None
    replacements: tuple[Replacement, ...]
    reason: RefitReason | None

    @property
    def last(self) -> Fit:
        """The version in force."""
        return self.fits[-1]


def settings_hash(settings: Settings) -> str:
    """Fingerprint of the settings that baselines depend on."""
    return hash_values(
        settings.assessment.model_dump(mode="json", exclude=_NOT_OF_THE_FIT),
        settings.derivation.model_dump(mode="json"),
    )


def code_hash() -> str:
    """Fingerprint of the code that baselines depend on."""
    return code_fingerprint("features", "models")


def standing_baselines(store: Warehouse, inputs: AssessmentInputs, task: Task) -> Standing:
    """The baselines in force at the clock of the task, fitted now where a reason holds."""
    known = _known(store, inputs, task)
    fits = read_ledger(task.workspace)
    in_store = store.read(BASELINE_VERSIONS.name)["baseline_version"].to_list()
    is_stored = bool(fits) and in_store[-1:] == [fits[-1].number]
    last = fits[-1] if fits else None
    settings = task.settings.assessment
    reason = refit_reason(last, known, settings, is_ordered=task.is_refit)
    if reason is None and is_stored:
        return Standing(fits, None, None, (), None)
    if reason is None:
        return _replayed(inputs, task, fits)
    number = max([fit.number for fit in fits] + in_store, default=0) + 1
    made, fitted = _fitted(inputs, task, known, number, reason)
    earlier = _summaries(store, fits[-1:]) if is_stored else BASELINES.empty()
    # before the store has them: a version that nothing refers to does no harm
    append_fit(task.workspace, made)
    standing = _standing((*fits, made), fitted.baselines, earlier, task)
    return replace(standing, fitted=fitted, reason=reason)


def read_baselines(
    store: Warehouse, owners: Sequence[str] | None = None, vehicle_ids: Sequence[str] = ()
) -> Baselines:
    """The baselines that are stored; of some owners and vehicles alone where these are given."""
    names = [table.name for table in IN_FORCE]
    frames = {
        name: store.read(name)
        for name in names
        if owners is None or name not in {"baseline_arrays", "baseline_cars"}
    }
    if owners is not None:
        arrays = store.read_where("baseline_arrays", "owner", [*owners, ""])
        cars = store.read_where("baseline_cars", "vehicle_id", vehicle_ids)
        frames |= {"baseline_arrays": arrays, "baseline_cars": cars}
    row = store.read(BASELINE_VERSIONS.name).row(-1, named=True)
    return read_frozen(frames, store.read(INSTRUMENT_OFFSETS.name), row["fitted_at"])


def _known(store: Warehouse, inputs: AssessmentInputs, task: Task) -> Known:
    """What a fit at the clock would rest on."""
    until = inputs.context.filter(pl.col("started_at") <= task.clock).select("test_id")
    logs = store.read("logs").filter(pl.col("outcome_code") == "stored")
    rows = logs.join(until, on="test_id", how="semi").select(
        "test_id", pl.col("inputs_hash").str.head(_DIGITS)
    )
    tests = dict(rows.sort("test_id").iter_rows())
    return Known(
        task.clock.astimezone(UTC), tests, hash_values(tests), code_hash(),
        settings_hash(task.settings),
    )  # fmt: skip


def _fitted(
    inputs: AssessmentInputs, task: Task, known: Known, number: int, reason: RefitReason
) -> tuple[Fit, Fitted]:
    fitted = fit(inputs, task.settings.assessment, known.clock)
    context = inputs.context.filter(pl.col("test_id").is_in(list(known.tests)))
    facts = {
        "baseline_version": number,
        "fitted_at": known.clock,
        "reason_code": reason.code,
        "n_vehicles": context["vehicle_id"].n_unique(),
        "n_tests": len(known.tests),
        "code_version": code_version(),
        "code_hash": known.code_hash,
        "settings_hash": known.settings_hash,
        "tests_hash": known.tests_hash,
    }
    baselines = replace(fitted.baselines, version=number)
    return Fit(facts, known.tests), replace(fitted, baselines=baselines)


def _replayed(inputs: AssessmentInputs, task: Task, fits: tuple[Fit, ...]) -> Standing:
    """The last two versions of the ledger fitted again, each to the tests that it knew."""
    *earlier, last = [
        replace(fit(_as_known(inputs, one), task.settings.assessment, one.fitted_at).baselines,
                version=one.number)
        for one in fits[-2:]
    ]  # fmt: skip
    frames = [_summary(one, task) for one in earlier]
    return _standing(fits, last, pl.concat([BASELINES.empty(), *frames]), task)


def _as_known(inputs: AssessmentInputs, known: Fit) -> AssessmentInputs:
    """The inputs of the tests that a version was fitted to."""
    is_known = pl.col("test_id").is_in(list(known.tests))
    return replace(
        inputs,
        features=inputs.features.filter(is_known),
        context=inputs.context.filter(is_known),
        soak_biases=inputs.soak_biases.filter(is_known),
    )


def _standing(
    fits: tuple[Fit, ...],
    baselines: Baselines,
    earlier: pl.DataFrame,
    task: Task,
) -> Standing:
    frames = frozen_frames(baselines)
    summaries = pl.concat([earlier, _summary(baselines, task)]).sort(BASELINES.key, nulls_last=True)
    replacements = [Replacement(table, frames[table.name]) for table in IN_FORCE]
    replacements += [
        Replacement(BASELINES, summaries),
        Replacement(BASELINE_VERSIONS, versions_frame(fits)),
        Replacement(INSTRUMENT_OFFSETS, baselines.instrument_offsets),
    ]
    return Standing(fits, None, baselines, tuple(replacements), None)


def _summary(baselines: Baselines, task: Task) -> pl.DataFrame:
    frame = baseline_frame(baselines.norms, task.settings.assessment)
    number = pl.lit(baselines.version).alias("baseline_version")
    return BASELINES.conform(frame.with_columns(number))


def _summaries(store: Warehouse, fits: tuple[Fit, ...]) -> pl.DataFrame:
    """What is kept for people of the version before, to compare the new one with."""
    numbers = [fit.number for fit in fits]
    return store.read(BASELINES.name).filter(pl.col("baseline_version").is_in(numbers))
