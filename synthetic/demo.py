"""The demo fleet on disk: registry and logs into a workspace, the truth somewhere else.

`write_demo_fleet` plans the fleet, has its logs written and writes registry and truth. Same
seed, same bytes. Does not belong here: settings and commands of the tool, which must not
know the truth.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict, Unpack

import numpy as np
import polars as pl

from synthetic.broken_logs import write_broken_logs
from synthetic.car_models import FLEET_MODELS
from synthetic.fittings import MISHAP_SHARE
from synthetic.fleet import FleetSize, plan_fleet
from synthetic.logs import LogOrder, write_logs
from synthetic.planned_tests import Habits
from synthetic.registry_files import write_registry
from synthetic.truth import write_truth

if TYPE_CHECKING:
    from collections.abc import Callable

    from synthetic.fleet import Fleet


class DemoOptions(TypedDict, total=False):
    """Options of `write_demo_fleet` that are seldom changed.

    `seconds` of each log; `faulty_share` of the cars with which something goes wrong within
    two seasons; `models` and `years` (warm seasons) of the fleet; `mishap_share` of the tests;
    `with_mdf` lets some loggers write ASAM MDF 4 (needs the extra `mdf`); `with_twins` adds to
    the truth what every test of a faulty car would have shown without the fault; `broken_logs`
    files that cannot be read, added on top; `processes` that share the simulation, which
    changes no byte (more than one needs a main module that may be imported again);
    `on_progress` called with the number of logs written so far.
    """

    seconds: int
    faulty_share: float
    models: int
    years: int
    mishap_share: float
    with_mdf: bool
    with_twins: bool
    broken_logs: int
    processes: int
    on_progress: Callable[[int], None]


@dataclass(frozen=True)
class DemoFleet:
    """What was written and where."""

    folder: Path
    truth_path: Path
    n_vehicles: int
    n_tests: int
    n_repairs: int
    n_broken_logs: int


def _size(vehicles: int, tests: int, options: DemoOptions) -> FleetSize:
    """The fleet that the options ask for."""
    habits = Habits(
        mishap_share=options.get("mishap_share", MISHAP_SHARE),
        seconds=options.get("seconds", 900),
        with_mdf=options.get("with_mdf", False),
    )
    usual = FleetSize()
    return FleetSize(
        vehicles=vehicles,
        tests=tests,
        faulty_share=options.get("faulty_share", usual.faulty_share),
        n_models=options.get("models", usual.n_models),
        years=options.get("years", usual.years),
        habits=habits,
    )


def _check_order(folder: Path, truth_folder: Path, size: FleetSize) -> None:
    if truth_folder.resolve().is_relative_to(folder.resolve()):
        raise ValueError(
            f"the truth may not lie inside the workspace: {truth_folder} is under {folder}; "
            "give a folder beside it"
        )
    if min(size.vehicles, size.tests) < 1:
        raise ValueError(f"a fleet needs vehicles and tests, got {size.vehicles} and {size.tests}")
    if not 1 <= size.n_models <= len(FLEET_MODELS) or size.years < 1:
        raise ValueError(
            f"a fleet has 1 to {len(FLEET_MODELS)} models and at least one year, got "
            f"{size.n_models} models and {size.years} years"
        )


def _write_logs(fleet: Fleet, folder: Path, seed: int, options: DemoOptions) -> pl.DataFrame:
    """All logs; returns the true station values of every test."""
    order = LogOrder(
        folder / "logs",
        seed,
        options.get("seconds", 900),
        options.get("with_mdf", False),
        options.get("with_twins", False),
    )
    report = options.get("on_progress")
    done: list[pl.DataFrame] = []
    for stations in write_logs(fleet.tests, order, processes=options.get("processes", 1)):
        done.append(stations)
        if report is not None:
            report(sum(each.height for each in done))
    return pl.concat(done, how="diagonal")


def write_demo_fleet(
    folder: Path,
    truth_folder: Path,
    *,
    seed: int = 1,
    vehicles: int = 200,
    tests: int = 600,
    **options: Unpack[DemoOptions],
) -> DemoFleet:
    """Registry and logs of an invented fleet in `folder`, its truth in `truth_folder`.

    Parameters
    ----------
    folder
        The workspace; `registry/` and `logs/` are written there, files of the same name
        replaced.
    truth_folder
        Where the truth goes; must lie outside the workspace.
    seed, vehicles, tests
        Same values, same bytes. `tests` counts log files over all vehicles.
    options
        See `DemoOptions`.

    Raises
    ------
    ValueError
        The truth folder lies inside the workspace, or a count is out of its range.
    """
    folder, truth_folder = Path(folder), Path(truth_folder)
    size = _size(vehicles, tests, options)
    _check_order(folder, truth_folder, size)
    fleet = plan_fleet(np.random.default_rng([seed, 1]), size)
    stations = _write_logs(fleet, folder, seed, options)
    broken = write_broken_logs(
        folder / "logs",
        fleet.tests,
        options.get("broken_logs", 0),
        np.random.default_rng([seed, 3]),
    )
    listed = replace(fleet, tests=pl.concat([fleet.tests, broken]))
    write_registry(listed, folder / "registry", n_models=size.n_models)
    return DemoFleet(
        folder=folder,
        truth_path=write_truth(fleet, stations, truth_folder),
        n_vehicles=fleet.vehicles.height,
        n_tests=fleet.tests.height,
        n_repairs=fleet.repairs.height,
        n_broken_logs=broken.height,
    )
