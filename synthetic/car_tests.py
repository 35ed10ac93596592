"""Planned tests on the physical plant: rows of the plan in, truth and readings out.

Lays each test's car with its scatter, charge and faults, its surroundings and its course
before `plant`, and measures with the test's fitting. No physics here.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from synthetic.car_models import MODEL
from synthetic.plant.arrays import side_by_side
from synthetic.plant.conditions import Conditions, Profiles, surroundings
from synthetic.plant.curves import Curves, true_curves
from synthetic.plant.faults import FAULT_NAMES, Faults, usual_contaminant, with_faults
from synthetic.plant.sensors import Fitting, measure
from synthetic.plant.simulate import Stations, simulate

if TYPE_CHECKING:
    import polars as pl

    from synthetic.plant.arrays import Batch, FloatArray
    from synthetic.plant.cars import CarDesign

Row = dict[str, Any]

# the fan switch of a car wanders by this much [kPa] per unit of its own scatter
_FAN_SWITCH_KPA = 25.0
_REAR_BLOWER_PCT = 50.0
_ENGINE_WANDER_S, _IDLE_WANDER_RPM, _FAST_WANDER_RPM = 12.0, 9.0, 28.0
# evaporator target of a control left at an inside temperature instead of full cold [degC]
_SET_POINT_TARGET_C = 7.0
# under-hood air stands some 25 K over ambient at idle in the plant
_HOOD_OVER_AMBIENT_K = 25.0
# charge is the life's own; all other faults are applied by the plant
_APPLIED = tuple(name for name in FAULT_NAMES if name not in {"undercharge", "overcharge"})


@dataclass(frozen=True)
class CarTests:
    """A batch run: true curves and what the loggers read, arrays of second by test."""

    truth: Curves
    read: Curves


def own_car(row: Row) -> CarDesign:
    """The car of one test: its model with its own scatter and its true charge."""
    design = MODEL[row["model_id"]].design

    def own(name: str) -> float:
        return float(row[f"own_{name}"])

    target = _SET_POINT_TARGET_C if row["true_set_point_c"] is not None else design.target_c
    return replace(
        design,
        charge_kg=float(row["true_charge_g"]) / 1000.0,
        contaminant=float(usual_contaminant(design.refrigerant)),
        displacement_m3=design.displacement_m3 * (1.0 + 0.03 * own("pump")),
        boiling_kw_per_k=design.boiling_kw_per_k * (1.0 + 0.05 * own("coil")),
        blower_kg_per_s=design.blower_kg_per_s * (1.0 + 0.03 * own("blower")),
        condenser_air_kw_per_k=design.condenser_air_kw_per_k * (1.0 + 0.05 * own("condenser")),
        valve_area_m2=design.valve_area_m2 * (1.0 + 0.04 * own("valve")),
        valve_spring_kpa=design.valve_spring_kpa + 5.0 * own("setting"),
        valve_range_kpa=design.valve_range_kpa * float(np.exp(-0.2 * own("gain"))),
        subcooling_kw_per_k=design.subcooling_kw_per_k * (1.0 + 0.08 * own("subcool")),
        exchanger_effectiveness=design.exchanger_effectiveness * (1.0 + 0.06 * own("exchanger")),
        fan_high_on_kpa=design.fan_high_on_kpa + _FAN_SWITCH_KPA * own("fan"),
        fan_high_off_kpa=design.fan_high_off_kpa + _FAN_SWITCH_KPA * own("fan"),
        target_c=target + 0.6 * own("target"),
        suction_target_kpa=design.suction_target_kpa + 7.0 * own("target"),
        vents_differ_k=own("sides"),
        recirculation_leak=0.0,
    )


def _hurt_cars(rows: list[Row]) -> Batch:
    """The cars of a batch with their faults."""
    severities = [
        Faults(**{name: float(row.get(f"true_severity_{name}", 0.0)) for name in _APPLIED})
        for row in rows
    ]
    return with_faults(side_by_side([own_car(row) for row in rows]), side_by_side(severities))


def _conditions(row: Row) -> Conditions:
    """Weather and soak of one test."""
    soaked_c = row["true_ambient_c"] + row["true_soak_k"]
    return Conditions(
        ambient_c=row["true_ambient_c"],
        ambient_humidity_pct=row["true_ambient_humidity_pct"],
        barometric_kpa=row["true_site_kpa"],
        parts_c=soaked_c,
        cabin_c=soaked_c,
        coolant_c=row["true_ambient_c"] + row["true_coolant_over_ambient_k"],
        solar_share=0.0,
        doors_open=1.0 if row["true_doors_open"] else 0.0,
        hot_air_share=row["true_condenser_rise_k"] / _HOOD_OVER_AMBIENT_K,
    )


def _wander(rng: np.random.Generator, shape: tuple[int, int]) -> FloatArray:
    """Slow random wandering of standard deviation 1."""
    keep = np.exp(-1.0 / _ENGINE_WANDER_S)
    fresh = rng.standard_normal(shape)
    fresh[1:] *= np.sqrt(1.0 - keep**2)
    for second in range(1, shape[0]):
        fresh[second] += keep * fresh[second - 1]
    return np.asarray(fresh)


def _column(rows: list[Row], name: str) -> FloatArray:
    return np.array([row[name] for row in rows], dtype=np.float64)


def _profiles(rows: list[Row], seconds: int, rng: np.random.Generator) -> Profiles:
    """Engine, blower, flap and request of each second; sloppy tests change midway.

    With the engine off the blower stands too.
    """
    shape = (seconds, len(rows))
    clock = np.arange(seconds)[:, None]
    stop = _column(rows, "true_stop_s")
    is_awake = (clock >= _column(rows, "true_engine_from_s")) & (clock < stop)
    start, changes_at = _column(rows, "true_start_s"), _column(rows, "true_changes_at_s")
    has_changed = (changes_at >= 0) & (clock >= changes_at)

    def changing(name: str, before: str) -> FloatArray:
        return np.where(has_changed, _column(rows, name), _column(rows, before))

    wanted = changing("true_changed_engine_rpm", "true_engine_rpm")
    raised = np.clip((clock - start - _column(rows, "true_raise_after_s")) / 6.0, 0.0, 1.0)
    wander = np.where(wanted > 1000.0, _FAST_WANDER_RPM, _IDLE_WANDER_RPM)
    idle = 760.0 + 25.0 * (clock >= start)
    recirculated = np.broadcast_to(100.0 * _column(rows, "true_recirculated_share"), shape)
    return Profiles(
        engine_rpm=is_awake * (idle + (wanted - 800.0) * raised + wander * _wander(rng, shape)),
        vehicle_speed_kmh=np.zeros(shape),
        blower_pct=is_awake * changing("true_changed_blower_pct", "true_blower_pct"),
        rear_blower_pct=is_awake * np.full(shape, _REAR_BLOWER_PCT),
        recirculation_pct=recirculated.astype(np.float64),
        is_requested=np.where((clock >= start) & (clock < stop), 1.0, 0.0),
    )


def fittings_of(rows: list[Row]) -> Batch:
    """The fittings of planned tests, side by side."""
    names = [each.name for each in fields(Fitting)]
    return side_by_side([Fitting(**{name: row[f"fit_{name}"] for name in names}) for row in rows])


def simulate_stations(
    rows: list[Row], seconds: int, rng: np.random.Generator
) -> tuple[Stations, Batch]:
    """Every station of planned tests, one sample a second, and the cars with their faults."""
    cars = _hurt_cars(rows)
    around = surroundings([_conditions(row) for row in rows])
    return simulate(cars, around, _profiles(rows, seconds, rng)), cars


def simulate_tests(rows: list[Row], seconds: int, rng: np.random.Generator) -> Curves:
    """True curves of planned tests, one sample a second."""
    return true_curves(*simulate_stations(rows, seconds, rng))


def run_tests(tests: pl.DataFrame, *, seconds: int, rng: np.random.Generator) -> CarTests:
    """Truth and readings of the planned tests, one sample a second."""
    rows = tests.to_dicts()
    truth = simulate_tests(rows, seconds, rng)
    return CarTests(truth, measure(truth, fittings_of(rows), rng))
