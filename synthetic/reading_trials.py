"""Trials for what is read out of a test: logs without mishaps, and the truth second by second.

`write_reading_trials` plans cars of all architectures, a third of them with a fault, has them
tested, leaves the command channels out of some logs, and writes beside the logs what really
was: superheat and subcooling at their stations, regimes, events. Does not belong here: sensor
mishaps (`trust_trials`), what can be seen in a log, scores.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from synthetic.car_models import MODELS
from synthetic.car_tests import fittings_of, simulate_stations
from synthetic.fleet import FleetSize, plan_fleet
from synthetic.logs import MOST_IN_A_BATCH, fitted_sensors, recording_of, write_log
from synthetic.planned_tests import Habits
from synthetic.plant import cars as kinds
from synthetic.plant.curves import port_pressures, true_curves
from synthetic.plant.properties import Charge
from synthetic.plant.sensors import measure
from synthetic.registry_files import write_registry
from synthetic.true_control import Control, true_events, true_regimes

if TYPE_CHECKING:
    from collections.abc import Callable

    from synthetic.plant.arrays import Batch, FloatArray
    from synthetic.plant.simulate import Stations

_Row = dict[str, Any]
COMMANDS = (
    "condenser_fan_pct", "compressor_on", "compressor_command_pct", "compressor_rpm",
    "compressor_power_w",
)  # fmt: skip
_FAULTY_SHARE = 0.35
_TESTS_PER_CAR = 2
_DECIMALS = 3


@dataclass(frozen=True)
class ReadingOrder:
    """How many tests, of how many seconds, and the share of logs without command channels."""

    seed: int = 1
    tests: int = 300
    seconds: int = 900
    without_commands: float = 0.4


@dataclass(frozen=True)
class ReadingTruth:
    """Where the truth lies: tests, seconds and events, one parquet file each."""

    tests: Path
    seconds: Path
    events: Path

    @classmethod
    def in_folder(cls, folder: Path) -> ReadingTruth:
        """The files of a folder."""
        return cls(*(folder / f"truth_{name}.parquet" for name in ("tests", "seconds", "events")))


def write_reading_trials(
    folder: Path,
    truth_folder: Path,
    order: ReadingOrder,
    on_progress: Callable[[int], None] | None = None,
) -> ReadingTruth:
    """Logs and registry of the trials in `folder`, their truth in `truth_folder`.

    Same order, same bytes. `on_progress` is called with the number of logs written so far.

    Raises
    ------
    ValueError
        The truth folder lies inside the workspace.
    """
    folder, truth_folder = Path(folder).resolve(), Path(truth_folder).resolve()
    if truth_folder.is_relative_to(folder):
        raise ValueError(
            f"the truth may not lie inside the workspace: {truth_folder} is under {folder}; "
            "give a folder beside it"
        )
    habits = Habits(mishap_share=0.0, seconds=order.seconds)
    n_cars = max(len(MODELS), order.tests // _TESTS_PER_CAR)
    size = FleetSize(n_cars, order.tests, _FAULTY_SHARE, n_models=len(MODELS), habits=habits)
    fleet = plan_fleet(np.random.default_rng([order.seed, 21]), size)
    write_registry(fleet, folder / "registry", n_models=len(MODELS))
    parts: list[_Truth] = []
    for start in range(0, fleet.tests.height, MOST_IN_A_BATCH):
        rows = fleet.tests.slice(start, MOST_IN_A_BATCH).to_dicts()
        rng = np.random.default_rng([order.seed, 22, start])
        parts.append(_write_batch(rows, folder / "logs", order, rng))
        if on_progress is not None:
            on_progress(start + len(rows))
    return _written(parts, ReadingTruth.in_folder(truth_folder))


@dataclass(frozen=True)
class _Truth:
    """The truth of one batch: frames by test, by second, by event."""

    tests: pl.DataFrame
    seconds: pl.DataFrame
    events: pl.DataFrame


def _written(parts: list[_Truth], files: ReadingTruth) -> ReadingTruth:
    files.tests.parent.mkdir(parents=True, exist_ok=True)
    for name in ("tests", "seconds", "events"):
        frame = pl.concat([getattr(part, name) for part in parts])
        frame.write_parquet(getattr(files, name), statistics=False)
    return files


def _write_batch(
    rows: list[_Row], logs: Path, order: ReadingOrder, rng: np.random.Generator
) -> _Truth:
    """The logs of one batch written; their truth."""
    stations, cars = simulate_stations(rows, order.seconds, rng)
    read = measure(true_curves(stations, cars), fittings_of(rows), rng)
    blind = rng.random(len(rows)) < order.without_commands
    for test, row in enumerate(rows):
        names = fitted_sensors(row, rng)
        if blind[test]:
            names = [name for name in names if name not in COMMANDS]
        recording = recording_of(row, {name: read[name][:, test] for name in names})
        write_log(logs / row["log"], recording, row["instrument_id"], with_mdf=False)
    values = _station_values(stations, cars)
    controls = [_control(stations, cars, test) for test in range(len(rows))]
    lengths = [int(row["true_logged_s"]) for row in rows]
    return _Truth(
        pl.DataFrame([_test_row(row, bool(blind[n])) for n, row in enumerate(rows)]),
        _seconds(rows, lengths, values, controls),
        _events(rows, lengths, controls),
    )


def _test_row(row: _Row, is_blind: bool) -> _Row:  # noqa: FBT001 - a column of the row
    return {
        "test_id": row["test_id"],
        "log": row["log"],
        "model_id": row["model_id"],
        "fault": row["true_fault"],
        "fault_severity": row["true_severity"],
        "is_sloppy": row["true_is_sloppy"],
        "has_commands": not is_blind,
    }


def _station_values(stations: Stations, cars: Batch) -> dict[str, FloatArray]:
    """True superheat and subcooling [K] at each station, with the pressure that stands there."""
    charge = Charge.of(cars.refrigerant, cars.contaminant, cars.contaminant_share)

    def over(celsius: FloatArray, kpa: FloatArray) -> FloatArray:
        return celsius - charge.saturation_c(kpa)

    low, high = port_pressures(stations, cars)
    outlet_kpa = stations.evaporator_outlet_kpa
    condensed_kpa = stations.condenser_outlet_kpa
    return {
        "low_side_kpa": low,
        "high_side_kpa": high,
        "duct_air_c": stations.duct_c,
        "evaporator_outlet_superheat_k": over(stations.front_evaporator_outlet_c, outlet_kpa),
        "rear_evaporator_outlet_superheat_k": over(stations.rear_evaporator_outlet_c, outlet_kpa),
        "compressor_suction_superheat_k": over(
            stations.compressor_suction_c, stations.compressor_suction_kpa
        ),
        "compressor_discharge_superheat_k": over(
            stations.compressor_discharge_c, stations.discharge_kpa
        ),
        "condenser_outlet_subcooling_k": -over(stations.condenser_outlet_c, condensed_kpa),
        "expansion_inlet_subcooling_k": -over(stations.expansion_inlet_c, condensed_kpa),
    }


def _control(stations: Stations, cars: Batch, test: int) -> Control:
    return Control(
        kind=int(cars.compressor_kind[test]),
        greatest=_greatest_stroke(cars, test),
        is_engaged=stations.is_engaged[:, test] > 0.5,
        stroke=stations.displacement[:, test],
        demand=stations.demand[:, test],
        fan_stage=stations.fan_stage[:, test],
        duct_c=stations.duct_c[:, test],
        high_side_kpa=port_pressures(stations, cars)[1][:, test],
        engine_rpm=stations.engine_rpm[:, test],
    )


def _greatest_stroke(cars: Batch, test: int) -> float:
    """What the stroke reaches; one that follows its command stays short of it by its play."""
    follows = (cars.compressor_kind[test] == kinds.EXTERNAL) & (
        cars.control_target[test] == kinds.EVAPORATOR_TEMPERATURE
    )
    reached = 1.0 - follows * cars.stroke_play[test]
    return float(min(cars.greatest_displacement[test], reached))


def _seconds(
    rows: list[_Row],
    lengths: list[int],
    values: dict[str, FloatArray],
    controls: list[Control],
) -> pl.DataFrame:
    """One row per test and second that was logged."""
    return pl.concat(
        pl.DataFrame(
            {"test_id": [row["test_id"]] * length, "time_s": np.arange(length, dtype=np.float64)}
            | {
                name: curve[:length, test].round(_DECIMALS).astype(np.float32)
                for name, curve in values.items()
            }
            | {"regime": true_regimes(controls[test])[:length]}
        )
        for test, (row, length) in enumerate(zip(rows, lengths, strict=True))
    )


def _events(rows: list[_Row], lengths: list[int], controls: list[Control]) -> pl.DataFrame:
    schema = {
        "test_id": pl.String, "kind_code": pl.String, "time_s": pl.Float64, "size": pl.Float64,
        "swing_kpa": pl.Float64, "is_alone": pl.Boolean,
    }  # fmt: skip
    found = [
        (row["test_id"], *astuple(event))
        for row, length, control in zip(rows, lengths, controls, strict=True)
        for event in true_events(control)
        if event.time_s < length
    ]
    return pl.DataFrame(found, schema=schema, orient="row")
