"""The log files of a planned fleet: simulated, measured and written a batch at a time.

The split into batches depends on the number of tests alone, so that the bytes do not depend
on how many processes share the work. Does not belong here: the plan (`fleet`), the form of
a file (`dialects`, `mdf_dialect`).
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from multiprocessing import get_context
from typing import TYPE_CHECKING, Any

import numpy as np

from synthetic.car_models import MODEL
from synthetic.car_tests import run_tests
from synthetic.dialects import WRITERS, Recording, packed
from synthetic.healthy_twins import healthy_twins
from synthetic.log_clock import log_clock
from synthetic.mdf_dialect import mdf4
from synthetic.planned_tests import dialect_of
from synthetic.scenario import INSTRUMENT
from synthetic.truth import station_truth

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    import polars as pl

    from synthetic.plant.arrays import FloatArray

# so many tests side by side fill the processor's cache but not its memory
MOST_IN_A_BATCH = 300

_COMMON = (
    "low_side_kpa", "high_side_kpa", "compressor_suction_c", "compressor_discharge_c",
    "condenser_outlet_c", "expansion_inlet_c", "evaporator_outlet_c", "duct_left_c",
    "duct_right_c", "intake_air_c", "intake_humidity_pct", "ambient_air_c", "condenser_fan_pct",
)  # fmt: skip
# sensors that a technician may leave in the box
_FORGETTABLE = ("expansion_inlet_c", "intake_humidity_pct", "duct_right_c", "condenser_outlet_c")


@dataclass(frozen=True)
class LogOrder:
    """How the logs are to be written; `with_twins` simulates faulty tests without fault too."""

    logs: Path
    seed: int
    seconds: int
    with_mdf: bool
    with_twins: bool = False


@dataclass(frozen=True)
class _Job:
    """One batch for one process."""

    number: int
    tests: pl.DataFrame
    order: LogOrder


def fitted_sensors(row: dict[str, object], rng: np.random.Generator) -> list[str]:
    """The sensors that this test's technician clamped on."""
    model = MODEL[str(row["model_id"])]
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
    # the car's own reading, where the logger is plugged in
    if not model.is_electric and rng.random() < 0.25:
        names += ["coolant_c"]
    if rng.random() < 0.04:
        names.remove(_FORGETTABLE[int(rng.integers(0, len(_FORGETTABLE)))])
    return names


def recording_of(row: dict[str, Any], readings: dict[str, FloatArray]) -> Recording:
    """The log of a planned test from its readings of every second."""
    clock = log_clock(row, int(row["true_logged_s"]))
    return Recording(
        readings={name: values[clock.kept] for name, values in readings.items()},
        started_at=datetime.fromisoformat(row["started_at"]),
        site_kpa=row["true_site_kpa"],
        site_id=row["site_id"],
        instrument_id=row["instrument_id"],
        interval_s=int(row["fit_interval_s"]),
        instants_s=clock.instants_s,
    )


def write_log(path: Path, recording: Recording, instrument_id: str, *, with_mdf: bool) -> None:
    """One log file in the dialect and packing of one of the scenario's instruments."""
    dialect = dialect_of(instrument_id, with_mdf=with_mdf)
    path.parent.mkdir(parents=True, exist_ok=True)
    if dialect == "mdf4":
        path.write_bytes(mdf4(recording))
        return
    path.write_bytes(packed(WRITERS[dialect](recording), INSTRUMENT[instrument_id].packing))


def _write_batch(job: _Job) -> pl.DataFrame:
    """The logs of one batch written; the true station values of its tests returned."""
    rng = np.random.default_rng([job.order.seed, 2, job.number])
    done = run_tests(job.tests, seconds=job.order.seconds, rng=rng)
    for test, row in enumerate(job.tests.iter_rows(named=True)):
        names = fitted_sensors(row, rng)
        recording = recording_of(row, {name: done.read[name][:, test] for name in names})
        path = job.order.logs / row["log"]
        write_log(path, recording, row["instrument_id"], with_mdf=job.order.with_mdf)
    stations = station_truth(job.tests, done.truth)
    if not job.order.with_twins:
        return stations
    # numbers of their own: the logs are the same with and without twins
    rng = np.random.default_rng([job.order.seed, 4, job.number])
    twins = healthy_twins(job.tests, seconds=job.order.seconds, rng=rng)
    return stations.join(twins, on="test_id", how="left", maintain_order="left")


def _jobs(tests: pl.DataFrame, order: LogOrder) -> list[_Job]:
    """An even number of batches of nearly the same size, so that two processes end together."""
    wanted = max(1, -(-tests.height // MOST_IN_A_BATCH))
    n_batches = wanted if wanted == 1 else wanted + wanted % 2
    edges = np.linspace(0, tests.height, n_batches + 1).round().astype(int).tolist()
    return [
        _Job(number, tests.slice(start, stop - start), order)
        for number, (start, stop) in enumerate(pairwise(edges))
    ]


def write_logs(
    tests: pl.DataFrame, order: LogOrder, *, processes: int = 1
) -> Iterator[pl.DataFrame]:
    """All logs written; true station values, one frame per finished batch, in order."""
    jobs = _jobs(tests, order)
    if processes <= 1 or len(jobs) == 1:
        yield from map(_write_batch, jobs)
        return
    # spawned, not forked: Polars runs threads, which a fork would break
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        yield from pool.map(_write_batch, jobs)
