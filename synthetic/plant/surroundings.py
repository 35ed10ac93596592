"""Air around the circuit: condenser air, under-hood air, cabin, intake, coils' air, ducts.

One-second steps; everything here is slow against the circuit. Array functions over the tests.
"""

from dataclasses import dataclass, replace

import numpy as np

from synthetic.plant.arrays import Batch, FloatArray
from synthetic.plant.circuit import Flows
from synthetic.plant.evaporator import Air, Boiling
from synthetic.plant.moist_air import AIR_CP_KJ_PER_KG_K, humidity_ratio
from synthetic.plant.state import AirState, ControlState

WARM_ENGINE_C = 90.0
ENGINE_WARM_UP_S = 260.0
LEAST_BLOWER_SHARE = 0.15
# fans and blowers move volumes: thinner air, less mass
SEA_LEVEL_KPA = 101.325
MELTING_KJ_PER_KG = 333.6
# water films on a coil start to freeze somewhat below zero; chosen
FREEZING_WALL_C = -1.0
MELTING_KW_PER_K = 0.08
CABIN_AIR_KG = 4.5
DOOR_EXCHANGE_KG_PER_S = 0.35


@dataclass(frozen=True)
class Moment:
    """What is set in one second: rows of the profiles."""

    engine_rpm: FloatArray
    vehicle_speed_kmh: FloatArray
    blower_pct: FloatArray
    rear_blower_pct: FloatArray
    recirculation_pct: FloatArray
    is_requested: FloatArray


@dataclass(frozen=True)
class AirFlows:
    """Air of one second at the heat exchangers."""

    front: Air
    rear: Air
    intake_c: FloatArray
    intake_ratio: FloatArray
    condenser_kg_per_s: FloatArray
    condenser_c: FloatArray


def blower_kg_per_s(greatest: FloatArray, blower_pct: FloatArray) -> FloatArray:
    """Air that the blower moves [kg/s]: nothing at 0 %, else at least its lowest stage."""
    share = LEAST_BLOWER_SHARE + (1.0 - LEAST_BLOWER_SHARE) * blower_pct / 100.0
    return np.where(blower_pct > 0.0, greatest * share, 0.01 * greatest)


def air_flows(
    cars: Batch, around: Batch, at: tuple[AirState, ControlState], moment: Moment
) -> AirFlows:
    """Air that meets the heat exchangers in this second."""
    air = at[0]
    outside_ratio = humidity_ratio(
        around.ambient_c, around.ambient_humidity_pct, around.barometric_kpa
    )
    share = moment.recirculation_pct / 100.0 * (1.0 - cars.recirculation_leak)
    cowl_c = around.ambient_c + cars.cowl_leak * (air.underhood_c - around.ambient_c)
    intake_c = share * air.cabin_c + (1.0 - share) * cowl_c
    ratio = share * air.cabin_ratio + (1.0 - share) * outside_ratio
    open_share = cars.evaporator_open_share / (1.0 + air.frost_kg / cars.frost_kg_to_half)
    thin = around.barometric_kpa / SEA_LEVEL_KPA
    flow = blower_kg_per_s(cars.blower_kg_per_s, moment.blower_pct) * open_share * thin
    warmed = cars.blower_heat_kw * (moment.blower_pct / 100.0) ** 2
    front_c = intake_c + warmed / (np.maximum(flow, 0.01) * AIR_CP_KJ_PER_KG_K)
    rear_open = 1.0 / (1.0 + air.rear_frost_kg / cars.frost_kg_to_half)
    rear_flow = (
        thin * rear_open * blower_kg_per_s(cars.rear_blower_kg_per_s, moment.rear_blower_pct)
    )
    condenser_flow, condenser_c = condenser_air(cars, around, at, moment.vehicle_speed_kmh)
    return AirFlows(
        front=Air(flow, front_c, ratio, around.barometric_kpa),
        rear=Air(rear_flow, air.cabin_c, air.cabin_ratio, around.barometric_kpa),
        intake_c=intake_c,
        intake_ratio=ratio,
        condenser_kg_per_s=condenser_flow,
        condenser_c=condenser_c,
    )


def condenser_air(
    cars: Batch, around: Batch, at: tuple[AirState, ControlState], speed_kmh: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Air flow [kg/s] and inlet temperature [degC] of the condenser.

    Ram air and fan add in squares. At rest part of the air comes back from under the hood;
    more of it where the fan is weak, none at speed (falls with e^-(v/20 km/h); chosen so that
    the idle value stays within the 18 K above ambient reported in SAE 2015-01-1689).
    """
    air, control = at
    ram = cars.ram_air_kg_per_s_per_kmh * speed_kmh
    thin = around.barometric_kpa / SEA_LEVEL_KPA
    moved = np.sqrt(control.fan_kg_per_s**2 + ram**2 + 0.03**2)
    flow = moved * cars.condenser_open_share * thin
    own = np.where(np.isnan(around.hot_air_share), cars.hot_air_share_idle, around.hot_air_share)
    weak = 1.0 + 1.2 * (1.0 - cars.fan_health)
    share = np.minimum(own * weak, 0.7) * np.exp(-speed_kmh / 20.0)
    return flow, around.ambient_c + share * (air.underhood_c - around.ambient_c)


def _next_underhood_c(
    cars: Batch, around: Batch, at: tuple[AirState, Flows, AirFlows], speed_kmh: FloatArray
) -> FloatArray:
    air, found, air_flow = at
    condensing = found.high.condensing
    heat = condensing.two_phase_kw + condensing.desuperheat_kw + condensing.subcool_kw
    capacity = np.maximum(air_flow.condenser_kg_per_s, 0.1) * AIR_CP_KJ_PER_KG_K
    behind = air_flow.condenser_c + np.clip(heat, 0.0, 15.0) / capacity
    engine = cars.has_engine * cars.engine_heat_share * np.exp(-speed_kmh / 40.0)
    target = around.ambient_c + 0.75 * (behind - around.ambient_c)
    target = target + engine * (air.coolant_c - around.ambient_c)
    target = np.minimum(target, around.ambient_c + 60.0)
    target = np.where(np.isnan(around.underhood_c), target, around.underhood_c)
    return np.asarray(air.underhood_c + (target - air.underhood_c) / cars.underhood_s)


def _next_frost_kg(frost: FloatArray, coil: Boiling) -> FloatArray:
    """Frost on a coil [kg]: what condenses below freezing stays, what is above melts."""
    grows = np.where(coil.wall_c < FREEZING_WALL_C, coil.air.condensate_kg_per_s, 0.0)
    melts = MELTING_KW_PER_K * np.maximum(coil.wall_c, 0.0) / MELTING_KJ_PER_KG
    return np.clip(frost + grows - melts, 0.0, 2.0)


def _heated_c(
    cars: Batch, coil_c: FloatArray, air: AirState, at: tuple[FloatArray, FloatArray]
) -> FloatArray:
    """Air behind the coil after leaks of hot air and the gain of the duct [degC]."""
    flow, gain = at
    hot = 0.8 * air.coolant_c + 0.2 * coil_c
    leak = np.minimum(cars.blend_door_leak + 0.5 * cars.heater_leak, 1.0)
    mixed = coil_c + leak * np.maximum(hot - coil_c, 0.0)
    warmed = gain * (air.cabin_mass_c - mixed)
    return np.asarray(mixed + warmed / (np.maximum(flow, 0.005) * AIR_CP_KJ_PER_KG_K))


def next_air(
    cars: Batch, around: Batch, at: tuple[AirState, Flows, AirFlows], moment: Moment
) -> AirState:
    """Air state one second later."""
    air, found, air_flow = at
    low = found.low
    gain = np.minimum(cars.duct_gain_kw_per_k, 0.5 * air_flow.front.flow_kg_per_s)
    duct = _heated_c(cars, low.front.air.celsius, air, (air_flow.front.flow_kg_per_s, gain))
    moved = 1.0 - np.exp(-1.0 / cars.duct_s)
    duct_c = air.duct_c + moved * (duct - air.duct_c)
    rear_c = air.rear_duct_c + moved * (low.rear.air.celsius - air.rear_duct_c)
    inside = replace(air, duct_c=duct_c, rear_duct_c=rear_c)
    cabin_c, mass_c, ratio = _next_cabin(cars, around, (inside, found, air_flow))
    engine_on = moment.engine_rpm > 300.0
    warm = np.where(engine_on, WARM_ENGINE_C, around.ambient_c)
    return AirState(
        cabin_c=cabin_c,
        cabin_mass_c=mass_c,
        cabin_ratio=ratio,
        underhood_c=_next_underhood_c(cars, around, at, moment.vehicle_speed_kmh),
        coolant_c=air.coolant_c + (warm - air.coolant_c) / ENGINE_WARM_UP_S,
        duct_c=duct_c,
        rear_duct_c=rear_c,
        frost_kg=_next_frost_kg(air.frost_kg, low.front),
        rear_frost_kg=_next_frost_kg(air.rear_frost_kg, low.rear),
    )


def _next_cabin(
    cars: Batch, around: Batch, at: tuple[AirState, Flows, AirFlows]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Cabin air and mass [degC] and humidity ratio a second later."""
    air, found, air_flow = at
    low = found.low
    has_rear = np.where(cars.rear_share > 0.0, 1.0, 0.0)
    front, rear = air_flow.front.flow_kg_per_s, has_rear * air_flow.rear.flow_kg_per_s
    doors = around.doors_open * DOOR_EXCHANGE_KG_PER_S
    outside_ratio = humidity_ratio(
        around.ambient_c, around.ambient_humidity_pct, around.barometric_kpa
    )
    heat = (
        front * AIR_CP_KJ_PER_KG_K * (air.duct_c - air.cabin_c)
        + rear * AIR_CP_KJ_PER_KG_K * (air.rear_duct_c - air.cabin_c)
        + (doors * AIR_CP_KJ_PER_KG_K + cars.cabin_loss_kw_per_k) * (around.ambient_c - air.cabin_c)
        + cars.cabin_mass_kw_per_k * (air.cabin_mass_c - air.cabin_c)
    )
    sun = cars.solar_kw * around.solar_share
    mass_heat = sun + cars.cabin_mass_kw_per_k * (air.cabin_c - air.cabin_mass_c)
    water = (
        front * (low.front.air.humidity_ratio - air.cabin_ratio)
        + rear * (low.rear.air.humidity_ratio - air.cabin_ratio)
        + (doors + 0.005) * (outside_ratio - air.cabin_ratio)
    )
    return (
        air.cabin_c + heat / cars.cabin_air_kj_per_k,
        air.cabin_mass_c + mass_heat / cars.cabin_mass_kj_per_k,
        np.maximum(air.cabin_ratio + water / CABIN_AIR_KG, 1e-4),
    )
