"""The condenser in three zones, and where the liquid of the high side stands.

The charge that is not elsewhere fills, in this order: the liquid line, the subcooling pass,
the receiver (its reserve), then the tubes of the condensing part. That order makes the
subcooling hinge. With too little for the line the condenser ends in a mixture.
Array functions over the tests.
"""

from dataclasses import dataclass

import numpy as np

from synthetic.plant.arrays import Batch, FloatArray
from synthetic.plant.moist_air import AIR_CP_KJ_PER_KG_K
from synthetic.plant.properties import Charge, Saturation

GREATEST_DESUPERHEAT_SHARE = 0.35
# liquid backed up into the tubes leaves at least this share of the face to condense
GREATEST_BACKED_UP_SHARE = 0.75
# liquid that has backed up creeps through many tubes side by side and cools less than in the few
# tubes of the subcooling pass: flow per tube to the 0.8th power (Dittus-Boelter) at a third of it
CREEPING_COOLING_SHARE = 0.4
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
    """Heats [kW] of the zones, condensed flow [kg/s], outlet state, wall rate [K/s].

    `outlet_target_c` is where the lagging liquid temperature goes.
    """

    desuperheat_share: FloatArray
    subcool_share: FloatArray
    condensing_share: FloatArray
    condensed_kg_per_s: FloatArray
    desuperheat_kw: FloatArray
    two_phase_kw: FloatArray
    subcool_kw: FloatArray
    wall_to_air_kw: FloatArray
    wall_rate_k_per_s: FloatArray
    outlet_target_c: FloatArray
    outlet_c: FloatArray
    outlet_kj_per_kg: FloatArray


def place_liquid(
    cars: Batch, saturation: Saturation, high_side_kg: FloatArray, desuperheat: FloatArray
) -> Inventory:
    """Where the mass on the high side stands, at a pressure, by filling space after space."""
    gas, liquid = saturation.vapour_kg_per_m3, saturation.liquid_kg_per_m3
    mixture, heavier = saturation.condensing_kg_per_m3, liquid - gas
    space = cars.condenser_m3 + cars.receiver_m3 + cars.liquid_line_m3
    left = np.maximum(high_side_kg - space * gas, 0.0)
    line_room = cars.liquid_line_m3 * heavier
    coat_room = cars.condenser_m3 * (1.0 - desuperheat) * (mixture - gas)
    line = _line_filled(left, line_room, coat_room, (gas, liquid))
    left = np.maximum(left - line_room - coat_room, 0.0)
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


def _line_filled(
    liquid_kg: FloatArray,
    line_room: FloatArray,
    coat_room: FloatArray,
    densities: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Filled share y of the liquid line [1], with the condenser's own liquid in step.

    A line that is not full holds a homogeneous mixture, whose liquid share by mass is
    1 - x = y l / (g + y (l - g)). A condenser that ends at quality x holds 1 - x of the liquid
    that it holds when it condenses all. Both together are a quadratic in y.
    """
    gas, liquid = densities
    heavier = liquid - gas
    square = line_room * heavier
    linear = line_room * gas + coat_room * liquid - liquid_kg * heavier
    root = np.sqrt(linear**2 + 4.0 * square * liquid_kg * gas)
    # of the two forms of the root the one without cancellation
    stable = 2.0 * liquid_kg * gas / np.maximum(root + linear, 1e-12)
    filled = np.where(linear > 0.0, stable, (root - linear) / (2.0 * square))
    return np.asarray(np.minimum(filled, 1.0))


def non_condensable_kpa(cars: Batch, gas_m3: FloatArray, celsius: FloatArray) -> FloatArray:
    """Partial pressure [kPa] of foreign gas that has gathered in the high side: ideal gas."""
    moles = cars.non_condensable_mol
    return np.asarray(moles * GAS_CONSTANT_KJ_PER_MOL_K * (celsius + 273.15) / gas_m3)


@dataclass(frozen=True)
class CondenserFlows:
    """Flows [kg/s] in, out and of air; air, discharge gas, wall and cooled liquid [degC]."""

    inlet_kg_per_s: FloatArray
    outlet_kg_per_s: FloatArray
    air_kg_per_s: FloatArray
    air_c: FloatArray
    gas_c: FloatArray
    gas_kj_per_kg: FloatArray
    wall_c: FloatArray
    liquid_c: FloatArray


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
    cooling = cars.subcool_pass_share * inventory.pass_filled * series(
        cars.subcooling_kw_per_k, air_side
    ) + inventory.backed_up_share * series(
        CREEPING_COOLING_SHARE * cars.subcooling_kw_per_k, air_side
    )
    capacity = np.maximum(
        flows.outlet_kg_per_s * charge.liquid_cp_kj_per_kg_k(saturation.temperature_c), 1e-4
    )
    target_c = flows.air_c + over_air * np.exp(-np.minimum(cooling / capacity, 30.0))
    # liquid and metal keep their warmth: as the pressure falls fast, liquid flashes for a while
    is_mixture = inventory.outlet_quality > 1e-9
    outlet = np.where(
        is_mixture,
        saturation.liquid_kj_per_kg + inventory.outlet_quality * saturation.latent_kj_per_kg,
        charge.liquid_kj_per_kg(flows.liquid_c),
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
        outlet_target_c=np.where(is_mixture, saturation.temperature_c, target_c),
        outlet_c=np.where(
            is_mixture,
            saturation.temperature_c,
            np.minimum(flows.liquid_c, saturation.temperature_c),
        ),
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
