"""The lumped refrigerant circuit and its air, advanced half a second at a time for many cars.

`advance` takes the records of `batch` and returns the next state and the flows behind it: a
coil with a boiling and a dry zone, a compressor whose efficiencies fall with pressure ratio, a
condenser of one conductance, a receiver hinge, and thermal masses. Does not belong here:
controllers (`controls`), sensors (`sensors`), sizes of the models (`scenario`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic.batch import Drive, Flows, Plant, State
from synthetic.moist_air import AIR_KJ_PER_KG_K, WATER_KJ_PER_KG, water_content
from synthetic.refrigerants import FloatArray, Saturation, compression, saturation

# Heat capacities near the working point, kJ/kg/K, rounded for both refrigerants
_VAPOUR_KJ_PER_KG_K = 0.95
_LIQUID_KJ_PER_KG_K = 1.45
# Lumped masses, chosen so that pull-down and fan swings take the seconds a car takes
_LOW_SIDE_KG_PER_K = 1.6e-3
_COIL_LIQUID_KG = 0.10
_COIL_KJ_PER_K = 4.0
_CONDENSER_KJ_PER_K = 4.5
_CABIN_KJ_PER_K = 70.0
# Relative growth of vapour density with evaporating temperature
_DENSITY_PER_K = 0.034
# Share of coil air that passes untouched, and how steeply superheat eats the dry zone
_BYPASS = 0.11
_DRY_ZONE_NTU = 3.0
_RATED_KG_PER_S = 0.045


def at_rest(plant: Plant, soak_c: FloatArray) -> State:
    """The state of cars that stood long enough for both sides to come to one pressure."""
    cabin_c = soak_c + np.where(plant.is_open, 1.0, 6.0)
    return State(
        evaporating_c=soak_c, condensing_c=soak_c, coil_c=soak_c,
        wetted_share=np.full_like(soak_c, 0.9), bulb_k=plant.valve_setting_k,
        liquid_line_c=soak_c, suction_c=soak_c + 1.0, discharge_c=soak_c + 3.0,
        cabin_c=cabin_c, duct_c=cabin_c, fin_c=cabin_c, underhood_c=soak_c + 8.0,
        heater_c=soak_c + np.where(plant.is_electric, 18.0, 38.0),
        condenser_kw_per_k=plant.fan_kw_per_k[:, 0],
    )  # fmt: skip


def _toward(value: FloatArray, goal: FloatArray, share: float | FloatArray) -> FloatArray:
    """The value moved by a share of its distance to the goal."""
    return value + (goal - value) * share


@dataclass(frozen=True)
class _Coil:
    """Air side of the evaporator: heat taken from the air and air leaving."""

    intake_c: FloatArray
    intake_content: FloatArray
    heat_kw: FloatArray
    leaving_c: FloatArray


def _coil_air(plant: Plant, state: State, drive: Drive) -> _Coil:
    """Mixed intake air over a coil that is wet where it is colder than the dew point."""
    share = plant.recirculated_share
    intake = share * state.cabin_c + (1.0 - share) * (drive.outside_c + 1.0)
    content = plant.ambient_content * (1.0 - np.where(plant.is_open, 0.04, 0.25) * share)
    saturated = water_content(state.coil_c, np.ones_like(intake), plant.site_kpa)
    drop = AIR_KJ_PER_KG_K * (intake - state.coil_c) + WATER_KJ_PER_KG * (
        content - np.minimum(saturated, content)
    )
    # air past a dry tube end is partly cooled by the wet tubes before and behind it
    cooled = 1.0 - (1.0 - state.wetted_share) ** 1.4
    heat = plant.air_kg_per_s * (1.0 - _BYPASS) * cooled * drop
    warm = _toward(intake, state.evaporating_c, 0.12)
    cold = _toward(state.coil_c, intake, _BYPASS)
    return _Coil(intake, content, heat, _toward(warm, cold, cooled))


@dataclass(frozen=True)
class _Lines:
    """Refrigerant temperatures round the circuit and the heat it can take up."""

    outlet_c: FloatArray
    suction_c: FloatArray
    liquid_c: FloatArray
    expansion_inlet_c: FloatArray
    liquid_kj_per_kg: FloatArray
    flash_share: FloatArray
    effect_kj_per_kg: FloatArray


def _lines(
    plant: Plant, state: State, intake_c: FloatArray, low: Saturation, high: Saturation
) -> _Lines:
    """Stations 7, 1, 4 and 5; the internal heat exchanger subcools liquid and can hide flash."""
    dry = 1.0 - np.exp(-_DRY_ZONE_NTU * (1.0 - state.wetted_share))
    superheat = np.maximum(intake_c - state.evaporating_c, 0.0) * dry
    outlet = state.evaporating_c + superheat
    liquid = np.minimum(state.liquid_line_c, state.condensing_c)
    gain = plant.exchanger_effectiveness * np.maximum(liquid - outlet, 0.0)
    latent = high.vapour_kj_per_kg - high.liquid_kj_per_kg
    subcooled = _LIQUID_KJ_PER_KG_K * (state.condensing_c - liquid) - plant.exit_quality * latent
    feed = high.liquid_kj_per_kg - subcooled - _VAPOUR_KJ_PER_KG_K * gain
    return _Lines(
        outlet_c=outlet,
        suction_c=outlet + gain + 0.02 * (state.underhood_c - outlet),
        liquid_c=liquid,
        expansion_inlet_c=liquid - _VAPOUR_KJ_PER_KG_K / _LIQUID_KJ_PER_KG_K * gain,
        liquid_kj_per_kg=high.liquid_kj_per_kg - subcooled,
        flash_share=np.maximum(feed - high.liquid_kj_per_kg, 0.0) / latent,
        effect_kj_per_kg=low.vapour_kj_per_kg + _VAPOUR_KJ_PER_KG_K * superheat - feed,
    )


@dataclass(frozen=True)
class _Compressor:
    """Flow, hot-gas temperature and enthalpy, and shaft power of the compressor."""

    kg_per_s: FloatArray
    hot_gas_c: FloatArray
    hot_gas_kj_per_kg: FloatArray
    power_kw: FloatArray


def _compressor(
    plant: Plant,
    state: State,
    drive: Drive,
    suction_c: FloatArray,
    sides: tuple[Saturation, Saturation],
) -> _Compressor:
    """Pumping from suction to condensing pressure; wear costs flow and heats the gas."""
    low, high = sides
    ratio = np.maximum(high.pressure_kpa / low.pressure_kpa, 1.0)
    wear = plant.defects.compressor_wear
    volumetric = np.clip(0.93 - 0.048 * (ratio - 1.0), 0.25, 1.0) * (1.0 - wear)
    density = low.vapour_kg_per_m3 * (state.evaporating_c + 273.0) / (suction_c + 273.0)
    part = drive.displacement * drive.is_running * drive.compressor_rpm / 60.0
    flow = volumetric * plant.swept_m3 * part * density
    superheat = suction_c - state.evaporating_c
    ideal = compression(plant.fluid, state.evaporating_c, superheat, state.condensing_c)
    best = (0.72 - 0.025 * np.abs(ratio - 3.5)) * (0.78 + 0.22 * drive.displacement)
    work = ideal.work_kj_per_kg / (np.clip(best, 0.35, 0.8) * (1.0 - 0.65 * wear))
    return _Compressor(
        kg_per_s=flow,
        hot_gas_c=ideal.end_c + (work - ideal.work_kj_per_kg) / ideal.hot_gas_kj_per_kg_k,
        hot_gas_kj_per_kg=low.vapour_kj_per_kg + _VAPOUR_KJ_PER_KG_K * superheat + work,
        power_kw=flow * work,
    )


def _fed_kg_per_s(
    plant: Plant, state: State, flash_share: FloatArray, low_kpa: FloatArray, high: Saturation
) -> FloatArray:
    """Flow through valve or orifice; the valve opens with bulb superheat, flash gas chokes it."""
    lift = (state.bulb_k - plant.valve_setting_k) * plant.valve_gain_per_k
    opening = np.where(plant.is_orifice, 1.0, np.clip(lift, 0.03, 1.0))
    push = np.maximum(high.pressure_kpa - low_kpa, 0.0) / 1000.0 * high.liquid_kg_per_m3 / 1100.0
    seat = plant.valve_kg_per_s * (1.0 - plant.defects.valve_underfeeding)
    return np.asarray(opening * seat * np.sqrt(push) / (1.0 + 8.0 * flash_share))


def _condenser_air_c(plant: Plant, drive: Drive, state: State) -> FloatArray:
    """Air at the condenser face: outside, plus what the engine bay sends round again."""
    weak = 5.0 * plant.defects.condenser_blockage + 7.0 * plant.defects.dead_fan
    warm = (state.underhood_c - drive.outside_c) / 30.0
    return np.asarray(drive.outside_c + (plant.condenser_rise_k + weak) * np.clip(warm, 0.2, 1.2))


def _condenser_goal(plant: Plant, drive: Drive) -> FloatArray:
    """Conductance that the present fan stage would reach, faults included [kW/K]."""
    still = plant.fan_kw_per_k[:, 0]
    staged = np.take_along_axis(plant.fan_kw_per_k, drive.fan_stage[:, None], axis=1)[:, 0]
    blown = still + (staged - still) * (1.0 - plant.defects.dead_fan)
    flooding = 1.0 + 0.06 * (1.0 - plant.receiver_fill)
    return np.asarray(blown * (1.0 - plant.defects.condenser_blockage) * flooding)


def _air_masses(
    plant: Plant, state: State, drive: Drive, coil: _Coil, step_s: float
) -> dict[str, FloatArray]:
    """Cabin, heater, under-hood, duct and fin temperatures after the step."""
    leak = plant.defects.blend_door_leak
    blown = (1.0 - leak) * coil.leaving_c + leak * state.heater_c + 0.6
    outside = drive.outside_c
    leakage = np.where(plant.is_open, 0.95, 0.06)
    gain_kw = leakage * (outside - state.cabin_c) + np.where(plant.is_open, 0.15, 0.45)
    gain_kw = gain_kw + plant.air_kg_per_s * AIR_KJ_PER_KG_K * (state.duct_c - state.cabin_c)
    mass = np.where(plant.is_open, 0.4, 1.0) * _CABIN_KJ_PER_K
    hood = outside + np.where(plant.is_electric, 9.0, 31.0)
    return {
        "cabin_c": state.cabin_c + gain_kw * step_s / mass,
        "heater_c": _toward(
            state.heater_c, np.where(plant.is_electric, outside + 22.0, 86.0), step_s / 150.0
        ),
        "underhood_c": _toward(state.underhood_c, hood, step_s / 240.0),
        "duct_c": _toward(state.duct_c, blown, step_s / 11.0),
        "fin_c": _toward(state.fin_c, coil.leaving_c, step_s / 5.0),
    }


@dataclass(frozen=True)
class _Circuit:
    """Everything that happens in one step, gathered for the balances."""

    low: Saturation
    high: Saturation
    coil: _Coil
    lines: _Lines
    pump: _Compressor
    fed_kg_per_s: FloatArray
    boiling_kw: FloatArray
    condenser_air_c: FloatArray


def _circuit(plant: Plant, state: State, drive: Drive) -> _Circuit:
    """Heat, flows and temperatures at the present state."""
    low = saturation(plant.fluid, state.evaporating_c)
    high = saturation(plant.fluid, state.condensing_c)
    coil = _coil_air(plant, state, drive)
    lines = _lines(plant, state, coil.intake_c, low, high)
    wet_kw_per_k = plant.coil_kw_per_k * state.wetted_share
    return _Circuit(
        low=low,
        high=high,
        coil=coil,
        lines=lines,
        pump=_compressor(plant, state, drive, lines.suction_c, (low, high)),
        fed_kg_per_s=_fed_kg_per_s(plant, state, lines.flash_share, low.pressure_kpa, high),
        boiling_kw=np.maximum(wet_kw_per_k * (state.coil_c - state.evaporating_c), 0.0),
        condenser_air_c=_condenser_air_c(plant, drive, state),
    )


def _low_side(
    plant: Plant, state: State, circuit: _Circuit, step_s: float
) -> dict[str, FloatArray]:
    """Evaporator, bulb and suction line after the step.

    The evaporating temperature is solved implicitly, because it settles within a fraction of
    a second.
    """
    effect, pumped = circuit.lines.effect_kj_per_kg, circuit.pump.kg_per_s
    boiled = circuit.boiling_kw / effect
    stiffness = plant.coil_kw_per_k * state.wetted_share / effect + _DENSITY_PER_K * pumped
    evaporating = state.evaporating_c + step_s * (boiled - pumped) / (
        _LOW_SIDE_KG_PER_K + step_s * stiffness
    )
    wetted = state.wetted_share + step_s * (circuit.fed_kg_per_s - boiled) / _COIL_LIQUID_KG
    # with the compressor off nothing carries away the heat that warm liquid brings
    flashing_kw = circuit.fed_kg_per_s * (
        circuit.high.liquid_kj_per_kg - circuit.low.liquid_kj_per_kg
    )
    gain_kw = circuit.coil.heat_kw - circuit.boiling_kw
    gain_kw = gain_kw + np.where(pumped > 0.0, 0.0, flashing_kw)
    superheat = circuit.lines.outlet_c - state.evaporating_c
    return {
        "evaporating_c": np.clip(evaporating, -32.0, 60.0),
        "coil_c": state.coil_c + step_s * gain_kw / _COIL_KJ_PER_K,
        "wetted_share": np.clip(wetted, 0.06, 1.0),
        "bulb_k": _toward(state.bulb_k, superheat, step_s / 14.0),
        "suction_c": _toward(state.suction_c, circuit.lines.suction_c, step_s / 5.0),
    }


def _high_side(
    plant: Plant, state: State, drive: Drive, circuit: _Circuit, step_s: float
) -> dict[str, FloatArray]:
    """Condenser, liquid line and discharge line after the step."""
    pump, air_c = circuit.pump, circuit.condenser_air_c
    rejected = pump.kg_per_s * (pump.hot_gas_kj_per_kg - circuit.lines.liquid_kj_per_kg)
    given = state.condenser_kw_per_k * (state.condensing_c - air_c)
    equalising = np.where(drive.is_running, 0.0, (state.condensing_c - state.evaporating_c) / 70.0)
    rate = (rejected - given) / _CONDENSER_KJ_PER_K - equalising
    subcooling = plant.subcool_effectiveness * plant.receiver_fill * (state.condensing_c - air_c)
    # the pipe loses a little of the hot gas's heat; a standing compressor cools slowly
    hot_pipe = _toward(pump.hot_gas_c, state.underhood_c, 0.06)
    discharge = np.where(
        drive.is_running,
        _toward(state.discharge_c, hot_pipe, step_s / 22.0),
        _toward(state.discharge_c, state.underhood_c, step_s / 150.0),
    )
    liquid = state.condensing_c - np.maximum(subcooling, 0.0)
    return {
        "condensing_c": np.clip(state.condensing_c + step_s * rate, -10.0, 86.0),
        "liquid_line_c": _toward(state.liquid_line_c, liquid, step_s / 9.0),
        "discharge_c": discharge,
        "condenser_kw_per_k": _toward(
            state.condenser_kw_per_k, _condenser_goal(plant, drive), step_s / 2.5
        ),
    }


def advance(plant: Plant, state: State, drive: Drive, step_s: float) -> tuple[State, Flows]:
    """The state after `step_s` seconds and the flows at its beginning."""
    circuit = _circuit(plant, state, drive)
    following = State(
        **_low_side(plant, state, circuit, step_s),
        **_high_side(plant, state, drive, circuit, step_s),
        **_air_masses(plant, state, drive, circuit.coil, step_s),
    )
    flows = Flows(
        low_kpa=circuit.low.pressure_kpa,
        condensing_kpa=circuit.high.pressure_kpa,
        compressor_kg_per_s=circuit.pump.kg_per_s,
        evaporator_outlet_c=circuit.lines.outlet_c,
        expansion_inlet_c=circuit.lines.expansion_inlet_c,
        liquid_line_c=circuit.lines.liquid_c,
        intake_c=circuit.coil.intake_c,
        intake_content=circuit.coil.intake_content,
        power_kw=circuit.pump.power_kw,
    )
    return following, flows
