"""Faults of a car as changes of its physical quantities, each with a severity from 0 to 1.

A fault never touches an output: it changes an area, a flow, an efficiency, a mass or a sensor
of the car's own control, and the circuit does the rest. Severity 0 changes nothing and
severity 1 is a gross fault; faults combine. Effects at full severity are chosen, in the
range that physics allows (common practice, no source).
"""

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np

from synthetic.plant import cars as kinds
from synthetic.plant.arrays import Batch, FloatArray
from synthetic.plant.property_tables import PROPANE, R134A, R1234YF
from synthetic.plant.valves import ORIFICE_TUBE

# effect at severity 1 of each fault. One scale for all: 0.5 is medium, the least that a careful
# technician would call a clear case, and shows what the trade's fault tables say of the fault
LOST_CHARGE_SHARE = 0.70
ADDED_CHARGE_SHARE = 0.50
BLOCKED_CONDENSER_SHARE = 0.70
DEAD_FAN_SHARE = 1.0
FOREIGN_GAS_MOL = 0.055
WORN_VOLUMETRIC_SHARE, WORN_WORK_SHARE = 0.45, 0.42
STUCK_LOW_STROKE, STUCK_HIGH_STROKE = 0.08, 1.0
UNDER_FED_SHARE = 0.95
OVER_FED_OPENING, OVER_FED_AREA = 0.80, 1.8
HUNTING_RANGE_LEFT, HUNTING_BULB_SHARE, HUNTING_NEEDLE_S = 0.20, 1.8, 10.0
RESTRICTION_FACTOR = 3.6e9
LOST_AIR_SHARE = 0.65
ICING_BIAS_K = 14.0
BLEND_LEAK_SHARE, HEATER_LEAK_SHARE = 0.30, 0.35
FOULED_EXCHANGER_SHARE = 0.95
OIL_BOILING_SHARE, OIL_AIR_SHARE, OIL_ROOM_M3, OIL_WORK_SHARE = 0.65, 0.14, 0.07e-3, 0.07
WRONG_REFRIGERANT_SHARE = 0.50


@dataclass(frozen=True, kw_only=True)
class Faults:
    """Severities of one car at the time of a test [0 to 1]."""

    undercharge: float = 0.0
    overcharge: float = 0.0
    condenser_blockage: float = 0.0
    weak_fan: float = 0.0
    non_condensables: float = 0.0
    compressor_wear: float = 0.0
    displacement_stuck_low: float = 0.0
    displacement_stuck_high: float = 0.0
    valve_under_feeding: float = 0.0
    valve_over_feeding: float = 0.0
    valve_hunting: float = 0.0
    liquid_restriction: float = 0.0
    evaporator_air_low: float = 0.0
    icing: float = 0.0
    blend_door_leak: float = 0.0
    heater_valve_leak: float = 0.0
    exchanger_fouled: float = 0.0
    oil_overcharge: float = 0.0
    wrong_refrigerant: float = 0.0


FAULT_NAMES = tuple(field.name for field in fields(Faults))
Change = dict[str, FloatArray]


def _undercharge(cars: Batch, s: FloatArray) -> Change:
    return {"charge_kg": cars.charge_kg * (1.0 - LOST_CHARGE_SHARE * s)}


def _overcharge(cars: Batch, s: FloatArray) -> Change:
    return {"charge_kg": cars.charge_kg * (1.0 + ADDED_CHARGE_SHARE * s)}


def _condenser_blockage(cars: Batch, s: FloatArray) -> Change:
    return {"condenser_open_share": cars.condenser_open_share * (1.0 - BLOCKED_CONDENSER_SHARE * s)}


def _weak_fan(cars: Batch, s: FloatArray) -> Change:
    return {"fan_health": cars.fan_health * (1.0 - DEAD_FAN_SHARE * s)}


def _non_condensables(cars: Batch, s: FloatArray) -> Change:
    return {"non_condensable_mol": cars.non_condensable_mol + FOREIGN_GAS_MOL * s}


def _compressor_wear(cars: Batch, s: FloatArray) -> Change:
    return {
        "compressor_health": cars.compressor_health * (1.0 - WORN_VOLUMETRIC_SHARE * s),
        "work_health": cars.work_health * (1.0 - WORN_WORK_SHARE * s),
    }


def _displacement_stuck_low(cars: Batch, s: FloatArray) -> Change:
    """Stroke cannot grow past a limit that falls with severity; fixed machines have none.

    In equal ratios: what a stuck stroke costs is the ratio to the stroke that the load asks for.
    """
    limit = STUCK_LOW_STROKE**s
    can_move = np.isin(cars.compressor_kind, (kinds.INTERNAL, kinds.EXTERNAL))
    greatest = np.where(can_move, np.minimum(cars.greatest_displacement, limit), 1.0)
    return {"greatest_displacement": greatest}


def _displacement_stuck_high(cars: Batch, s: FloatArray) -> Change:
    """Stroke cannot shrink below a limit that rises with severity, fast at first.

    A stroke stuck at what most loads ask for is no fault yet.
    """
    can_move = np.isin(cars.compressor_kind, (kinds.INTERNAL, kinds.EXTERNAL))
    limit = np.minimum(STUCK_HIGH_STROKE * np.sqrt(s), cars.greatest_displacement)
    least = np.where(can_move, np.maximum(cars.least_displacement, limit), cars.least_displacement)
    return {"least_displacement": least}


def _valve_under_feeding(cars: Batch, s: FloatArray) -> Change:
    return {"valve_area_m2": cars.valve_area_m2 * (1.0 - UNDER_FED_SHARE * s)}


def _valve_over_feeding(cars: Batch, s: FloatArray) -> Change:
    """A needle that does not close: a least opening, and a larger seat."""
    return {
        "valve_least_opening": np.maximum(cars.valve_least_opening, OVER_FED_OPENING * s),
        "valve_bias": cars.valve_bias + OVER_FED_OPENING * s,
        "valve_area_m2": cars.valve_area_m2 * (1.0 + OVER_FED_AREA * s),
    }


def _valve_hunting(cars: Batch, s: FloatArray) -> Change:
    """A bulb that has lost contact lags, and a worn spring makes the valve hasty."""
    is_valve = cars.expansion_kind != ORIFICE_TUBE
    share = np.where(is_valve, s, 0.0)
    return {
        "valve_range_kpa": cars.valve_range_kpa * HUNTING_RANGE_LEFT**share,
        "bulb_s": cars.bulb_s * (1.0 + HUNTING_BULB_SHARE * share),
        "valve_needle_s": cars.valve_needle_s + HUNTING_NEEDLE_S * share,
    }


def _liquid_restriction(cars: Batch, s: FloatArray) -> Change:
    return {"restriction_factor": cars.restriction_factor + RESTRICTION_FACTOR * s**2}


def _evaporator_air_low(cars: Batch, s: FloatArray) -> Change:
    return {"evaporator_open_share": cars.evaporator_open_share * (1.0 - LOST_AIR_SHARE * s)}


def _icing(cars: Batch, s: FloatArray) -> Change:
    """The coil's sensor reads too warm, so that the control goes on below freezing."""
    return {"fin_sensor_bias_k": cars.fin_sensor_bias_k + ICING_BIAS_K * s}


def _blend_door_leak(cars: Batch, s: FloatArray) -> Change:
    return {"blend_door_leak": cars.blend_door_leak + BLEND_LEAK_SHARE * s}


def _heater_valve_leak(cars: Batch, s: FloatArray) -> Change:
    return {"heater_leak": cars.heater_leak + HEATER_LEAK_SHARE * s}


def _exchanger_fouled(cars: Batch, s: FloatArray) -> Change:
    left = 1.0 - FOULED_EXCHANGER_SHARE * s
    return {"exchanger_effectiveness": cars.exchanger_effectiveness * left}


def _oil_overcharge(cars: Batch, s: FloatArray) -> Change:
    """Oil coats the tubes, takes room on the high side and costs work."""
    return {
        "boiling_kw_per_k": cars.boiling_kw_per_k * (1.0 - OIL_BOILING_SHARE * s),
        "condensing_kw_per_k": cars.condensing_kw_per_k * (1.0 - OIL_AIR_SHARE * s),
        "condenser_m3": cars.condenser_m3 - OIL_ROOM_M3 * s,
        "work_health": cars.work_health * (1.0 - OIL_WORK_SHARE * s),
    }


def _wrong_refrigerant(cars: Batch, s: FloatArray) -> Change:
    """Another refrigerant mixed in: the car's `contaminant`. Propane is stronger per mass."""
    strength = np.where(cars.contaminant == PROPANE, 0.4, 1.0)
    share = np.minimum(WRONG_REFRIGERANT_SHARE * s * strength, 0.9)
    return {"contaminant_share": np.maximum(cars.contaminant_share, share)}


CHANGES: dict[str, Callable[[Batch, FloatArray], Change]] = {
    "undercharge": _undercharge,
    "overcharge": _overcharge,
    "condenser_blockage": _condenser_blockage,
    "weak_fan": _weak_fan,
    "non_condensables": _non_condensables,
    "compressor_wear": _compressor_wear,
    "displacement_stuck_low": _displacement_stuck_low,
    "displacement_stuck_high": _displacement_stuck_high,
    "valve_under_feeding": _valve_under_feeding,
    "valve_over_feeding": _valve_over_feeding,
    "valve_hunting": _valve_hunting,
    "liquid_restriction": _liquid_restriction,
    "evaporator_air_low": _evaporator_air_low,
    "icing": _icing,
    "blend_door_leak": _blend_door_leak,
    "heater_valve_leak": _heater_valve_leak,
    "exchanger_fouled": _exchanger_fouled,
    "oil_overcharge": _oil_overcharge,
    "wrong_refrigerant": _wrong_refrigerant,
}


def with_faults(cars: Batch, severities: Batch) -> Batch:
    """Cars with their faults; severities outside 0 to 1 are an error."""
    changed = cars
    for name in FAULT_NAMES:
        severity = getattr(severities, name)
        if np.any((severity < 0.0) | (severity > 1.0)):
            raise ValueError(f"severity of {name} must lie within 0 to 1; found {severity}")
        if np.any(severity > 0.0):
            changed = changed.with_columns(**CHANGES[name](changed, severity))
    return changed


def usual_contaminant(refrigerant: float) -> int:
    """The other automotive refrigerant, which shops hold beside the right one."""
    return R1234YF if refrigerant == R134A else R134A
