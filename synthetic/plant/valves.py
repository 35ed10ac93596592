"""Expansion devices: thermostatic valve, orifice tube, electronic valve, and line drops.

Array functions over the tests. The needle, the bulb and the stepper move in `circuit`.
"""

from dataclasses import dataclass

import numpy as np

from synthetic.plant.arrays import Batch, FloatArray
from synthetic.plant.properties import Charge, Saturation

TXV, ORIFICE_TUBE, ELECTRONIC = 0, 1, 2
# liquid passes a short tube some way below its saturation pressure before it flashes
METASTABLE_SHARE = 0.82


@dataclass(frozen=True)
class ValveInlet:
    """Refrigerant before the valve: pressure [kPa], temperature, enthalpy, specific volume."""

    kpa: FloatArray
    celsius: FloatArray
    kj_per_kg: FloatArray
    quality: FloatArray
    m3_per_kg: FloatArray


def valve_inlet(charge: Charge, kpa: FloatArray, kj_per_kg: FloatArray) -> ValveInlet:
    """State before the valve: subcooled liquid, or a homogeneous mixture once it flashes."""
    saturation = charge.saturation(kpa)
    over = kj_per_kg - saturation.liquid_kj_per_kg
    quality = np.clip(over / saturation.latent_kj_per_kg, 0.0, 1.0)
    below = np.minimum(over, 0.0) / charge.liquid_cp_kj_per_kg_k(saturation.temperature_c)
    guess = saturation.temperature_c + below
    # one Newton step: the specific heat falls with subcooling
    error = kj_per_kg - charge.liquid_kj_per_kg(guess)
    step = np.where(over < 0.0, error / charge.liquid_cp_kj_per_kg_k(guess), 0.0)
    volume = 1.0 / saturation.liquid_kg_per_m3
    mixed = volume + quality * (1.0 / saturation.vapour_kg_per_m3 - volume)
    return ValveInlet(kpa, guess + step, kj_per_kg, quality, mixed)


def valve_flow_kg_per_s(
    area_m2: FloatArray, inlet: ValveInlet, downstream_kpa: FloatArray
) -> FloatArray:
    """Flow through an opening [kg/s]: Bernoulli with the inlet's mean volume."""
    drop_pa = 1e3 * np.maximum(inlet.kpa - downstream_kpa, 0.0)
    return np.asarray(area_m2 * np.sqrt(2.0 * drop_pa / inlet.m3_per_kg))


def orifice_outlet_kpa(charge: Charge, inlet: ValveInlet, low_kpa: FloatArray) -> FloatArray:
    """Pressure that limits an orifice tube [kPa]: it chokes where the liquid flashes."""
    flashing = METASTABLE_SHARE * charge.saturation_kpa(inlet.celsius)
    return np.maximum(low_kpa, np.minimum(flashing, inlet.kpa))


def needle_target(
    cars: Batch, bulb_kpa: FloatArray, equalised_kpa: FloatArray, opening_bias: FloatArray
) -> FloatArray:
    """Opening [1] that bulb, spring and suction pressure ask of a thermostatic valve."""
    pushing = np.minimum(bulb_kpa, cars.valve_bulb_limit_kpa) - equalised_kpa
    asked = (pushing - cars.valve_spring_kpa) / cars.valve_range_kpa + opening_bias
    return np.clip(asked, cars.valve_least_opening, cars.valve_greatest_opening)


def line_drop_kpa(factor: FloatArray, flow: FloatArray, saturation: Saturation) -> FloatArray:
    """Pressure drop of a vapour line [kPa]: factor times flow squared over density."""
    return np.asarray(factor * flow**2 / saturation.vapour_kg_per_m3)
