"""A plate evaporator: a two-phase part that boils its liquid, a dried-out part, a wet coil.

Array functions over the tests. Air passes side by side over both parts. Front and rear
evaporators are the same component with their own numbers.
"""

from dataclasses import dataclass

import numpy as np

from synthetic.plant.arrays import FloatArray
from synthetic.plant.moist_air import (
    AIR_CP_KJ_PER_KG_K,
    WATER_CP_KJ_PER_KG_K,
    enthalpy_kj_per_kg,
    saturated_humidity_ratio,
)
from synthetic.plant.properties import Saturation

# passes of a coil do not dry out together: width of the spread, chosen
UNEVEN_SHARE = 0.05
# liquid that leaves per share of overfilling, chosen so that 10 % too much wets the outlet well
CARRY_OVER_GAIN, GREATEST_CARRY_OVER = 1.6, 0.35


@dataclass(frozen=True)
class Coil:
    """One evaporator: conductances at the reference flows [kW/K], liquid volume, transfer units."""

    boiling_kw_per_k: FloatArray
    vapour_kw_per_k: FloatArray
    volume_m3: FloatArray
    air_transfer_units: FloatArray
    reference_air_kg_per_s: FloatArray
    wall_kj_per_k: FloatArray


@dataclass(frozen=True)
class Air:
    """Air that meets a coil: flow of dry air [kg/s], temperature, humidity ratio, barometer."""

    flow_kg_per_s: FloatArray
    celsius: FloatArray
    humidity_ratio: FloatArray
    barometric_kpa: FloatArray


@dataclass(frozen=True)
class Cooled:
    """Air behind a surface: temperature, humidity ratio, heat and water taken from it."""

    celsius: FloatArray
    humidity_ratio: FloatArray
    heat_kw: FloatArray
    condensate_kg_per_s: FloatArray


@dataclass(frozen=True)
class Boiling:
    """What one evaporator does in this moment; heats in kW, flows in kg/s."""

    dry_share: FloatArray
    boiled_kg_per_s: FloatArray
    carried_over_share: FloatArray
    vapour_c: FloatArray
    superheating_kw: FloatArray
    two_phase_kw: FloatArray
    wall_c: FloatArray
    wall_rate_k_per_s: FloatArray
    coldest_air_c: FloatArray
    air: Cooled


def bypass_share(coil: Coil, flow_kg_per_s: FloatArray) -> FloatArray:
    """Share of the air that leaves as if it had not touched the coil [1].

    exp(-NTU) with the transfer units falling with the 0.4th power of the flow: the usual
    contact-factor description of a coil (ASHRAE Handbook, from memory).
    """
    relative = np.maximum(flow_kg_per_s / coil.reference_air_kg_per_s, 0.02)
    return np.exp(-coil.air_transfer_units * relative**-0.4)


def cool_air(air: Air, surface_c: FloatArray, bypass: FloatArray) -> Cooled:
    """Air behind a surface of one temperature, on the straight line to its saturated state."""
    saturated = saturated_humidity_ratio(surface_c, air.barometric_kpa)
    excess = np.maximum(air.humidity_ratio - saturated, 0.0)
    celsius = surface_c + bypass * (air.celsius - surface_c)
    ratio = air.humidity_ratio - (1.0 - bypass) * excess
    before = enthalpy_kj_per_kg(air.celsius, air.humidity_ratio)
    water = air.humidity_ratio - ratio
    drained = water * WATER_CP_KJ_PER_KG_K * surface_c
    heat = air.flow_kg_per_s * (before - enthalpy_kj_per_kg(celsius, ratio) - drained)
    return Cooled(celsius, ratio, heat, air.flow_kg_per_s * water)


def liquid_when_full_kg(coil: Coil, saturation: Saturation) -> FloatArray:
    """Liquid that wets the whole coil [kg], from the mean void fraction of boiling flow."""
    return np.asarray(
        coil.volume_m3 * saturation.evaporating_liquid_share * saturation.liquid_kg_per_m3
    )


def _soft_positive(x: FloatArray) -> FloatArray:
    """Positive part, rounded over the spread of the passes."""
    return UNEVEN_SHARE * np.logaddexp(0.0, x / UNEVEN_SHARE)


@dataclass(frozen=True)
class Contents:
    """What is in the coil: liquid [kg], wall temperature, vapour let in [kg/s], valve flow."""

    liquid_kg: FloatArray
    wall_c: FloatArray
    flash_kg_per_s: FloatArray
    flow_kg_per_s: FloatArray


def boil(coil: Coil, air: Air, saturation: Saturation, contents: Contents) -> Boiling:
    """Boiling, superheating and air cooling of one evaporator."""
    filled = contents.liquid_kg / liquid_when_full_kg(coil, saturation)
    dry = np.minimum(_soft_positive(1.0 - filled), 1.0)
    carried = np.minimum(CARRY_OVER_GAIN * _soft_positive(filled - 1.0), GREATEST_CARRY_OVER)
    wall_air = cool_air(air, contents.wall_c, bypass_share(coil, air.flow_kg_per_s))
    # boiling heat transfer grows with the mass flux; exponent chosen
    flux = np.clip(contents.flow_kg_per_s / 0.02, 0.05, 4.0) ** 0.25
    to_wall = coil.boiling_kw_per_k * flux * (contents.wall_c - saturation.temperature_c)
    two_phase = (1.0 - dry) * to_wall
    boiled = two_phase / saturation.latent_kj_per_kg
    vapour_flow = np.maximum(boiled + contents.flash_kg_per_s, 1e-5)
    superheating, vapour_c = _superheat(coil, air, saturation, (dry, vapour_flow))
    wet = 1.0 - dry
    air_capacity = np.maximum(air.flow_kg_per_s, 1e-4) * AIR_CP_KJ_PER_KG_K
    behind_dry = air.celsius - superheating / (np.maximum(dry, 1e-6) * air_capacity)
    mixed = Cooled(
        wet * wall_air.celsius + dry * behind_dry,
        wet * wall_air.humidity_ratio + dry * air.humidity_ratio,
        wet * wall_air.heat_kw + superheating,
        wet * wall_air.condensate_kg_per_s,
    )
    wall_rate = (wall_air.heat_kw - to_wall) / coil.wall_kj_per_k
    return Boiling(
        dry_share=dry,
        boiled_kg_per_s=boiled,
        carried_over_share=carried,
        vapour_c=vapour_c,
        superheating_kw=superheating,
        two_phase_kw=two_phase,
        wall_c=contents.wall_c,
        wall_rate_k_per_s=wall_rate,
        coldest_air_c=wall_air.celsius,
        air=mixed,
    )


def _superheat(
    coil: Coil, air: Air, saturation: Saturation, part: tuple[FloatArray, FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Heat into the vapour of the dried-out part [kW] and its outlet temperature [degC]."""
    dry, vapour_flow = part
    air_capacity = np.maximum(air.flow_kg_per_s, 1e-4) * AIR_CP_KJ_PER_KG_K
    conductance = coil.vapour_kw_per_k * air_capacity / (coil.vapour_kw_per_k + air_capacity)
    capacity = vapour_flow * saturation.vapour_cp_kj_per_kg_k
    effectiveness = 1.0 - np.exp(-dry * conductance / capacity)
    gain = effectiveness * (air.celsius - saturation.temperature_c)
    return capacity * gain, saturation.temperature_c + gain
