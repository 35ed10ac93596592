"""The demo fleet on disk: registry and logs into a workspace, the truth somewhere else.

`write_demo_fleet` plans the fleet, simulates it in batches of bounded memory and writes every
log in its instrument's dialect. Same seed, same bytes. Does not belong here: settings and
commands of the tool, which must not know the truth.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict, Unpack

import numpy as np
import polars as pl

from synthetic.behaviour import Curves, simulate
from synthetic.broken_logs import write_broken_logs
from synthetic.dialects import WRITERS, Recording, packed
from synthetic.faults import BY_KIND, size
from synthetic.fleet import Fleet, FleetSize, plan_fleet
from synthetic.registry_files import write_registry
from synthetic.scenario import INSTRUMENTS, MODELS
from synthetic.sensors import measure

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_BATCH = 300
_INSTRUMENT = {each.instrument_id: each for each in INSTRUMENTS}
_MODEL = {each.model_id: each for each in MODELS}

_COMMON = (
    "low_side_kpa", "high_side_kpa", "compressor_suction_c", "compressor_discharge_c",
    "condenser_outlet_c", "expansion_inlet_c", "evaporator_outlet_c", "duct_left_c",
    "duct_right_c", "intake_air_c", "intake_humidity_pct", "ambient_air_c", "condenser_fan_pct",
)  # fmt: skip

# sensors that a technician may leave in the box
_FORGETTABLE = ("expansion_inlet_c", "intake_humidity_pct", "duct_right_c", "condenser_outlet_c")


class DemoOptions(TypedDict, total=False):
    """Options of `write_demo_fleet` that are seldom changed.

    `seconds` of each log; `faulty_share` of the cars; `broken_logs` files that cannot be read,
    added on top; `on_progress` called with the number of logs written so far.
    """

    seconds: int
    faulty_share: float
    broken_logs: int
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


def _fitted(row: dict[str, object], rng: np.random.Generator) -> list[str]:
    """The sensors that this test's technician clamped on."""
    model = _MODEL[str(row["model_id"])]
    names = list(_COMMON)
    if model.is_electric:
        names += ["compressor_rpm", "compressor_power_w"]
    else:
        names += ["engine_rpm"]
    if model.compressor == "variable_external":
        names += ["compressor_command_pct"]
    if model.has_clutch:
        names += ["compressor_on"]
    if model.rear_evaporator:
        names += ["rear_evaporator_outlet_c"]
    if rng.random() < 0.3:
        names += ["underhood_air_c"]
    if rng.random() < 0.04:
        names.remove(_FORGETTABLE[int(rng.integers(0, len(_FORGETTABLE)))])
    return names


def _recordings(
    tests: pl.DataFrame, read: Curves, rng: np.random.Generator
) -> Iterator[tuple[str, str, str, Recording]]:
    """Path, dialect, packing and recording of every test in a batch."""
    for column, row in enumerate(tests.iter_rows(named=True)):
        instrument = _INSTRUMENT[row["instrument_id"]]
        yield (
            row["log"],
            instrument.dialect,
            instrument.packing,
            Recording(
                readings={name: read[name][:, column] for name in _fitted(row, rng)},
                started_at=datetime.fromisoformat(row["started_at"]),
                site_kpa=row["true_site_kpa"],
                site_id=row["site_id"],
                instrument_id=row["instrument_id"],
            ),
        )


def _write_log(logs: Path, job: tuple[str, str, str, Recording]) -> None:
    """One log file written in its dialect."""
    name, dialect, packing, recording = job
    path = logs / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(packed(WRITERS[dialect](recording), packing))


def _write_logs(folder: Path, tests: pl.DataFrame, seed: int, options: DemoOptions) -> None:
    """All logs, simulated and written a batch at a time."""
    seconds = options.get("seconds", 900)
    report = options.get("on_progress")
    with ThreadPoolExecutor(2) as pool:
        for number, start in enumerate(range(0, tests.height, _BATCH)):
            batch = tests.slice(start, _BATCH)
            rng = np.random.default_rng([seed, 2, number])
            read = measure(batch, simulate(batch, seconds=seconds, rng=rng), rng)
            jobs = _recordings(batch, read, rng)
            for _ in pool.map(lambda job: _write_log(folder / "logs", job), jobs):
                pass
            if report is not None:
                report(start + batch.height)


def truth_of(fleet: Fleet) -> pl.DataFrame:
    """The truth per test: fault, severity and physical size, onset, charge, conditions."""
    kinds, severities = fleet.tests["true_fault"], fleet.tests["true_severity"]
    sizes = [size(kind, severity) for kind, severity in zip(kinds, severities, strict=True)]
    units = [BY_KIND[kind].unit if kind in BY_KIND else None for kind in kinds]
    return fleet.tests.select(
        "test_id",
        "log",
        "vehicle_id",
        "model_id",
        "started_at",
        (pl.col("true_severity") > 0).alias("is_faulty"),
        pl.col("true_fault").alias("fault"),
        pl.col("true_severity").alias("severity"),
        pl.Series("fault_size", sizes, pl.Float64),
        pl.Series("fault_size_unit", units, pl.String),
        pl.col("true_onset").cast(pl.Date).alias("onset_date"),
        pl.col("true_charge_g"),
        pl.col("true_ambient_c"),
        pl.col("true_ambient_humidity_pct"),
        pl.col("true_site_kpa"),
        pl.col("true_condenser_rise_k"),
        pl.col("true_intake_stray_share"),
        "purpose",
        "repair_id",
    )


def _write_truth(fleet: Fleet, truth_folder: Path) -> Path:
    """The truth tables, per test and per repair, as Parquet and CSV."""
    truth_folder.mkdir(parents=True, exist_ok=True)
    frames = {"truth_tests": truth_of(fleet), "truth_repairs": fleet.repairs}
    for name, frame in frames.items():
        if frame.width:
            frame.write_parquet(truth_folder / f"{name}.parquet", statistics=False)
            frame.write_csv(truth_folder / f"{name}.csv")
    return truth_folder / "truth_tests.parquet"


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
        The truth folder lies inside the workspace, or a count is below one.
    """
    folder, truth_folder = Path(folder), Path(truth_folder)
    if truth_folder.resolve().is_relative_to(folder.resolve()):
        raise ValueError(
            f"the truth may not lie inside the workspace: {truth_folder} is under {folder}; "
            "give a folder beside it"
        )
    if min(vehicles, tests) < 1:
        raise ValueError(f"a fleet needs vehicles and tests, got {vehicles} and {tests}")
    plan_size = FleetSize(vehicles, tests, options.get("faulty_share", 0.12))
    fleet = plan_fleet(np.random.default_rng([seed, 1]), plan_size)
    _write_logs(folder, fleet.tests, seed, options)
    broken = write_broken_logs(
        folder / "logs",
        fleet.tests,
        options.get("broken_logs", 0),
        np.random.default_rng([seed, 3]),
    )
    listed = replace(fleet, tests=pl.concat([fleet.tests, broken]))
    write_registry(listed, folder / "registry")
    return DemoFleet(
        folder=folder,
        truth_path=_write_truth(fleet, truth_folder),
        n_vehicles=fleet.vehicles.height,
        n_tests=fleet.tests.height,
        n_repairs=fleet.repairs.height,
        n_broken_logs=broken.height,
    )
