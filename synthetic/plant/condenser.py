"""The condenser in three zones, and where the liquid of the high side stands.

The charge that is not elsewhere fills, in this order: the liquid line, the subcooling pass,
the receiver (its reserve), then the tubes of the condensing part. That order makes the
subcooling hinge. Array functions over the tests.
"""

from dataclasses import dataclass

import numpy as np

from synthetic.plant.arrays import Batch, FloatArray
from synthetic.plant.moist_air import AIR_CP_KJ_PER_KG_K
from synthetic.plant.properties import Charge, Saturation

GREATEST_DESUPERHEAT_SHARE = 0.35
# liquid backed up into the tubes leaves at least this share of the face to condense
GREATEST_BACKED_UP_SHARE = 0.75
GAS_CONSTANT_KJ_PER_MOL_K = 8.314462618e-3


@dataclass(frozen=True)
class Inventory:
    """Where the liquid of the high side stands: levels and shares [1], quality at the outlet."""

    line_filled: FloatArray
    pass_filled: FloatArray
    receiver_filled: FloatArray
    backed_up_share: FloatArray
    outlet_quality: FloatArray
    liquid_kg: FloatArray
    gas_m3: FloatArray


@dataclass(frozen=True)
class Condensing:
    """Heats [kW] of the zones, condensed flow [kg/s], outlet state, wall rate [K/s]."""

    desuperheat_share: FloatArray
    subcool_share: FloatArray
    condensing_share: FloatArray
    condensed_kg_per_s: FloatArray
    desuperheat_kw: FloatArray
    two_phase_kw: FloatArray
    subcool_kw: FloatArray
    wall_to_air_kw: FloatArray
    wall_rate_k_per_s: FloatArray
    outlet_c: FloatArray
    outlet_kj_per_kg: FloatArray


def place_liquid(
    cars: Batch, saturation: Saturation, high_side_kg: FloatArray, desuperheat: FloatArray
) -> Inventory:
    """Where the mass on the high side stands, at a pressure, by filling space after space."""
    gas, liquid = saturation.vapour_kg_per_m3, saturation.liquid_kg_per_m3
    mixture, heavier = saturation.condensing_kg_per_m3, liquid - gas
    empty = (
        cars.condenser_m3 * ((1.0 - desuperheat) * mixture + desuperheat * gas)
        + (cars.receiver_m3 + cars.liquid_line_m3) * gas
    )
    left = high_side_kg - empty
    line_room = cars.liquid_line_m3 * heavier
    line = np.clip(left / line_room, 0.0, 1.0)
    left = np.maximum(left - line_room, 0.0)
    pass_room = np.maximum(cars.condenser_m3 * cars.subcool_pass_share * (liquid - mixture), 1e-6)
    filled = np.minimum(left / pass_room, 1.0)
    left = np.maximum(left - pass_room, 0.0)
    receiver_room = np.maximum(cars.receiver_m3 * heavier, 1e-9)
    receiver = np.minimum(left / receiver_room, 1.0)
    left = np.maximum(left - receiver_room, 0.0)
    tubes = cars.condenser_m3 * (liquid - mixture)
    backed_up = np.minimum(left / tubes, GREATEST_BACKED_UP_SHARE)
    # a homogeneous mixture in the line: the emptier the line, the more vapour in it
    line_density = gas + line * heavier
    quality = (1.0 / line_density - 1.0 / liquid) / (1.0 / gas - 1.0 / liquid)
    liquid_kg = line * line_room + filled * pass_room + receiver * receiver_room
    condensing = np.maximum(1.0 - backed_up - cars.subcool_pass_share * filled, 0.1)
    gas_room = cars.condenser_m3 * condensing * 0.75 + cars.receiver_m3 * (1.0 - receiver)
    return Inventory(line, filled, receiver, backed_up, quality, liquid_kg, gas_room)


def non_condensable_kpa(cars: Batch, gas_m3: FloatArray, celsius: FloatArray) -> FloatArray:
    """Partial pressure [kPa] of foreign gas that has gathered in the high side: ideal gas."""
    moles = cars.non_condensable_mol
    return np.asarray(moles * GAS_CONSTANT_KJ_PER_MOL_K * (celsius + 273.15) / gas_m3)


@dataclass(frozen=True)
class CondenserFlows:
    """Flows [kg/s] in, out and of air; air at the inlet [degC]; discharge gas, wall [degC]."""

    inlet_kg_per_s: FloatArray
    outlet_kg_per_s: FloatArray
    air_kg_per_s: FloatArray
    air_c: FloatArray
    gas_c: FloatArray
    gas_kj_per_kg: FloatArray
    wall_c: FloatArray


def condense(
    cars: Batch, charge: Charge, saturation: Saturation, at: tuple[CondenserFlows, Inventory]
) -> Condensing:
    """Heats of the zones and the outlet state. Air passes all zones side by side."""
    flows, inventory = at
    air_side = air_side_kw_per_k(cars, flows.air_kg_per_s)
    over_air = saturation.temperature_c - flows.air_c
    desuperheat = desuperheat_share(cars, saturation, flows, air_side)
    subcool = cars.subcool_pass_share * inventory.pass_filled + inventory.backed_up_share
    condensing = np.maximum(1.0 - desuperheat - subcool, 0.08)
    to_wall = cars.condensing_kw_per_k * (saturation.temperature_c - flows.wall_c)
    # liquid boils back into a hot condenser only where there is liquid
    wetness = np.minimum(inventory.liquid_kg / 0.02, 1.0)
    to_wall = np.where(to_wall < 0.0, 0.3 * wetness * to_wall, to_wall)
    two_phase = condensing * to_wall
    to_air = air_side * (flows.wall_c - flows.air_c)
    inside = series(cars.subcooling_kw_per_k, air_side)
    capacity = np.maximum(
        flows.outlet_kg_per_s * charge.liquid_cp_kj_per_kg_k(saturation.temperature_c), 1e-4
    )
    outlet_c = flows.air_c + over_air * np.exp(-np.minimum(inside * subcool / capacity, 30.0))
    outlet = np.where(
        inventory.outlet_quality > 1e-9,
        saturation.liquid_kj_per_kg + inventory.outlet_quality * saturation.latent_kj_per_kg,
        charge.liquid_kj_per_kg(outlet_c),
    )
    gas_heat = flows.inlet_kg_per_s * (flows.gas_kj_per_kg - saturation.vapour_kj_per_kg)
    liquid_heat = flows.outlet_kg_per_s * np.maximum(saturation.liquid_kj_per_kg - outlet, 0.0)
    return Condensing(
        desuperheat_share=desuperheat,
        subcool_share=subcool,
        condensing_share=condensing,
        # wet or overheated gas at the inlet adds to or takes from what must be condensed
        condensed_kg_per_s=two_phase / saturation.latent_kj_per_kg,
        desuperheat_kw=gas_heat,
        two_phase_kw=two_phase,
        subcool_kw=liquid_heat,
        wall_to_air_kw=condensing * to_air,
        wall_rate_k_per_s=(to_wall - to_air) / cars.condenser_wall_kj_per_k,
        outlet_c=np.where(inventory.outlet_quality > 1e-9, saturation.temperature_c, outlet_c),
        outlet_kj_per_kg=outlet,
    )


def series(first: FloatArray, second: FloatArray) -> FloatArray:
    """Conductance of two in series [kW/K]."""
    return first * second / (first + second)


def air_side_kw_per_k(cars: Batch, flow_kg_per_s: FloatArray) -> FloatArray:
    """Heat that the air takes per kelvin of wall over inlet air [kW/K], whole face.

    Effectiveness of a surface of one temperature; conductance with the square root of the flow.
    """
    capacity = np.maximum(flow_kg_per_s, 0.02) * AIR_CP_KJ_PER_KG_K
    relative = np.maximum(flow_kg_per_s, 0.02) / cars.condenser_reference_air_kg_per_s
    conductance = cars.condenser_air_kw_per_k * np.sqrt(relative)
    return np.asarray(capacity * (1.0 - np.exp(-conductance / capacity)))


def desuperheat_share(
    cars: Batch, saturation: Saturation, flows: CondenserFlows, air_side: FloatArray
) -> FloatArray:
    """Share of the face that cools the gas to saturation [1]: exponential approach to the air."""
    conductance = series(cars.desuperheating_kw_per_k, air_side)
    over_air = np.maximum(saturation.temperature_c - flows.air_c, 0.5)
    hot = np.maximum(flows.gas_c - flows.air_c, over_air)
    capacity = flows.inlet_kg_per_s * saturation.vapour_cp_kj_per_kg_k
    return np.minimum(capacity / conductance * np.log(hot / over_air), GREATEST_DESUPERHEAT_SHARE)
