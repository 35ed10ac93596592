"""Runs behind the sign tables: a healthy car and its faulty twins under one protocol.

Fan stages are held, so that like is compared with like: a fan that steps up on one twin
would hide what the fault does to the pressures. Frost has a row of its own and is kept out of the
others.
"""

from dataclasses import dataclass, replace

import numpy as np
from CoolProp.CoolProp import PropsSI

from synthetic.plant.arrays import side_by_side
from synthetic.plant.cars import ARCHITECTURES, CarDesign
from synthetic.plant.compressor import isentropic_efficiency
from synthetic.plant.conditions import Conditions, Course, profiles, surroundings
from synthetic.plant.faults import Faults, with_faults
from synthetic.plant.simulate import Stations, simulate

FLUID = "R1234yf"


@dataclass(frozen=True)
class Setting:
    """A car, its surroundings and its course; means are taken over the last part."""

    car: CarDesign
    around: Conditions
    course: Course
    from_s: int = 420


HELD_FAN = {"fan_high_on_kpa": 1.0, "fan_high_off_kpa": 0.5, "frost_kg_to_half": 1e3}
HOT = Conditions(
    ambient_c=35, ambient_humidity_pct=45, parts_c=40, cabin_c=45, coolant_c=85, doors_open=1.0
)
MILD = Conditions(ambient_c=24, ambient_humidity_pct=50, parts_c=27, cabin_c=26, coolant_c=85)
FULL_COLD = Course(seconds=620, engine_rpm=1500, blower_pct=100, recirculation_pct=0)
PART_LOAD = Course(seconds=620, engine_rpm=1500, blower_pct=60, recirculation_pct=0)
LOW_LOAD = Course(seconds=900, engine_rpm=1500, blower_pct=30, recirculation_pct=0)
DAMP = replace(MILD, ambient_humidity_pct=75)

FIXED = Setting(
    replace(ARCHITECTURES["yf_fixed_clutch"], displacement_m3=100e-6, **HELD_FAN), HOT, FULL_COLD
)
EXTERNAL_SATURATED = Setting(
    replace(ARCHITECTURES["yf_external_exchanger"], displacement_m3=110e-6, **HELD_FAN),
    HOT,
    FULL_COLD,
)
EXTERNAL = Setting(replace(ARCHITECTURES["yf_external_exchanger"], **HELD_FAN), MILD, PART_LOAD)
INTERNAL = Setting(
    replace(ARCHITECTURES["yf_internal"], exchanger_effectiveness=0.35, **HELD_FAN),
    MILD,
    PART_LOAD,
)
FIXED_LOW_LOAD = Setting(replace(FIXED.car, frost_kg_to_half=0.25), DAMP, LOW_LOAD, from_s=780)
ORIFICE = Setting(
    replace(
        ARCHITECTURES["134a_orifice_tube"],
        refrigerant=1.0,
        displacement_m3=110e-6,
        valve_area_m2=1.25e-6,
        # little reserve in the accumulator: else it moves to the condenser and fills it
        charge_kg=0.55,
        pressure_switch_off_kpa=60.0,
        pressure_switch_on_kpa=80.0,
        low_cut_out_kpa=60.0,
        **HELD_FAN,
    ),
    HOT,
    FULL_COLD,
)


def run(setting: Setting, faults: list[Faults]) -> tuple[Stations, object]:
    n = len(faults) + 1
    cars = with_faults(side_by_side([setting.car] * n), side_by_side([Faults(), *faults]))
    courses = profiles([setting.course] * n, np.random.default_rng(5))
    # the same engine in every twin
    for name in ("engine_rpm",):
        getattr(courses, name)[:] = getattr(courses, name)[:, :1]
    return simulate(cars, surroundings([setting.around] * n), courses), cars


def _saturation_c(kpa: np.ndarray, quality: float) -> np.ndarray:
    return PropsSI("T", "P", kpa.ravel() * 1e3, "Q", quality, FLUID).reshape(kpa.shape) - 273.15


def _discharge_residual_k(s: Stations, setting: Setting) -> np.ndarray:
    """Discharge temperature less what the healthy compressor's map asks for (CoolProp)."""
    healthy = side_by_side([setting.car] * s.engine_rpm.shape[1])
    p1, t1, p2 = s.compressor_suction_kpa, s.compressor_suction_c, s.discharge_kpa
    saturated = _saturation_c(p1, 1.0)
    kelvin = np.maximum(t1, saturated + 0.05) + 273.15
    h1 = PropsSI("H", "P", p1.ravel() * 1e3, "T", kelvin.ravel(), FLUID)
    s1 = PropsSI("S", "P", p1.ravel() * 1e3, "T", kelvin.ravel(), FLUID)
    h2s = PropsSI("H", "P", p2.ravel() * 1e3, "S", s1, FLUID)
    efficiency = isentropic_efficiency(healthy, p2 / p1, s.compressor_rpm, s.displacement)
    loss = setting.car.shell_loss_kw_per_k * (s.compressor_discharge_c - s.underhood_c)
    loss = 1e3 * loss / np.maximum(s.flow_kg_per_s, 5e-3)
    h2 = h1 + (h2s - h1) / efficiency.ravel() - loss.ravel()
    asked = PropsSI("T", "P", p2.ravel() * 1e3, "H", h2, FLUID).reshape(p1.shape) - 273.15
    return s.compressor_discharge_c - asked


def observed(setting: Setting, faults: list[Faults]) -> dict[str, np.ndarray]:
    """Change of each feature from the healthy twin, one value per fault; on-phase means."""
    s, _ = run(setting, faults)
    cut = slice(setting.from_s, None)
    s = Stations(*(getattr(s, name)[cut] for name in s.__dataclass_fields__))
    evaporating = _saturation_c(s.evaporator_outlet_kpa, 1.0)
    condensing = _saturation_c(s.condenser_outlet_kpa, 0.0)
    superheat = s.evaporator_outlet_c - evaporating
    columns = {
        "low_side": s.compressor_suction_kpa,
        "superheat": superheat,
        "suction_superheat": s.compressor_suction_c - _saturation_c(s.compressor_suction_kpa, 1.0),
        "high_side": s.condenser_outlet_kpa,
        "over_air": condensing - s.condenser_inlet_air_c,
        "subcooling": condensing - s.condenser_outlet_c,
        "valve_subcooling": condensing - s.expansion_inlet_c,
        "pressure_ratio": s.discharge_kpa / s.compressor_suction_kpa,
        "discharge": s.compressor_discharge_c,
        "discharge_residual": _discharge_residual_k(s, setting),
        "duct": s.duct_c,
        "approach": s.duct_c - evaporating,
        "displacement": s.displacement,
    }
    running = np.where(s.is_engaged > 0.5, 1.0, np.nan)
    means = {name: np.nanmean(column * running, axis=0) for name, column in columns.items()}
    found = {name: mean[1:] - mean[0] for name, mean in means.items()}
    found["superheat_swing"] = np.nanstd(superheat * running, axis=0)[1:]
    found["healthy_superheat_swing"] = np.nanstd(superheat * running, axis=0)[:1]
    found["healthy"] = np.array([mean[0] for mean in means.values()])
    return found
