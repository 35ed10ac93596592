"""The physical plant in the place of `behaviour`: planned tests in, true curves out.

`simulate` has the signature and the curve names of `behaviour.simulate`; it lays the cars of
the invented models, their scatter, faults and conditions before `plant`. No physics here.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from synthetic.behaviour import CURVES, Curves
from synthetic.faults import size
from synthetic.plant import cars as kinds
from synthetic.plant.arrays import side_by_side
from synthetic.plant.cars import ARCHITECTURES, WORKSHOP_CAR, CarDesign
from synthetic.plant.conditions import Conditions, Profiles, surroundings
from synthetic.plant.curves import true_curves
from synthetic.plant.faults import Faults, with_faults
from synthetic.plant.simulate import simulate as run_plant
from synthetic.scenario import MODELS

if TYPE_CHECKING:
    import polars as pl

    from synthetic.plant.arrays import Batch, FloatArray

# the fan switch of a car wanders by this much [kPa] per unit of its own scatter
_FAN_SWITCH_KPA = 25.0
_REAR_BLOWER_PCT = 50.0
_ENGINE_WANDER_S, _IDLE_WANDER_RPM, _FAST_WANDER_RPM = 12.0, 9.0, 28.0

DESIGNS: dict[str, CarDesign] = {
    "brelku_van": replace(
        WORKSHOP_CAR,
        exchanger_effectiveness=0.36,
        fan_high_on_kpa=1400.0,
        fan_high_off_kpa=1030.0,
    ),
    "osmelto_saloon": replace(
        ARCHITECTURES["yf_internal"],
        exchanger_effectiveness=0.31,
        displacement_m3=130e-6,
        pulley_ratio=1.4,
        high_port_station=kinds.HIGH_PORT_DISCHARGE,
        fan_low_kg_per_s=0.25,
        fan_high_on_kpa=1400.0,
        fan_high_off_kpa=1060.0,
    ),
    "pelvarn_pickup": replace(
        ARCHITECTURES["134a_fixed_clutch"],
        subcool_pass_share=0.06,
        receiver_m3=0.15e-3,
        low_port_station=kinds.LOW_PORT_EVAPORATOR,
        high_port_station=kinds.HIGH_PORT_DISCHARGE,
        fan_high_on_kpa=1400.0,
        fan_high_off_kpa=1060.0,
    ),
    "yarpelo_wagon": replace(
        ARCHITECTURES["134a_orifice_tube"],
        fan_low_kg_per_s=0.70,
        fan_high_on_kpa=9e3,
        fan_low_on_kpa=1360.0,
        fan_low_off_kpa=980.0,
    ),
    "vindrel_hatch": replace(
        ARCHITECTURES["yf_electric"],
        expansion_kind=0.0,
        displacement_m3=31e-6,
        greatest_rpm=6500.0,
        high_port_station=kinds.HIGH_PORT_DISCHARGE,
        fan_low_kg_per_s=0.25,
        fan_high_on_kpa=1340.0,
        fan_high_off_kpa=1020.0,
    ),
}
"""A plant design for each invented model; charges are brought to the model's own below."""

_SPACES = (
    "condenser_m3",
    "liquid_line_m3",
    "receiver_m3",
    "evaporator_m3",
    "accumulator_m3",
    "low_side_m3",
)


def design_of(model_id: str) -> CarDesign:
    """Design of a model with every space scaled so that its nominal charge is the model's."""
    design = DESIGNS[model_id]
    charge_kg = next(m.charge_g for m in MODELS if m.model_id == model_id) / 1000.0
    share = charge_kg / design.charge_kg
    spaces = {name: getattr(design, name) * share for name in _SPACES}
    return replace(design, charge_kg=charge_kg, **spaces)


def _own_car(row: dict[str, float | str | None]) -> CarDesign:
    """The car of one test: its model with its own scatter and its true charge."""
    design = design_of(str(row["model_id"]))

    def own(name: str) -> float:
        return float(row[f"own_{name}"] or 0.0)

    target = 7.0 if row["true_set_point_c"] is not None else design.target_c
    return replace(
        design,
        charge_kg=float(row["true_charge_g"] or 0.0) / 1000.0,
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


def _with_planned_faults(cars: Batch, tests: pl.DataFrame) -> Batch:
    """Cars with the planned faults at the sizes that the truth table states.

    Undercharge is in the true charge already; wear is set by its size, since the plant's own
    scale of severity is another.
    """
    names = {
        "condenser_blockage": "condenser_blockage",
        "dead_fan": "weak_fan",
        "valve_underfeeding": "valve_under_feeding",
        "blend_door_leak": "blend_door_leak",
    }
    kinds_, severities = tests["true_fault"].to_list(), tests["true_severity"].to_list()
    planned = [
        Faults(**({names[kind]: float(s)} if kind in names else {}))
        for kind, s in zip(kinds_, severities, strict=True)
    ]
    wear = np.array(
        [
            size(kind, s) if kind == "compressor_wear" else 0.0
            for kind, s in zip(kinds_, severities, strict=True)
        ]
    )
    hurt = with_faults(cars, side_by_side(planned))
    return hurt.with_columns(
        compressor_health=hurt.compressor_health * (1.0 - wear),
        work_health=hurt.work_health * (1.0 - 0.9 * wear),
    )


def _conditions(row: dict[str, float | str | None]) -> Conditions:
    """Weather and soak of one test."""
    ambient = float(row["true_ambient_c"] or 0.0)
    soak = float(row["true_soak_k"] or 0.0)
    return Conditions(
        ambient_c=ambient,
        ambient_humidity_pct=float(row["true_ambient_humidity_pct"] or 0.0),
        barometric_kpa=float(row["true_site_kpa"] or 0.0),
        parts_c=ambient + soak,
        cabin_c=ambient + soak,
        coolant_c=80.0,
        solar_share=0.0,
        doors_open=1.0 if row["doors_open"] else 0.0,
        # under-hood air stands some 25 K over ambient at idle in the plant
        hot_air_share=float(row["true_condenser_rise_k"] or 0.0) / 25.0,
    )


def _wander(rng: np.random.Generator, shape: tuple[int, int]) -> FloatArray:
    keep = np.exp(-1.0 / _ENGINE_WANDER_S)
    fresh = rng.standard_normal(shape) * np.sqrt(1.0 - keep**2)
    for second in range(1, shape[0]):
        fresh[second] += keep * fresh[second - 1]
    return np.asarray(fresh)


def _profiles(tests: pl.DataFrame, seconds: int, rng: np.random.Generator) -> Profiles:
    """Engine, blower, flap and request of each second; the engine is raised after the start."""
    shape = (seconds, tests.height)
    clock = np.arange(seconds)[:, None]
    start = tests["true_start_s"].to_numpy()
    wanted = tests["true_engine_rpm"].to_numpy()
    raised = np.clip((clock - start - tests["true_raise_after_s"].to_numpy()) / 6.0, 0.0, 1.0)
    wander = np.where(wanted > 1000.0, _FAST_WANDER_RPM, _IDLE_WANDER_RPM)
    idle = 760.0 + 25.0 * (clock >= start)

    def held(values: FloatArray) -> FloatArray:
        return np.broadcast_to(values, shape).astype(np.float64)

    return Profiles(
        engine_rpm=idle + (wanted - 800.0) * raised + wander * _wander(rng, shape),
        vehicle_speed_kmh=np.zeros(shape),
        blower_pct=held(tests["blower_pct"].to_numpy()),
        rear_blower_pct=np.full(shape, _REAR_BLOWER_PCT),
        recirculation_pct=held(100.0 * tests["true_recirculated_share"].to_numpy()),
        is_requested=held(np.where(clock >= start, 1.0, 0.0)),
    )


def simulate(tests: pl.DataFrame, *, seconds: int, rng: np.random.Generator) -> Curves:
    """True curves of the planned tests, `seconds` long, one sample a second."""
    rows = tests.to_dicts()
    cars = _with_planned_faults(side_by_side([_own_car(row) for row in rows]), tests)
    around = surroundings([_conditions(row) for row in rows])
    stations = run_plant(cars, around, _profiles(tests, seconds, rng))
    found = true_curves(stations, cars)
    stray = tests["true_intake_stray_share"].to_numpy()
    found["intake_air_c"] = found["intake_air_c"] + stray * (
        found["underhood_air_c"] - found["intake_air_c"]
    )
    return Curves({name: found[name] for name in CURVES})
