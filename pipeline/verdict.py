"""Verdict: one log judged against the published snapshot, while the car is still there.

Takes a workspace and a log, gives the judgement that a run would give of it, with all the
tests that are stored; neither store nor snapshot is written to. Does not belong here: which
car it is (`verdict_car`), the words (`verdict_text`), the page (`verdict_page`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import polars as pl

from models.assess import Assessed, AssessmentInputs
from models.assess import assess as judge
from pipeline.assess import assessment_inputs
from pipeline.inputs import read_inputs
from pipeline.log_batches import BatchRows, work_out
from pipeline.problems import Problem, ProblemsError
from pipeline.run import open_published
from pipeline.verdict_car import AskedLog, Stated, ask_for

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from pipeline.settings import Settings
    from pipeline.warehouse import Warehouse
    from pipeline.workspace import Workspace


@dataclass(frozen=True)
class Verdict:
    """The judgement of one log, and all that tells it.

    `context` are the tests of its car, this one among them; `rows` what the log gives;
    `windows` those of all tests of the car; `n_tests` and `published_at` tell what it was
    compared with: tests stored, and the instant of the run that published them.
    """

    asked: AskedLog
    settings: Settings
    rows: BatchRows
    assessed: Assessed
    context: pl.DataFrame
    windows: pl.DataFrame
    n_tests: int
    published_at: datetime | None

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
        others, known = _without(store, asked)
        assessed = judge(_with(known, asked, rows), inputs.settings.assessment, clock)
        vehicle_id = asked.planned.context["vehicle_id"]
        context = pl.concat([others, rows.tables["context"]])
        mine = context.filter(pl.col("vehicle_id") == vehicle_id)
        earlier = store.read_where("windows", "test_id", mine["test_id"].to_list())
        runs = store.read("runs").sort("run_number")
    is_earlier = pl.col("test_id") != asked.planned.test_id
    return Verdict(
        asked, inputs.settings, rows, assessed, mine,
        pl.concat([earlier.filter(is_earlier), rows.tables["windows"]], how="diagonal"),
        others.height,
        None if runs.is_empty() else runs["clock"][-1],
    )  # fmt: skip


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


def _without(store: Warehouse, asked: AskedLog) -> tuple[pl.DataFrame, AssessmentInputs]:
    """The stored tests but this one: an earlier reading of the same content is no other test."""
    planned, logs = asked.planned, store.read("logs")
    is_same = (pl.col("content_hash") == planned.file.content_hash) | (
        pl.col("test_id") == planned.test_id
    )
    same = [planned.test_id, *logs.filter(is_same)["test_id"].drop_nulls()]
    known = assessment_inputs(store)
    is_other = ~pl.col("test_id").is_in(same)
    others = known.context.filter(is_other)
    registry = asked.registry
    return others, AssessmentInputs(
        features=known.features.filter(is_other),
        context=others,
        vehicles=registry.vehicles,
        models=registry.models,
        repairs=registry.repairs,
        dispositions=registry.dispositions,
        soak_biases=known.soak_biases.filter(is_other),
    )


def _with(known: AssessmentInputs, asked: AskedLog, rows: BatchRows) -> AssessmentInputs:
    """The inputs with what this log gives."""
    return AssessmentInputs(
        features=pl.concat([known.features, _like(rows.tables["features"], known.features)]),
        context=pl.concat([known.context, rows.tables["context"]]),
        vehicles=asked.registry.vehicles,
        models=asked.registry.models,
        repairs=asked.registry.repairs,
        dispositions=known.dispositions,
        soak_biases=pl.concat(
            [known.soak_biases, _like(rows.tables["soak_biases"], known.soak_biases)]
        ),
    )


def _like(frame: pl.DataFrame, other: pl.DataFrame) -> pl.DataFrame:
    return frame.select(other.columns).cast(other.schema)
