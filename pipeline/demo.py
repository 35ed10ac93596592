"""Demo: a simulated fleet in a workspace of its own, worked out from end to end.

Takes a new folder and the size of the fleet, gives what a run gives. The truth table
lies in a folder beside the workspace, where no command looks. Does not belong here: the
simulation (`synthetic`) and the steps (`run`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from pipeline.init import init_workspace
from pipeline.inputs import read_inputs
from pipeline.progress import begin_counted
from pipeline.report import write_report
from pipeline.run import Order, StoreSummary, update_store
from synthetic.demo import write_demo_fleet

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from pipeline.inputs import Inputs
    from pipeline.progress import Progress
    from reports.site import SiteResult


@dataclass(frozen=True)
class DemoOrder:
    """What a demo is to be."""

    folder: Path
    n_vehicles: int
    n_tests: int
    seed: int
    n_models: int = 5
    n_years: int = 2
    with_mdf: bool = False


@dataclass(frozen=True)
class DemoSummary:
    """What a demo made."""

    store: StoreSummary
    site: SiteResult
    truth_folder: Path


def make_demo(order: DemoOrder, progress: Progress) -> DemoSummary:
    """Simulate a fleet into a new workspace, run everything on it, write its site.

    The demo takes the day after its last test for now, so that it is the same every day.
    """
    workspace = init_workspace(order.folder)
    # beside the workspace, never inside: no command may come across it
    truth_folder = workspace.root.with_name(f"{workspace.root.name}-truth")
    tell = begin_counted(progress, "Simulating the fleet", order.n_tests)
    write_demo_fleet(
        workspace.root,
        truth_folder,
        seed=order.seed,
        vehicles=order.n_vehicles,
        tests=order.n_tests,
        processes=2,
        models=order.n_models,
        years=order.n_years,
        with_mdf=order.with_mdf,
        on_progress=tell,
    )
    inputs = read_inputs(workspace)
    clock = _day_after_the_last_test(inputs)
    store = update_store(workspace, Order("demo", clock), progress, inputs)
    site = write_report(workspace, clock, progress)
    return DemoSummary(store, site, truth_folder)


def _day_after_the_last_test(inputs: Inputs) -> datetime:
    latest: datetime = inputs.registry.tests["started_at"].max()  # type: ignore[assignment]
    return latest + timedelta(days=1)
