"""Many log files, quick to write: simulated tests, each written again and again.

A hundred tests are simulated (soak, start, fan events, faults of cars and mishaps of sensors in
their usual shares) and laid out as a shop would log them. Every log is one of them with
every channel moved by a few display steps, so that no two files are equal. Cars of one
simulated test are of its model.

Run as `python -m tests.benchmarks.log_files FOLDER LOGS ROWS`: a process starts with the peak
of memory of the one that began it, so that who measures must not simulate.
"""

from __future__ import annotations

import csv
import json
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from synthetic.car_models import MODEL
from synthetic.car_tests import run_tests
from synthetic.fleet import FleetSize, plan_fleet

Curves = dict[str, np.ndarray]

# header and simulated curve; units as a shop in psig and degF would log them
SENSORS = (
    ("Low side [psig]", "low_side_kpa"),
    ("High side [psig]", "high_side_kpa"),
    ("Compressor suction [degF]", "compressor_suction_c"),
    ("Compressor discharge [degF]", "compressor_discharge_c"),
    ("Condenser outlet [degF]", "condenser_outlet_c"),
    ("Expansion inlet [degF]", "expansion_inlet_c"),
    ("Evaporator outlet [degF]", "evaporator_outlet_c"),
    ("Duct left [degF]", "duct_left_c"),
    ("Intake air [degF]", "intake_air_c"),
    ("Intake humidity [%]", "intake_humidity_pct"),
    ("Ambient air [degF]", "ambient_air_c"),
    ("Engine speed [rpm]", "engine_rpm"),
    ("Condenser fan [%]", "condenser_fan_pct"),
)
N_SIMULATED = 100
# a multiple of the simulated tests: all logs of a car are of one of them
N_VEHICLES = 400
_SITE_ALTITUDE_M, _SITE_KPA = 120.0, 99.9
_KPA_PER_PSI = 6.894757
_MOST_STEPS = 3
_USUAL_ROWS = 900
_MODEL_COLUMNS = (
    "model_id",
    "refrigerant",
    "compressor",
    "control_target",
    "expansion_device",
    "internal_heat_exchanger",
)
_NOTED = ("ambient_c", "ambient_humidity_pct", "recirculation", "blower_pct")


def write_workspace(root: Path, n_logs: int, n_rows: int, seed: int = 7) -> None:
    """A workspace of so many logs, each of so many rows at one per second."""
    (root / "logs").mkdir(parents=True)
    (root / "registry").mkdir()
    (root / "chillroster.toml").write_text(f"[site]\naltitude_m = {_SITE_ALTITUDE_M}\n")
    names = [f"week{number // 100:03d}/log{number:05d}.csv" for number in range(n_logs)]
    for folder in sorted({name.split("/")[0] for name in names}):
        (root / "logs" / folder).mkdir()
    planned, displayed = _simulated(n_rows, seed)
    _write_registry(root / "registry", names, planned)

    def write(number: int) -> None:
        rng = np.random.default_rng([seed, number])
        _log(displayed[number % N_SIMULATED], rng).write_csv(root / "logs" / names[number])

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(write, range(n_logs)))


def _simulated(n_rows: int, seed: int) -> tuple[pl.DataFrame, list[Curves]]:
    """The rows of the planned tests, and what a display of each showed, by header."""
    tests = plan_fleet(
        np.random.default_rng([seed, 0]), FleetSize(vehicles=100, tests=4 * N_SIMULATED)
    ).tests
    # a car with an engine, for whose speed there is a column
    has_engine = [not MODEL[model_id].is_electric for model_id in tests["model_id"]]
    planned = tests.filter(has_engine)[::2][:N_SIMULATED]
    # what befalls a test is planned for logs of the usual length
    read = run_tests(
        planned, seconds=max(n_rows, _USUAL_ROWS), rng=np.random.default_rng([seed, 1])
    ).read
    return planned, [
        {header: _displayed(curve, read[curve][:n_rows, test]) for header, curve in SENSORS}
        for test in range(planned.height)
    ]


def _displayed(curve: str, values: np.ndarray) -> np.ndarray:
    if curve.endswith("_kpa"):
        return (values - _SITE_KPA) / _KPA_PER_PSI
    return values * 1.8 + 32.0 if curve.endswith("_c") else values


def _log(displayed: Curves, rng: np.random.Generator) -> pl.DataFrame:
    """One log: the readings moved by some steps of the display, which leaves its ladder."""
    columns = {"Time [s]": np.arange(next(iter(displayed.values())).size, dtype=float)}
    for header, values in displayed.items():
        # speeds and stages start from a true zero
        has_offset = not header.startswith(("Engine speed", "Condenser fan"))
        moved = 0.1 * rng.integers(-_MOST_STEPS, _MOST_STEPS + 1) if has_offset else 0.0
        columns[header] = np.round(values + moved, 1)
    return pl.DataFrame(columns).fill_nan(None)


def _write_registry(folder: Path, names: list[str], planned: pl.DataFrame) -> None:
    rows = planned.rows(named=True)
    models = sorted({row["model_id"] for row in rows})
    _write(
        folder / "models.csv",
        _MODEL_COLUMNS,
        [tuple(getattr(MODEL[name], column) for column in _MODEL_COLUMNS) for name in models],
    )
    vehicles = [f"car{number:04d}" for number in range(N_VEHICLES)]
    _write(
        folder / "vehicles.csv",
        ("vehicle_id", "model_id"),
        [(name, rows[number % N_SIMULATED]["model_id"]) for number, name in enumerate(vehicles)],
    )
    first = datetime(2025, 4, 1, 8, tzinfo=UTC)
    tests = [
        (
            name,
            vehicles[number % N_VEHICLES],
            (first + timedelta(minutes=10 * number)).isoformat(),
            *(rows[number % N_SIMULATED][column] for column in _NOTED),
        )
        for number, name in enumerate(names)
    ]
    _write(folder / "tests.csv", ("log", "vehicle_id", "started_at", *_NOTED), tests)


def _write(path: Path, header: tuple[str, ...], rows: list[tuple[object, ...]]) -> None:
    with path.open("w", newline="") as file:
        csv.writer(file).writerows([header, *rows])


def main() -> None:
    """Write a workspace."""
    folder, n_logs, n_rows = sys.argv[1:]
    write_workspace(Path(folder), int(n_logs), int(n_rows))
    print(json.dumps({"logs": int(n_logs)}))


if __name__ == "__main__":
    main()
