"""A small invented shop on disk: registry, and logs quick to write. Not a physical car."""

from __future__ import annotations

import csv
import math
import random
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from pipeline.progress import Silence
from pipeline.run import Order, update_store
from pipeline.workspace import Workspace

if TYPE_CHECKING:
    from pathlib import Path

CLOCK = datetime(2026, 7, 20, 12, tzinfo=UTC)
FIRST_TEST = datetime(2026, 5, 4, 9, tzinfo=UTC)
HEADER = (
    "Time [s],low_side_kpa,high_side_kpa,compressor_suction_c,compressor_discharge_c,"
    "condenser_outlet_c,evaporator_outlet_c,duct_left_c,duct_right_c,intake_air_c,"
    "intake_humidity_pct,ambient_air_c,engine_rpm,condenser_fan_pct"
)
MODEL = {
    "model_id": "tolvanne_kombi",
    "refrigerant": "R1234yf",
    "compressor": "variable_external",
    "control_target": "evaporator_temperature",
    "expansion_device": "txv",
    "internal_heat_exchanger": "false",
    "low_port_station": "evaporator_outlet",
    "high_port_station": "compressor_discharge",
}
MODELS = ",".join(MODEL) + "\n" + ",".join(MODEL.values()) + "\n"


def log_text(seed: int, seconds: int = 420) -> str:
    """A log in canonical columns: a pull-down that settles, a fan stepping, small noise."""
    rng = random.Random(seed)
    own = rng.uniform(-1, 1)
    lines = [HEADER]
    for t in range(seconds):
        settled = 1 - math.exp(-t / 40)
        fan = 100 if (t // 60) % 3 else 50
        values = (
            400 - 90 * settled + 5 * own + rng.gauss(0, 1),
            900 + 500 * settled - fan + 10 * own + rng.gauss(0, 3),
            20 - 8 * settled + rng.gauss(0, 0.1),
            40 + 35 * settled + rng.gauss(0, 0.2),
            35 + 6 * settled + rng.gauss(0, 0.1),
            18 - 9 * settled + rng.gauss(0, 0.1),
            25 - 17 * settled + own + rng.gauss(0, 0.1),
            25 - 16.5 * settled + own + rng.gauss(0, 0.1),
            27 + rng.gauss(0, 0.1),
            45 + rng.gauss(0, 0.3),
            29 + rng.gauss(0, 0.1),
            1500 + rng.gauss(0, 8),
            fan,
        )
        lines.append(f"{t}," + ",".join(f"{value:.2f}" for value in values))
    return "\n".join(lines) + "\n"


@dataclass
class Shop:
    """A workspace under test."""

    root: Path

    @property
    def workspace(self) -> Workspace:
        return Workspace(self.root.resolve())

    def log(self, name: str) -> Path:
        return self.root / "logs" / name

    def write_log(self, name: str, seed: int, seconds: int = 420) -> None:
        self.log(name).parent.mkdir(parents=True, exist_ok=True)
        self.log(name).write_text(log_text(seed, seconds))

    def write_registry(self, rows: list[dict[str, str]], n_vehicles: int = 40) -> None:
        folder = self.root / "registry"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "models.csv").write_text(MODELS)
        vehicles = "".join(f"car{i:03d},tolvanne_kombi\n" for i in range(n_vehicles))
        (folder / "vehicles.csv").write_text("vehicle_id,model_id\n" + vehicles)
        names = ["log", "vehicle_id", "started_at", "test_id", "ambient_c", "protocol"]
        with (folder / "tests.csv").open("w", newline="") as file:
            writer = csv.DictWriter(file, names, restval="")
            writer.writeheader()
            writer.writerows(rows)

    def update(self, command: str = "run", clock: datetime = CLOCK, **steps):
        return update_store(self.workspace, Order(command, clock, **steps), Silence())

    def ingest(self):
        return self.update("ingest", does_assess=False).ingest


def test_row(number: int, name: str, **more: str) -> dict[str, str]:
    at = FIRST_TEST + timedelta(hours=5 * number)
    row = {
        "log": name,
        "vehicle_id": f"car{number % 40:03d}",
        "started_at": at.isoformat(),
        "ambient_c": "29",
    }
    return row | more


test_row.__test__ = False  # a row of the tests table, not a test


def open_shop(root: Path, n_logs: int, seconds: int = 420, settings: str = "") -> Shop:
    """A shop with so many logs, each with its row."""
    shop = Shop(root)
    root.mkdir(parents=True, exist_ok=True)
    (root / "chillroster.toml").write_text(settings)
    names = [f"bay{number % 3}/log{number:03d}.csv" for number in range(n_logs)]
    for number, name in enumerate(names):
        shop.write_log(name, number, seconds)
    shop.write_registry([test_row(number, name) for number, name in enumerate(names)])
    return shop
