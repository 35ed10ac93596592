"""A simulated fleet judged whole, for the scorecard: simulated, ingested, assessed.

Takes an order, gives the truth and what was judged of it, month by month where asked. Does not
belong here: the arithmetic of the scorecard (`score_fleet`).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import polars as pl

from features.regimes import WHOLE_TEST
from models.assess import assess as judge
from models.assess import fit
from pipeline.assess import assessment_inputs
from pipeline.fingerprints import code_fingerprint, hash_values
from pipeline.init import init_workspace
from pipeline.inputs import read_inputs
from pipeline.log_batches import known_instruments
from pipeline.progress import begin_counted
from pipeline.run import Order, open_published, update_store
from pipeline.score_dropout import MOST_TESTS, DropoutOrder, score_dropouts
from pipeline.score_fleet import ALARMS, Judged, Scorecard, score_fleet, score_month
from pipeline.score_held_out import HeldOutOrder, score_held_out
from pipeline.score_rivals import methods_of, score_methods
from pipeline.true_effects import true_effects
from pipeline.workspace import Workspace
from synthetic.demo import write_demo_fleet

if TYPE_CHECKING:
    from pathlib import Path

    from models.assess import AssessmentInputs
    from models.settings import AssessmentSettings
    from pipeline.progress import Progress
    from pipeline.score_fleet import MonthScore
    from pipeline.warehouse import Warehouse


@dataclass(frozen=True)
class FleetOrder:
    """The fleet to simulate; `faulty_share` as of the demo fleet, over two seasons."""

    seed: int = 1
    vehicles: int = 2000
    tests: int = 6000
    models: int = 20
    faulty_share: float = 0.1


def run_fleet_score(order: FleetOrder, folder: Path, progress: Progress) -> Scorecard:
    """The scorecard of a fleet, which lies in `folder` and is used again while nothing changed."""
    workspace = _written(order, folder, progress)
    told = pl.read_parquet(folder / "truth" / "truth_tests.parquet")
    stations = pl.read_parquet(folder / "truth" / "truth_stations.parquet")
    inputs = read_inputs(workspace)
    clock = _day_after(told)
    update_store(workspace, Order("score", clock), progress, inputs)
    with open_published(workspace, inputs.settings) as store:
        stored = assessment_inputs(store)
        judged = _judged(store)
        samples = _flagged_samples(store, judged.assessments, order.seed)
    told = told.sort(pl.col("started_at").cast(pl.String), "test_id")
    truth = true_effects(told, stations, stored.context)
    settings = inputs.settings.assessment
    months = _months(truth, stored, settings, progress)
    score = score_fleet(truth, judged, months)
    methods = methods_of(judged.assessments, stored.features, stored.context, seed=order.seed)
    dropping = DropoutOrder(
        samples, stored, fit(stored, settings, clock).baselines,
        inputs.settings.derivation, settings,
        known_instruments(inputs.registry.instruments), clock, order.seed,
    )  # fmt: skip
    return replace(
        score,
        rivals=score_methods(truth, methods),
        dropouts=score_dropouts(dropping, progress),
        held_out=score_held_out(
            truth, judged.strata, HeldOutOrder(stored, settings, clock), progress
        ),
    )


def _judged(store: Warehouse) -> Judged:
    return Judged(
        store.read("assessments"),
        store.read("states"),
        _strata(store.read("features"), store.read("context")),
        store.read("causes"),
    )


def _flagged_samples(store: Warehouse, assessments: pl.DataFrame, seed: int) -> pl.DataFrame:
    """The samples of flagged tests, of so many at most, drawn by the seed."""
    flagged = assessments.filter(pl.col("verdict_code").is_in(ALARMS))["test_id"].sort()
    chosen = flagged.sample(min(MOST_TESTS, flagged.len()), seed=seed).sort().to_list()
    return store.read_where("samples", "test_id", chosen)


def _strata(features: pl.DataFrame, context: pl.DataFrame) -> pl.DataFrame:
    """Per test its architecture and the regime in which it held still longest."""
    read = features.filter(pl.col("regime") != WHOLE_TEST).sort(
        "test_id", "steady_s", descending=[False, True]
    )
    regimes = read.unique("test_id", keep="first", maintain_order=True).select("test_id", "regime")
    return context.select("test_id", "architecture").join(regimes, on="test_id", how="left")


def _months(
    truth: pl.DataFrame,
    inputs: AssessmentInputs,
    settings: AssessmentSettings,
    progress: Progress,
) -> tuple[MonthScore, ...]:
    """The fleet judged as of the end of every month in which somebody tested."""
    months = inputs.context["started_at"].dt.strftime("%Y-%m").unique().sort().to_list()
    progress.begin("Judging month by month", len(months))
    scores = []
    for month in months:
        states = judge(inputs, settings, _end_of(month)).states
        scores.append(score_month(month, truth, states))
        progress.advance()
    return tuple(scores)


def _end_of(month: str) -> datetime:
    first = datetime.strptime(f"{month}-01", "%Y-%m-%d").replace(tzinfo=UTC)
    return (first + timedelta(days=32)).replace(day=1) - timedelta(seconds=1)


def _day_after(truth: pl.DataFrame) -> datetime:
    started = truth["started_at"].cast(pl.String).max()
    return datetime.fromisoformat(str(started)).astimezone(UTC) + timedelta(days=1)


def _written(order: FleetOrder, folder: Path, progress: Progress) -> Workspace:
    workspace, note = Workspace((folder / "workspace").resolve()), folder / "made_from.txt"
    made_from = hash_values(asdict(order), code_fingerprint("synthetic"))
    if note.is_file() and note.read_text("utf-8") == made_from:
        return workspace
    if not workspace.settings_file.is_file():
        init_workspace(workspace.root)
    tell = begin_counted(progress, "Simulating the fleet", order.tests)
    write_demo_fleet(
        workspace.root,
        folder.resolve() / "truth",
        seed=order.seed,
        vehicles=order.vehicles,
        tests=order.tests,
        processes=2,
        models=order.models,
        faulty_share=order.faulty_share,
        with_twins=True,
        on_progress=tell,
    )
    note.write_text(made_from, encoding="utf-8")
    return workspace
