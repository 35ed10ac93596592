"""Verdict: one log judged against the published snapshot, while the car is still there.

Takes a workspace and a log, gives the judgement that a run would give of it, by the baselines
in force; neither store nor snapshot is written to. Only what belongs to its car and model is
read. Does not belong here: which car it is (`verdict_car`), the words (`verdict_text`), the
page (`verdict_page`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import polars as pl

from features.trust.soak_biases import SOAK_BIASES
from models.assess import Assessed, AssessmentInputs, fit, judge
from models.frozen_tables import BASELINE_VERSIONS
from pipeline.assess import assessment_inputs
from pipeline.inputs import read_inputs
from pipeline.log_batches import BatchRows, work_out
from pipeline.problems import Problem, ProblemsError
from pipeline.run import open_published
from pipeline.standing import code_hash, read_baselines, settings_hash
from pipeline.verdict_car import AskedLog, Stated, ask_for

if TYPE_CHECKING:
    from pathlib import Path

    from models.frozen import Baselines
    from pipeline.settings import Settings
    from pipeline.warehouse import Warehouse
    from pipeline.workspace import Workspace


@dataclass(frozen=True)
class Verdict:
    """The judgement of one log, and all that tells it.

    `context` are the tests of its car, this one among them; `rows` what the log gives;
    `windows` those of all tests of the car; `n_tests` and `fitted_at` tell what it was
    compared with: the tests that the baselines were fitted to, and when. `next_fit_at` is when
    they are due to be fitted anew. `version` is None where they were fitted for this verdict
    alone, because program or settings are others than those of the version in force.
    """

    asked: AskedLog
    settings: Settings
    rows: BatchRows
    assessed: Assessed
    context: pl.DataFrame
    windows: pl.DataFrame
    n_tests: int
    fitted_at: datetime
    next_fit_at: datetime
    version: int | None

    @property
    def test_id(self) -> str:
        """The test that the log is."""
        return self.asked.planned.test_id

    @property
    def vehicle_id(self) -> str:
        """The car of the log."""
        return str(self.asked.planned.context["vehicle_id"])

    @property
    def state(self) -> dict[str, Any]:
        """The row of STATES that the car would get."""
        mine = pl.col("vehicle_id") == self.vehicle_id
        return self.assessed.states.filter(mine).row(0, named=True)

    @property
    def assessment(self) -> dict[str, Any]:
        """The row of ASSESSMENTS of this test."""
        return self.of_test("assessments").row(0, named=True)

    def of_test(self, table: str) -> pl.DataFrame:
        """The rows of this test in a table of the judgement."""
        frame: pl.DataFrame = getattr(self.assessed, table)
        return frame.filter(pl.col("test_id") == self.test_id)


def verdict(workspace: Workspace, file: Path, stated: Stated, clock: datetime) -> Verdict:
    """What a run would say of the log, were it ingested now.

    Raises
    ------
    ProblemsError
        Settings or registry have problems, it cannot be told which car it is, or the log
        cannot be read.
    StoreError
        Nothing was published yet.
    """
    inputs = read_inputs(workspace)
    asked = ask_for(file, stated, workspace, inputs, clock)
    rows = work_out([asked.planned], asked.workshop)
    _require_read(rows)
    with open_published(workspace, inputs.settings) as store:
        compared = _compared_with(store, asked, inputs.settings)
        known = _of_car(store, asked)
        judged_of = _with(known, rows)
        assessed = judge(judged_of, compared.baselines, inputs.settings.assessment, clock)
        mine = judged_of.context
        earlier = store.read_where("windows", "test_id", known.context["test_id"].to_list())
    fitted_at = compared.baselines.fitted_at
    return Verdict(
        asked, inputs.settings, rows, assessed, mine,
        pl.concat([earlier, rows.tables["windows"]], how="diagonal"),
        compared.n_tests,
        fitted_at,
        fitted_at + timedelta(days=inputs.settings.assessment.refit_days),
        compared.version,
    )  # fmt: skip


@dataclass(frozen=True)
class _ComparedWith:
    baselines: Baselines
    n_tests: int
    version: int | None


def _compared_with(store: Warehouse, asked: AskedLog, settings: Settings) -> _ComparedWith:
    """The baselines in force, or where program or settings have changed, such as would be."""
    versions = store.read(BASELINE_VERSIONS.name)
    row = versions.row(-1, named=True) if versions.height else {}
    if (row.get("code_hash"), row.get("settings_hash")) == (code_hash(), settings_hash(settings)):
        context = asked.planned.context
        pool = f"{context['architecture']} / {context['refrigerant']}"
        owners = [str(context["model_id"]), pool]
        baselines = read_baselines(store, owners, [str(context["vehicle_id"])])
        return _ComparedWith(baselines, row["n_tests"], baselines.version)
    known = assessment_inputs(store)
    runs = store.read("runs").sort("run_number")
    clock = runs["clock"][-1] if runs.height else datetime.max.replace(tzinfo=UTC)
    return _ComparedWith(
        fit(known, settings.assessment, clock).baselines, known.context.height, None
    )


def _require_read(rows: BatchRows) -> None:
    """Refuse a log of which nothing could be read, with every reason."""
    if rows.readings["outcome_code"].to_list() == ["read"]:
        return
    raise ProblemsError(
        [
            Problem(row["code"], row["sentence"], row["path"], hint=row["hint"] or "")
            for row in rows.refusals.iter_rows(named=True)
        ]
    )


def _of_car(store: Warehouse, asked: AskedLog) -> AssessmentInputs:
    """The stored tests of the car but this one: another reading of it is no other test."""
    planned, registry = asked.planned, asked.registry
    vehicle_id = str(planned.context["vehicle_id"])
    content = store.read_where("logs", "content_hash", [planned.file.content_hash])
    same = [planned.test_id, *content["test_id"].drop_nulls()]
    context = store.read_where("context", "vehicle_id", [vehicle_id])
    context = context.filter(~pl.col("test_id").is_in(same))
    mine = pl.col("vehicle_id") == vehicle_id
    # what was found on other cars speaks of causes too
    told_of = registry.dispositions["vehicle_id"].to_list()
    return AssessmentInputs(
        features=store.read_where("features", "test_id", context["test_id"].to_list()),
        context=context,
        vehicles=registry.vehicles.filter(mine | pl.col("vehicle_id").is_in(told_of)),
        models=registry.models,
        repairs=registry.repairs.filter(mine),
        dispositions=registry.dispositions,
        soak_biases=SOAK_BIASES.empty(),
    )


def _with(known: AssessmentInputs, rows: BatchRows) -> AssessmentInputs:
    """The inputs with what this log gives."""
    return replace(
        known,
        features=pl.concat([known.features, _like(rows.tables["features"], known.features)]),
        context=pl.concat([known.context, rows.tables["context"]]),
    )


def _like(frame: pl.DataFrame, other: pl.DataFrame) -> pl.DataFrame:
    return frame.select(other.columns).cast(other.schema)
