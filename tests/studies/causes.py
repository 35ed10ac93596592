"""How well causes are named, test by test: a simulated fleet, every test with a fault that shows.

`python -m tests.studies.causes --seed N --vehicles 300 FOLDER` simulates and prints. A test
counts when a quantity strays by four spreads: more cases than the cars in `service` give,
and lighter ones. Seeds from 9000 on are kept for final figures.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import polars as pl

from models.causes import find_causes
from models.diagnostics import diagnostic_frame, learn_diagnostics
from pipeline.assess import assessment_inputs
from pipeline.fleet_trial import FleetOrder, run_fleet_score
from pipeline.inputs import read_inputs
from pipeline.progress import show_progress
from pipeline.run import open_published
from pipeline.score_causes import score_causes
from pipeline.workspace import Workspace

_STRAYS_Z = 4.0
_FAULTY_SHARE = 0.4


def study(folder: Path, order: FleetOrder) -> str:
    """The figures of one fleet, as lines."""
    with show_progress() as progress:
        run_fleet_score(order, folder, progress)
    inputs = read_inputs(Workspace((folder / "workspace").resolve()))
    with open_published(Workspace((folder / "workspace").resolve()), inputs.settings) as store:
        stored, residuals = assessment_inputs(store), store.read("residuals")
    truth = pl.read_parquet(folder / "truth" / "truth_tests.parquet")
    strays = residuals.filter(pl.col("z").abs() >= _STRAYS_Z).select("test_id").unique()
    looked_at = strays.sort("test_id").select(pl.col("test_id").alias("vehicle_id"), "test_id")
    settings = inputs.settings.assessment
    norm = learn_diagnostics(stored.features, stored.context, settings)
    more = diagnostic_frame(stored.features, stored.context, norm, settings)
    score = score_causes(find_causes(looked_at, residuals, more, stored.context), truth)
    head = (
        ("in the set", score.in_set),
        ("named", score.named),
        ("named right", score.named_right),
        ("misdiagnosed", score.misdiagnosed),
    )
    size = f"causes in a set on average: {score.mean_set_size:.1f}\n"
    return size + "\n".join(
        f"{name}: {s.n_hits} of {s.n_all}, {s.text}" for name, s in (*head, *score.by_fault)
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--vehicles", type=int, default=300)
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    fleet = FleetOrder(asked.seed, asked.vehicles, int(2.5 * asked.vehicles), 5, _FAULTY_SHARE)
    sys.stdout.write(f"{study(asked.folder, fleet)}\n")
