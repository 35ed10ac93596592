"""Fleets that teach: simulated cars of which a stated share has one fault each, all alike often.

`python -m tests.studies.taught_fleets --seed N FOLDER` writes the workspace and the truth, as
`fault_sizes` reads them once a run has judged them. In a fleet as the simulator draws it most
faults are too rare to be learned. Does not belong here: learning.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

import synthetic.demo
from pipeline.init import init_workspace
from pipeline.workspace import Workspace
from synthetic.car_models import MODEL
from synthetic.plant.faults import ADDED_CHARGE_SHARE, LOST_CHARGE_SHARE
from synthetic.troubles import KINDS, can_have

if TYPE_CHECKING:
    from synthetic.fleet import Fleet

FAULTY_SHARE, SHORT_SHARE = 0.32, 0.22


def teach(fleet: Fleet, rng: np.random.Generator) -> Fleet:
    """The plan of a sound fleet with a fault for a share of its cars, in all their tests."""
    cars = fleet.tests.select("vehicle_id", "model_id").unique(maintain_order=True)
    given = {}
    for vehicle_id, model_id in cars.iter_rows():
        if rng.random() < FAULTY_SHARE:
            model = MODEL[model_id]
            others = [k for k in KINDS if k != "undercharge" and can_have(model, k)]
            is_short = rng.random() < SHORT_SHARE
            kind = "undercharge" if is_short else others[int(rng.integers(len(others)))]
            given[vehicle_id] = (kind, round(0.3 + 0.7 * float(rng.beta(1.6, 1.6)), 3))
    rows = [_hurt(row, *given.get(row["vehicle_id"], ("", 0.0))) for row in fleet.tests.to_dicts()]
    return replace(fleet, tests=pl.DataFrame(rows, schema=fleet.tests.schema))


def _hurt(row: dict[str, Any], kind: str, severity: float) -> dict[str, Any]:
    if not kind:
        return row
    changes: dict[str, Any] = {f"true_severity_{each}": 0.0 for each in KINDS}
    changes |= {f"true_severity_{kind}": severity, "true_fault": kind, "true_severity": severity}
    full_g = MODEL[row["model_id"]].charge_g
    if kind == "undercharge":
        changes["true_charge_g"] = full_g * (1.0 - LOST_CHARGE_SHARE * severity)
    elif kind == "overcharge":
        changes["true_charge_g"] = full_g * (1.0 + ADDED_CHARGE_SHARE * severity)
    return {**row, **changes, "true_n_faults": 1}


def write_taught_fleet(folder: Path, seed: int, vehicles: int = 800) -> None:
    """Workspace and truth of a fleet of ten models, two tests a car."""
    workspace = Workspace((folder / "workspace").resolve())
    init_workspace(workspace.root)
    plan = synthetic.demo.plan_fleet
    rng = np.random.default_rng([seed, 77])
    synthetic.demo.plan_fleet = lambda drawn, size: teach(plan(drawn, size), rng)
    try:
        synthetic.demo.write_demo_fleet(
            workspace.root, (folder / "truth").resolve(), seed=seed, vehicles=vehicles,
            tests=2 * vehicles, processes=2, models=10, faulty_share=0.0,
        )  # fmt: skip
    finally:
        synthetic.demo.plan_fleet = plan


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=71)
    asked = parser.parse_args()
    write_taught_fleet(asked.folder, asked.seed)
