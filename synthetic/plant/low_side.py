"""From the valves to the suction line: the low side of a state.

Takes the state, its inputs and the high side; gives a `LowSide`. No rates here.
"""

import numpy as np

from synthetic.plant import evaporator, valves
from synthetic.plant.arrays import FloatArray
from synthetic.plant.circuit import Circuit, CircuitInputs, HighSide, LowSide, Outlet
from synthetic.plant.evaporator import Boiling, Contents
from synthetic.plant.properties import Saturation
from synthetic.plant.state import CircuitState

# the bleed hole at the bottom of an accumulator brings oil and some liquid back; chosen
BLEED_SHARE = 0.08
BLEED_FULL_KG = 0.03
GREATEST_WARMTH_KJ_PER_KG = 60.0


def low_side(
    circuit: Circuit,
    state: CircuitState,
    inputs: CircuitInputs,
    at: tuple[Saturation, HighSide],
) -> LowSide:
    """Low side of a state: what the valves let in, what boils, what leaves."""
    low, high = at
    front_flow, rear_flow = _valve_flows(circuit, state, high)
    over = high.inlet.kj_per_kg - low.liquid_kj_per_kg
    quality = np.clip(over / low.latent_kj_per_kg, 0.0, 1.0)
    front = evaporator.boil(
        circuit.front,
        inputs.front_air,
        low,
        Contents(state.liquid_kg, state.wall_c, quality * front_flow, front_flow),
    )
    rear = evaporator.boil(
        circuit.rear,
        inputs.rear_air,
        low,
        Contents(state.rear_liquid_kg, state.rear_wall_c, quality * rear_flow, rear_flow),
    )
    made = front.boiled_kg_per_s + quality * front_flow
    rear_made = circuit.has_rear * (rear.boiled_kg_per_s + quality * rear_flow)
    outlet = _outlet(circuit, state, low, (front, made, rear, rear_made))
    has_store = circuit.cars.accumulator_m3 > 0.0
    stored = np.minimum(state.accumulator_kg / BLEED_FULL_KG, 1.0)
    # superheated vapour that meets stored liquid boils some of it away
    warm = np.maximum(outlet.kj_per_kg - low.vapour_kj_per_kg, 0.0)
    dried = np.where(has_store, stored * state.pumped_kg_per_s * warm, 0.0)
    return LowSide(
        saturation=low,
        front_kg_per_s=front_flow,
        rear_kg_per_s=rear_flow,
        inlet_quality=quality,
        front=front,
        rear=rear,
        outlet=outlet,
        accumulator_liquid_share=np.where(has_store, BLEED_SHARE * stored, outlet.liquid_share),
        accumulator_boiling_kw=dried,
        suction_gain_kw=circuit.cars.suction_gain_kw_per_k
        * np.minimum(inputs.underhood_c - high.suction_c, 80.0),
    )


def _valve_flows(
    circuit: Circuit, state: CircuitState, high: HighSide
) -> tuple[FloatArray, FloatArray]:
    cars = circuit.cars
    choked = valves.orifice_outlet_kpa(circuit.charge, high.inlet, state.low_kpa)
    is_tube = cars.expansion_kind == valves.ORIFICE_TUBE
    behind = np.where(is_tube, choked, state.low_kpa)
    full = valves.valve_flow_kg_per_s(cars.valve_area_m2, high.inlet, behind)
    opening = np.where(is_tube, cars.valve_greatest_opening, state.opening)
    return opening * full, circuit.has_rear * cars.rear_share * state.rear_opening * full


def _outlet(
    circuit: Circuit,
    state: CircuitState,
    low: Saturation,
    coils: tuple[Boiling, FloatArray, Boiling, FloatArray],
) -> Outlet:
    """Mixture behind the evaporators: vapour by what each makes, liquid by what each spills."""
    front, made, rear, rear_made = coils
    positive = np.maximum(made, 1e-6)
    share = positive / (positive + circuit.has_rear * np.maximum(rear_made, 1e-7))
    liquid = share * front.carried_over_share + (1.0 - share) * rear.carried_over_share
    heat = front.superheating_kw + circuit.has_rear * rear.superheating_kw
    cars, charge = circuit.cars, circuit.charge
    drop = valves.line_drop_kpa(cars.evaporator_drop_factor, state.pumped_kg_per_s, low)
    kpa = np.maximum(state.low_kpa - drop, 0.6 * state.low_kpa)
    saturation = charge.saturation(kpa)
    flow = np.maximum(state.pumped_kg_per_s, 1e-3)
    warmth = np.clip(heat / flow, 0.0, GREATEST_WARMTH_KJ_PER_KG)
    mixture = low.vapour_kj_per_kg + warmth - liquid * low.latent_kj_per_kg
    above = np.maximum(mixture - saturation.vapour_kj_per_kg, 0.0)
    return Outlet(
        kpa=kpa,
        saturation=saturation,
        kj_per_kg=mixture,
        celsius=saturation.temperature_c + charge.superheat_k(kpa, above),
        liquid_share=liquid,
        front_share=share,
        front_c=_branch_c(front, saturation),
        rear_c=_branch_c(rear, saturation),
    )


def _branch_c(one: Boiling, saturation: Saturation) -> FloatArray:
    """Temperature [degC] at the outlet of one evaporator; spilt liquid cools its vapour first."""
    spilt = one.carried_over_share / np.maximum(1.0 - one.carried_over_share, 0.1)
    cooling = spilt * saturation.latent_kj_per_kg / saturation.vapour_cp_kj_per_kg_k
    return np.maximum(one.vapour_c - cooling, saturation.temperature_c)
