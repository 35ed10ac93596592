"""A simulated fleet judged whole, for the scorecard: simulated, ingested, assessed.

Takes an order, gives the truth and what was judged of it, month by month where asked. Does not
belong here: the arithmetic of the scorecard (`score_fleet`).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import polars as pl

from features.regimes import WHOLE_TEST
from models.assess import assess as judge
from pipeline.assess import assessment_inputs
from pipeline.fingerprints import code_fingerprint, hash_values
from pipeline.init import init_workspace
from pipeline.inputs import read_inputs
from pipeline.progress import begin_counted
from pipeline.run import Order, open_published, update_store
from pipeline.score_fleet import Judged, Scorecard, score_fleet, score_month
from pipeline.workspace import Workspace
from synthetic.demo import write_demo_fleet

if TYPE_CHECKING:
    from pathlib import Path

    from models.assess import AssessmentInputs
    from models.settings import AssessmentSettings
    from pipeline.progress import Progress
    from pipeline.score_fleet import MonthScore


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
    truth = pl.read_parquet(folder / "truth" / "truth_tests.parquet")
    inputs = read_inputs(workspace)
    clock = _day_after(truth)
    update_store(workspace, Order("score", clock), progress, inputs)
    with open_published(workspace, inputs.settings) as store:
        judged = Judged(
            store.read("assessments"),
            store.read("states"),
            _strata(store.read("features"), store.read("context")),
            store.read("causes"),
        )
        stored = assessment_inputs(store)
    truth = truth.select("test_id", "vehicle_id", "fault", "severity")
    months = _months(truth, stored, inputs.settings.assessment, progress)
    return score_fleet(truth, judged, months)


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
