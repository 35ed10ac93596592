"""Many log files, quick to write: a shop's worth of curves with noise, not a physical car."""

from __future__ import annotations

import csv
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

if TYPE_CHECKING:
    from pathlib import Path

# header, start, settled value, noise; units as a shop in psig and degF would log them
SENSORS = (
    ("Low side [psig]", 60.0, 30.0, 0.3),
    ("High side [psig]", 120.0, 190.0, 1.0),
    ("Compressor suction [degF]", 75.0, 55.0, 0.2),
    ("Compressor discharge [degF]", 100.0, 165.0, 0.4),
    ("Condenser outlet [degF]", 95.0, 108.0, 0.2),
    ("Expansion inlet [degF]", 95.0, 106.0, 0.2),
    ("Evaporator outlet [degF]", 70.0, 48.0, 0.2),
    ("Duct left [degF]", 78.0, 46.0, 0.2),
    ("Duct right [degF]", 78.0, 47.0, 0.2),
    ("Intake air [degF]", 82.0, 80.0, 0.2),
    ("Intake humidity [%]", 50.0, 45.0, 0.5),
    ("Ambient air [degF]", 86.0, 86.0, 0.2),
    ("Engine speed [rpm]", 1500.0, 1500.0, 8.0),
)
N_VEHICLES = 400
MODELS = ("tolvanne_kombi", "ostreva_coupe", "milgaard_bus")


def write_workspace(root: Path, n_logs: int, n_rows: int, seed: int = 7) -> None:
    """A workspace of so many logs, each of so many rows at one per second."""
    (root / "logs").mkdir(parents=True)
    (root / "registry").mkdir()
    (root / "chillroster.toml").write_text("[site]\naltitude_m = 120.0\n")
    names = [f"week{number // 100:03d}/log{number:05d}.csv" for number in range(n_logs)]
    for folder in sorted({name.split("/")[0] for name in names}):
        (root / "logs" / folder).mkdir()
    _write_registry(root / "registry", names)

    def write(number: int) -> None:
        rng = np.random.default_rng([seed, number])
        _log(n_rows, rng).write_csv(root / "logs" / names[number])

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(write, range(n_logs)))


def _log(n_rows: int, rng: np.random.Generator) -> pl.DataFrame:
    time_s = np.arange(n_rows, dtype=float)
    settled = 1 - np.exp(-time_s / 60)
    columns = {"Time [s]": time_s}
    for name, start, end, noise in SENSORS:
        own = rng.normal(0, 3 * noise)
        curve = start + (end - start) * settled + own + rng.normal(0, noise, n_rows)
        columns[name] = np.round(curve, 1)
    return pl.DataFrame(columns)


def _write_registry(folder: Path, names: list[str]) -> None:
    _write(
        folder / "models.csv",
        ("model_id", "refrigerant", "compressor", "control_target", "expansion_device"),
        [(m, "R1234yf", "variable_external", "evaporator_temperature", "txv") for m in MODELS],
    )
    vehicles = [f"car{number:04d}" for number in range(N_VEHICLES)]
    _write(
        folder / "vehicles.csv",
        ("vehicle_id", "model_id"),
        [(name, MODELS[number % len(MODELS)]) for number, name in enumerate(vehicles)],
    )
    first = datetime(2026, 4, 1, 8, tzinfo=UTC)
    rows = [
        (name, vehicles[number % N_VEHICLES], (first + timedelta(minutes=40 * number)).isoformat())
        for number, name in enumerate(names)
    ]
    _write(folder / "tests.csv", ("log", "vehicle_id", "started_at"), rows)


def _write(path: Path, header: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
    with path.open("w", newline="") as file:
        csv.writer(file).writerows([header, *rows])
