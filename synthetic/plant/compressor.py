"""Compressors: how much they pump and what work they put in, over pressure ratio and speed.

Reciprocating and scroll machines share one shape with their own numbers. Array functions
over the tests. Clutch, valve and speed control live in `controls`.
"""

from dataclasses import dataclass

import numpy as np

from synthetic.plant.arrays import Batch, FloatArray
from synthetic.plant.properties import Charge, Saturation

# slip past rings, valves or scroll flanks falls with speed; shape chosen, no source
SLIP_REFERENCE_RPM = 1000.0
# how fast the isentropic efficiency falls away from the best pressure ratio; shape chosen
RATIO_FALL_BELOW, RATIO_FALL_ABOVE = 0.10, 0.012
LEAST_ISENTROPIC = 0.25


@dataclass(frozen=True)
class Suction:
    """Gas at the compressor inlet: pressure, enthalpy, its saturation, and discharge pressure."""

    kpa: FloatArray
    kj_per_kg: FloatArray
    saturation: Saturation
    discharge_kpa: FloatArray


@dataclass(frozen=True)
class Pumping:
    """What the compressor does: flow, inlet density, work on the gas per mass."""

    flow_kg_per_s: FloatArray
    suction_kg_per_m3: FloatArray
    work_kj_per_kg: FloatArray
    isentropic_efficiency: FloatArray


def suction_density_kg_per_m3(charge: Charge, suction: Suction) -> FloatArray:
    """Density at the inlet [kg/m3], wet or superheated."""
    above = suction.kj_per_kg - suction.saturation.vapour_kj_per_kg
    dry = charge.vapour_kg_per_m3(suction.kpa, np.maximum(above, 0.0))
    quality = 1.0 + np.minimum(above, 0.0) / suction.saturation.latent_kj_per_kg
    return dry / np.maximum(quality, 0.2)


def volumetric_flow_share(
    cars: Batch, ratio: FloatArray, rpm: FloatArray, displacement: FloatArray
) -> FloatArray:
    """Pumped share of the full swept volume [1].

    Clearance gas re-expands polytropically (any textbook on reciprocating compressors). The
    dead space of a swash-plate machine stays the same at part stroke, so that it weighs more
    there. Slip is inverse to speed.
    """
    clearance = cars.clearance_share * (np.maximum(ratio, 1.0) ** 0.9 - 1.0)
    slip = cars.slip_share * (np.maximum(ratio, 1.0) - 1.0) * SLIP_REFERENCE_RPM / (rpm + 1.0)
    throttled = 1.0 - cars.throttling_per_1000_rpm * rpm / 1000.0
    pumped = cars.volumetric_best * (displacement * throttled - clearance) - slip
    return np.asarray(np.maximum(pumped, 0.0) * cars.compressor_health)


def isentropic_efficiency(
    cars: Batch, ratio: FloatArray, rpm: FloatArray, displacement: FloatArray
) -> FloatArray:
    """Isentropic efficiency [1]: best at one pressure ratio, lower at part stroke and speed."""
    off = ratio - cars.best_pressure_ratio
    fall = np.where(off < 0.0, RATIO_FALL_BELOW, RATIO_FALL_ABOVE) * off**2
    part = 0.62 + 0.38 * np.sqrt(np.clip(displacement, 0.02, 1.0))
    fast = 1.0 - 0.035 * np.maximum(rpm / cars.best_rpm - 1.0, 0.0) ** 1.5
    found = cars.isentropic_best * np.maximum(1.0 - fall, 0.5) * part * np.maximum(fast, 0.6)
    return np.asarray(np.maximum(found * cars.work_health, LEAST_ISENTROPIC))


def pump(
    cars: Batch, charge: Charge, suction: Suction, drive: tuple[FloatArray, FloatArray]
) -> Pumping:
    """Flow and work; `drive` is speed [rev/min] (0 = stands still) and displacement [1]."""
    rpm, displacement = drive
    ratio = suction.discharge_kpa / suction.kpa
    density = suction_density_kg_per_m3(charge, suction)
    share = volumetric_flow_share(cars, ratio, rpm, displacement)
    flow = share * cars.displacement_m3 * rpm / 60.0 * density
    above = suction.kj_per_kg - suction.saturation.vapour_kj_per_kg
    entropy = suction.saturation.vapour_kj_per_kg_k + charge.entropy_above_kj_per_kg_k(
        suction.kpa, above, suction.saturation.temperature_c
    )
    at_discharge = charge.saturation(suction.discharge_kpa)
    ideal = (
        at_discharge.vapour_kj_per_kg
        + charge.isentropic_kj_per_kg(
            suction.discharge_kpa, entropy - at_discharge.vapour_kj_per_kg_k
        )
        - suction.kj_per_kg
    )
    efficiency = isentropic_efficiency(cars, ratio, rpm, displacement)
    return Pumping(flow, density, np.maximum(ideal, 0.0) / efficiency, efficiency)
