"""How the circuit moves from one moment to the next, a quarter of a second at a time.

Pressures by a linearly implicit step, walls and lags by their exact exponential, liquid
explicitly. Steady states do not depend on the step.
"""

from dataclasses import dataclass

import numpy as np

from synthetic.plant import valves
from synthetic.plant.arrays import FloatArray
from synthetic.plant.circuit import Circuit, CircuitInputs, Flows
from synthetic.plant.high_side import high_side
from synthetic.plant.low_side import low_side
from synthetic.plant.properties import Saturation
from synthetic.plant.state import CircuitState

STEP_S = 0.25
LOWEST_KPA, HIGHEST_SHARE = 25.0, 0.985
FLOW_S = 0.8  # flows that set line drops follow with this lag: momentum of the columns
OUTLET_TUBE_S = 1.5
ACCUMULATOR_WALL_KJ_PER_K = 0.6
WORK_CLAMP_KJ_PER_KG = 300.0


def flows(circuit: Circuit, state: CircuitState, inputs: CircuitInputs) -> Flows:
    """All flows and heats of a state under its inputs."""
    low = circuit.charge.saturation(state.low_kpa)
    high = high_side(circuit, state, inputs, low)
    return Flows(high, low_side(circuit, state, inputs, (low, high)))


def _share(step_s: float, lag_s: FloatArray | float) -> FloatArray:
    return np.asarray(1.0 - np.exp(-step_s / np.maximum(lag_s, 1e-3)))


@dataclass(frozen=True)
class Masses:
    """Rates of liquid and vapour [kg/s] on both sides."""

    front: FloatArray
    rear: FloatArray
    accumulator: FloatArray
    low_vapour: FloatArray
    high_vapour: FloatArray


def mass_rates(circuit: Circuit, found: Flows) -> Masses:
    """Rates of liquid in the coils and accumulator, and of vapour on both sides [kg/s]."""
    low, high = found.low, found.high
    pumped, share = high.flow_kg_per_s, low.outlet.front_share
    has_store = circuit.cars.accumulator_m3 > 0.0
    drawn_liquid = pumped * low.accumulator_liquid_share
    # with an accumulator the coils lose liquid to it, and the compressor draws from it
    vapour_drawn = pumped - drawn_liquid
    spilt = np.where(
        has_store,
        vapour_drawn * low.outlet.liquid_share / np.maximum(1.0 - low.outlet.liquid_share, 0.1),
        drawn_liquid,
    )
    per_spill = spilt / np.maximum(low.outlet.liquid_share, 1e-9)
    front_spilt = per_spill * share * low.front.carried_over_share
    rear_spilt = per_spill * (1.0 - share) * low.rear.carried_over_share
    wet = 1.0 - low.inlet_quality
    made = low.front.boiled_kg_per_s + circuit.has_rear * low.rear.boiled_kg_per_s
    valve = low.front_kg_per_s + low.rear_kg_per_s
    dried = low.accumulator_boiling_kw / low.saturation.latent_kj_per_kg
    return Masses(
        front=wet * low.front_kg_per_s - low.front.boiled_kg_per_s - front_spilt,
        rear=circuit.has_rear * (wet * low.rear_kg_per_s - low.rear.boiled_kg_per_s - rear_spilt),
        accumulator=np.where(has_store, spilt - drawn_liquid - dried, 0.0),
        low_vapour=made + dried + low.inlet_quality * valve - vapour_drawn,
        high_vapour=pumped
        - high.condensing.condensed_kg_per_s
        - high.inventory.outlet_quality * valve,
    )


def _next_low_kpa(
    circuit: Circuit, state: CircuitState, at: tuple[Flows, Masses], step_s: float
) -> FloatArray:
    """Low-side pressure [kPa] after the step."""
    found, rates = at
    low, cars = found.low.saturation, circuit.cars
    liquid = state.liquid_kg + state.rear_liquid_kg
    space = cars.low_side_m3 + cars.evaporator_m3 * (1.0 + cars.rear_share) + cars.accumulator_m3
    per_latent = low.slope_k_per_kpa / low.latent_kj_per_kg
    storage = space * low.vapour_slope_kg_per_m3_kpa + liquid * 1.3 * per_latent
    storage = storage + _store_kg_per_kpa(circuit, state, low)
    wet = 1.0 - found.low.front.dry_share
    rear_wet = circuit.has_rear * (1.0 - found.low.rear.dry_share) * cars.rear_share
    boiling = (wet + rear_wet) * cars.boiling_kw_per_k * per_latent
    stiffness = boiling + found.high.flow_kg_per_s / state.low_kpa
    change = step_s * rates.low_vapour / (storage + step_s * stiffness)
    return np.maximum(state.low_kpa + change, LOWEST_KPA)


def _store_kg_per_kpa(circuit: Circuit, state: CircuitState, low: Saturation) -> FloatArray:
    """Vapour that the accumulator gives off per fall in pressure [kg/kPa]: its liquid cools."""
    heat_kj_per_k = state.accumulator_kg * 1.3 + ACCUMULATOR_WALL_KJ_PER_K
    has_liquid = np.minimum(state.accumulator_kg / 0.01, 1.0)
    found = has_liquid * heat_kj_per_k * low.slope_k_per_kpa / low.latent_kj_per_kg
    return np.where(circuit.cars.accumulator_m3 > 0.0, found, 0.0)


def _next_high_kpa(
    circuit: Circuit, state: CircuitState, at: tuple[Flows, Masses], step_s: float
) -> FloatArray:
    """High-side pressure [kPa] after the step."""
    found, rates = at
    high = found.high.saturation
    per_latent = high.slope_k_per_kpa / high.latent_kj_per_kg
    liquid = found.high.inventory.liquid_kg + 0.05
    gas = found.high.inventory.gas_m3
    storage = gas * high.vapour_slope_kg_per_m3_kpa + liquid * 1.5 * per_latent
    conductance = found.high.condensing.condensing_share * circuit.cars.condensing_kw_per_k
    stiffness = conductance * per_latent
    change = step_s * rates.high_vapour / (storage + step_s * stiffness)
    ceiling = HIGHEST_SHARE * circuit.charge.highest_kpa()
    return np.clip(state.high_kpa + change, LOWEST_KPA, ceiling)


def _next_wall_c(
    wall: FloatArray, rate: FloatArray, lag_s: FloatArray, step_s: float
) -> FloatArray:
    """Wall temperature [degC] after the step: the rate decays with the wall's own lag."""
    return np.asarray(wall + rate * lag_s * _share(step_s, lag_s))


def advance(
    circuit: Circuit, state: CircuitState, inputs: CircuitInputs, step_s: float = STEP_S
) -> tuple[CircuitState, Flows]:
    """State one step later, and the flows of the step."""
    found = flows(circuit, state, inputs)
    rates = mass_rates(circuit, found)
    cars, low, high = circuit.cars, found.low, found.high
    coil_lag = circuit.front.wall_kj_per_k / (
        circuit.front.boiling_kw_per_k + 2.5 * inputs.front_air.flow_kg_per_s
    )
    rear_lag = circuit.rear.wall_kj_per_k / (
        circuit.rear.boiling_kw_per_k + 2.5 * inputs.rear_air.flow_kg_per_s
    )
    condenser_lag = cars.condenser_wall_kj_per_k / (cars.condensing_kw_per_k + 0.4)
    opening, rear_opening, integral = _next_openings(circuit, state, found, step_s)
    suction, work = _next_enthalpies(circuit, state, found, step_s)
    lagged = _share(step_s, FLOW_S)
    valve = low.front_kg_per_s + low.rear_kg_per_s
    bulb = _share(step_s, cars.bulb_s)
    low_kpa = _next_low_kpa(circuit, state, (found, rates), step_s)
    given_off = _store_kg_per_kpa(circuit, state, low.saturation) * (state.low_kpa - low_kpa)
    stored = np.maximum(state.accumulator_kg + step_s * rates.accumulator - given_off, 0.0)
    next_state = CircuitState(
        low_kpa=low_kpa,
        high_kpa=_next_high_kpa(circuit, state, (found, rates), step_s),
        liquid_kg=np.maximum(state.liquid_kg + step_s * rates.front, 1e-5),
        rear_liquid_kg=np.maximum(state.rear_liquid_kg + step_s * rates.rear, 0.0),
        accumulator_kg=stored,
        wall_c=_next_wall_c(state.wall_c, low.front.wall_rate_k_per_s, coil_lag, step_s),
        rear_wall_c=_next_wall_c(state.rear_wall_c, low.rear.wall_rate_k_per_s, rear_lag, step_s),
        condenser_wall_c=_next_wall_c(
            state.condenser_wall_c, high.condensing.wall_rate_k_per_s, condenser_lag, step_s
        ),
        liquid_c=state.liquid_c
        + _share(step_s, cars.liquid_s) * (high.condensing.outlet_target_c - state.liquid_c),
        outlet_c=state.outlet_c
        + _share(step_s, OUTLET_TUBE_S) * (low.outlet.celsius - state.outlet_c),
        bulb_c=state.bulb_c + bulb * (low.outlet.front_c - state.bulb_c),
        rear_bulb_c=state.rear_bulb_c + bulb * (low.outlet.rear_c - state.rear_bulb_c),
        opening=opening,
        rear_opening=rear_opening,
        suction_kj_per_kg=suction,
        work_kj_per_kg=work,
        pumped_kg_per_s=state.pumped_kg_per_s
        + lagged * (high.flow_kg_per_s - state.pumped_kg_per_s),
        valve_kg_per_s=state.valve_kg_per_s + lagged * (valve - state.valve_kg_per_s),
        desuperheat_share=state.desuperheat_share
        + lagged * (high.condensing.desuperheat_share - state.desuperheat_share),
        electronic_integral=integral,
    )
    return next_state, found


def _next_openings(
    circuit: Circuit, state: CircuitState, found: Flows, step_s: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Openings [1] of front and rear valve, and the memory of an electronic valve."""
    cars, outlet = circuit.cars, found.low.outlet
    front = valves.needle_target(
        cars, circuit.bulb.saturation_kpa(state.bulb_c), outlet.kpa, cars.valve_bias
    )
    rear = valves.needle_target(
        cars, circuit.bulb.saturation_kpa(state.rear_bulb_c), outlet.kpa, cars.valve_bias
    )
    superheat = state.bulb_c - outlet.saturation.temperature_c
    error = superheat - cars.electronic_target_k
    integral = np.clip(
        state.electronic_integral + 0.0012 * step_s * np.clip(error, -10.0, 10.0), 0.02, 1.0
    )
    stepper = np.clip(
        integral + 0.006 * error + cars.valve_bias,
        cars.valve_least_opening,
        cars.valve_greatest_opening,
    )
    front = np.where(cars.expansion_kind == valves.ELECTRONIC, stepper, front)
    moved = _share(step_s, cars.valve_needle_s)
    return (
        state.opening + moved * (front - state.opening),
        state.rear_opening + moved * (rear - state.rear_opening),
        integral,
    )


def _next_enthalpies(
    circuit: Circuit, state: CircuitState, found: Flows, step_s: float
) -> tuple[FloatArray, FloatArray]:
    """Enthalpy at the compressor inlet and work kept by the gas [kJ/kg], lagged by metal."""
    cars, low, high = circuit.cars, found.low, found.high
    flow = np.maximum(high.flow_kg_per_s, 1e-3)
    stays = (low.outlet.liquid_share - low.accumulator_liquid_share) * (
        low.saturation.latent_kj_per_kg
    )
    gained = (high.exchanged_kw + low.suction_gain_kw) / flow
    ceiling = low.saturation.vapour_kj_per_kg + 90.0
    dried = low.accumulator_boiling_kw / flow
    target = np.minimum(low.outlet.kj_per_kg + stays + gained - dried, ceiling)
    suction = state.suction_kj_per_kg + _share(step_s, cars.suction_line_s) * (
        target - state.suction_kj_per_kg
    )
    is_pumping = high.flow_kg_per_s > 1e-4
    loss = np.where(is_pumping, high.shell_loss_kw / flow, 0.0)
    kept = np.where(is_pumping, high.pumping.work_kj_per_kg - loss, state.work_kj_per_kg * 0.98)
    work = state.work_kj_per_kg + _share(step_s, cars.shell_s) * (kept - state.work_kj_per_kg)
    return suction, np.clip(work, 0.0, WORK_CLAMP_KJ_PER_KG)
