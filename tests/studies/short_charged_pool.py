"""A pool of simulated tests of healthy cars, some of them filled short at the works.

`python -m tests.studies.short_charged_pool FOLDER [--seed N] [--cars N]` simulates tests of
two models on the physical plant, writes their logs, reads them as a workspace would, and
leaves `features.parquet`, `context.parquet` and `truth.parquet` in the folder. Batches are
drawn from the pool by `short_charged_batches`. Nothing of the warning is known here.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.init import init_workspace
from pipeline.inputs import read_inputs
from pipeline.log_context import log_contexts
from pipeline.progress import show_progress
from pipeline.score_readings import derive_trial
from pipeline.workspace import Workspace
from synthetic.fleet import Fleet, FleetSize, plan_fleet
from synthetic.logs import LogOrder, write_logs
from synthetic.planned_tests import Habits
from synthetic.registry_files import write_registry

N_MODELS = 2
# share of the charge missing, and share of the cars so filled; 0.30 is beyond a reserve of 50
# to 150 g (common practice), 0.08 within it
FILLS = {"full": (0.0, 0.6), "within_reserve": (0.08, 0.2), "past_reserve": (0.30, 0.2)}


def plan_pool(seed: int, n_cars: int) -> Fleet:
    """One test of every car; nothing is wrong but the fill, which `true_fill` names."""
    size = FleetSize(
        n_cars, n_cars, 0.0, n_models=N_MODELS, years=1, habits=Habits(mishap_share=0.0)
    )
    fleet = plan_fleet(np.random.default_rng([seed, 31]), size)
    ids = fleet.vehicles["vehicle_id"].to_list()
    shares = [share for _, share in FILLS.values()]
    drawn = np.random.default_rng([seed, 32]).choice(len(FILLS), size=len(ids), p=shares)
    fills = pl.DataFrame({"vehicle_id": ids, "true_fill": [list(FILLS)[k] for k in drawn]})
    missing = pl.col("true_fill").replace_strict({k: m for k, (m, _) in FILLS.items()})
    tests = fleet.tests.join(fills, on="vehicle_id", maintain_order="left").with_columns(
        pl.col("true_charge_g") * (1.0 - missing)
    )
    return Fleet(fleet.vehicles, tests, fleet.repairs)


def write_pool(folder: Path, seed: int, n_cars: int) -> None:
    """Simulated, written, read and derived; the three frames written."""
    workspace = Workspace((folder / "workspace").resolve())
    if not workspace.settings_file.is_file():
        init_workspace(workspace.root)
    fleet = plan_pool(seed, n_cars)
    write_registry(fleet, workspace.root / "registry", n_models=N_MODELS)
    for _ in write_logs(fleet.tests, LogOrder(workspace.root / "logs", seed, 900, False)):  # noqa: FBT003 - no MDF
        pass
    with show_progress() as progress:
        derived = derive_trial(workspace, progress)
    inputs = read_inputs(workspace)
    contexts = log_contexts(inputs.registry, inputs.settings.site.altitude_m)
    derived.features.write_parquet(folder / "features.parquet")
    contexts.write_parquet(folder / "context.parquet")
    fleet.tests.select("log", "vehicle_id", "model_id", "true_fill", "true_charge_g").write_parquet(
        folder / "truth.parquet"
    )


def _main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cars", type=int, default=1000)
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    write_pool(asked.folder, asked.seed, asked.cars)


if __name__ == "__main__":
    _main()
