"""Batches of tests run second by second, and what is recorded of each second.

Gives true values at the stations, never what a sensor reads: that is `sensors`. The same
inputs give the same bytes.
"""

from dataclasses import dataclass, fields

import numpy as np

from synthetic.plant.arrays import Batch, FloatArray
from synthetic.plant.circuit import Circuit, CircuitInputs, Flows
from synthetic.plant.conditions import Profiles
from synthetic.plant.controls import compressor_rpm, next_controls, sensed
from synthetic.plant.moist_air import humidity_ratio, relative_humidity_pct
from synthetic.plant.state import PlantState, Soak, soaked_state
from synthetic.plant.stepping import STEP_S, advance, flows
from synthetic.plant.surroundings import AirFlows, Moment, air_flows, next_air

STEPS_PER_SECOND = round(1.0 / STEP_S)


@dataclass(frozen=True)
class Stations:
    """True values of a batch: arrays of second by test. Pressures absolute."""

    evaporator_outlet_kpa: FloatArray
    compressor_suction_kpa: FloatArray
    discharge_kpa: FloatArray
    condenser_outlet_kpa: FloatArray
    expansion_inlet_kpa: FloatArray
    compressor_suction_c: FloatArray
    compressor_discharge_c: FloatArray
    condensing_c: FloatArray
    evaporating_c: FloatArray
    condenser_outlet_c: FloatArray
    expansion_inlet_c: FloatArray
    evaporator_outlet_c: FloatArray
    front_evaporator_outlet_c: FloatArray
    rear_evaporator_outlet_c: FloatArray
    duct_c: FloatArray
    rear_duct_c: FloatArray
    intake_air_c: FloatArray
    intake_humidity_pct: FloatArray
    fin_c: FloatArray
    ambient_c: FloatArray
    ambient_humidity_pct: FloatArray
    condenser_inlet_air_c: FloatArray
    underhood_c: FloatArray
    cabin_c: FloatArray
    coolant_c: FloatArray
    engine_rpm: FloatArray
    compressor_rpm: FloatArray
    displacement: FloatArray
    demand: FloatArray
    is_engaged: FloatArray
    compressor_kw: FloatArray
    fan_stage: FloatArray
    condenser_air_kg_per_s: FloatArray
    blower_pct: FloatArray
    vehicle_speed_kmh: FloatArray
    recirculation_pct: FloatArray
    flow_kg_per_s: FloatArray
    cooling_kw: FloatArray
    valve_opening: FloatArray
    outlet_quality: FloatArray
    receiver_filled: FloatArray
    frost_kg: FloatArray


STATION_NAMES = tuple(field.name for field in fields(Stations))


@dataclass(frozen=True)
class Plant:
    """A batch ready to run: circuits, surroundings, profiles."""

    circuit: Circuit
    around: Batch
    profiles: Profiles


def soak_of(around: Batch) -> Soak:
    """Soak of each test from its conditions; inside air holds the ambient humidity ratio."""
    ratio = humidity_ratio(around.ambient_c, around.ambient_humidity_pct, around.barometric_kpa)
    hood = np.where(np.isnan(around.underhood_c), around.parts_c, around.underhood_c)
    return Soak(around.parts_c, around.cabin_c, around.coolant_c, ratio, hood)


def _moment(profiles: Profiles, second: int) -> Moment:
    return Moment(*(getattr(profiles, field.name)[second] for field in fields(Moment)))


def _inputs(plant: Plant, state: PlantState, air: AirFlows, moment: Moment) -> CircuitInputs:
    cars = plant.circuit.cars
    return CircuitInputs(
        rpm=compressor_rpm(cars, state.control, moment.engine_rpm),
        displacement=state.control.displacement,
        front_air=air.front,
        rear_air=air.rear,
        condenser_air_kg_per_s=air.condenser_kg_per_s,
        condenser_air_c=air.condenser_c,
        underhood_c=state.air.underhood_c,
    )


@dataclass(frozen=True)
class Second:
    """What one second of a batch produced: the state after it, its flows, air and settings."""

    state: PlantState
    found: Flows
    air: AirFlows
    inputs: CircuitInputs
    moment: Moment


def run_second(plant: Plant, state: PlantState, moment: Moment) -> Second:
    """One second of a batch: air, circuit in small steps, controls."""
    cars, around = plant.circuit.cars, plant.around
    air = air_flows(cars, around, (state.air, state.control), moment)
    inputs = _inputs(plant, state, air, moment)
    circuit_state = state.circuit
    for _ in range(STEPS_PER_SECOND):
        circuit_state, found = advance(plant.circuit, circuit_state, inputs)
    after = PlantState(
        circuit_state,
        next_controls(cars, around, (state.control, sensed(cars, around, found)), moment),
        next_air(cars, around, (state.air, found, air), moment),
    )
    return Second(after, found, air, inputs, moment)


def _circuit_values(second: Second) -> dict[str, FloatArray]:
    """Refrigerant stations, compressor and controls after a second."""
    high, low, state = second.found.high, second.found.low, second.state
    return {
        "evaporator_outlet_kpa": low.outlet.kpa,
        "compressor_suction_kpa": high.suction_kpa,
        "discharge_kpa": high.discharge_kpa,
        "condenser_outlet_kpa": high.liquid_kpa,
        "expansion_inlet_kpa": high.inlet.kpa,
        "compressor_suction_c": high.suction_c,
        "compressor_discharge_c": high.discharge_c,
        "condensing_c": high.saturation.temperature_c,
        "evaporating_c": low.saturation.temperature_c,
        "condenser_outlet_c": high.condensing.outlet_c,
        "expansion_inlet_c": high.inlet.celsius,
        "evaporator_outlet_c": state.circuit.outlet_c,
        "front_evaporator_outlet_c": low.outlet.front_c,
        "rear_evaporator_outlet_c": low.outlet.rear_c,
        "compressor_rpm": second.inputs.rpm,
        "displacement": state.control.displacement,
        "demand": state.control.demand,
        "is_engaged": state.control.is_engaged,
        "compressor_kw": high.pumping.work_kj_per_kg * high.flow_kg_per_s,
        "fan_stage": state.control.fan_stage,
        "flow_kg_per_s": high.flow_kg_per_s,
        "valve_opening": state.circuit.opening,
        "outlet_quality": high.inventory.outlet_quality,
        "receiver_filled": high.inventory.receiver_filled,
    }


def _air_values(plant: Plant, second: Second) -> dict[str, FloatArray]:
    """Air, weather and settings after a second."""
    low, air, moment = second.found.low, second.state.air, second.moment
    around = plant.around
    return {
        "duct_c": air.duct_c,
        "rear_duct_c": air.rear_duct_c,
        "intake_air_c": second.air.intake_c,
        "intake_humidity_pct": relative_humidity_pct(
            second.air.intake_c, second.air.intake_ratio, around.barometric_kpa
        ),
        "fin_c": second.state.control.fin_c,
        "ambient_c": around.ambient_c,
        "ambient_humidity_pct": around.ambient_humidity_pct,
        "condenser_inlet_air_c": second.air.condenser_c,
        "condenser_air_kg_per_s": second.air.condenser_kg_per_s,
        "underhood_c": air.underhood_c,
        "cabin_c": air.cabin_c,
        "coolant_c": air.coolant_c,
        "engine_rpm": moment.engine_rpm,
        "blower_pct": moment.blower_pct,
        "vehicle_speed_kmh": moment.vehicle_speed_kmh,
        "recirculation_pct": moment.recirculation_pct,
        "cooling_kw": low.front.air.heat_kw + plant.circuit.has_rear * low.rear.air.heat_kw,
        "frost_kg": air.frost_kg,
    }


def station_values(plant: Plant, second: Second) -> dict[str, FloatArray]:
    """True values at the stations after a second, by station name."""
    return _circuit_values(second) | _air_values(plant, second)


def simulate(cars: Batch, around: Batch, profiles: Profiles) -> Stations:
    """True values of a batch of tests from a soaked start."""
    plant = Plant(Circuit.of(cars), around, profiles)
    state = soaked_state(cars, plant.circuit.charge, soak_of(around))
    record = {name: np.empty((profiles.seconds, len(cars))) for name in STATION_NAMES}
    for i in range(profiles.seconds):
        second = run_second(plant, state, _moment(profiles, i))
        state = second.state
        for name, value in station_values(plant, second).items():
            record[name][i] = value
    return Stations(**record)


def flows_of(plant: Plant, second: Second) -> Flows:
    """Flows of the state that a second ended in."""
    return flows(plant.circuit, second.state.circuit, second.inputs)
