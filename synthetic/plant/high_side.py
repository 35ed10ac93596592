"""From the compressor inlet to the valve inlet: the high side of a state.

Takes the state, its inputs and the saturated low side; gives a `HighSide`. No rates here.
"""

import numpy as np

from synthetic.plant import compressor, condenser, valves
from synthetic.plant.arrays import FloatArray
from synthetic.plant.circuit import Circuit, CircuitInputs, HighSide, low_side_kg
from synthetic.plant.compressor import Pumping, Suction
from synthetic.plant.condenser import Condensing, Inventory
from synthetic.plant.properties import Saturation
from synthetic.plant.state import CircuitState
from synthetic.plant.valves import ValveInlet

STANDING_RPM = 1.0
LEAST_FLOW_KG_PER_S = 2e-4


def high_side(
    circuit: Circuit, state: CircuitState, inputs: CircuitInputs, low: Saturation
) -> HighSide:
    """High side of a state: what is pumped, condensed, subcooled and brought to the valve."""
    cars, charge = circuit.cars, circuit.charge
    high = charge.saturation(state.high_kpa)
    mass = cars.charge_kg - low_side_kg(circuit, state, low)
    inventory = condenser.place_liquid(cars, high, mass, state.desuperheat_share)
    foreign = condenser.non_condensable_kpa(cars, inventory.gas_m3, high.temperature_c)
    total = state.high_kpa + foreign
    discharge = total + valves.line_drop_kpa(
        cars.discharge_drop_factor, state.pumped_kg_per_s, high
    )
    suction = _suction(circuit, state, low, discharge)
    pumping = compressor.pump(cars, charge, suction, (inputs.rpm, inputs.displacement))
    flow = np.where(inputs.rpm > STANDING_RPM, pumping.flow_kg_per_s, 0.0)
    gas = _discharge_gas(circuit, state, discharge)
    condensing = condenser.condense(
        cars,
        charge,
        high,
        (_condenser_flows(state, inputs, (flow, gas[0], gas[1])), inventory),
    )
    liquid_kpa, exchanged, inlet = _to_the_valve(circuit, state, (high, condensing, foreign))
    return HighSide(
        saturation=high,
        suction_kpa=suction.kpa,
        suction=suction.saturation,
        suction_c=_gas_c(circuit, suction),
        pumping=pumping,
        flow_kg_per_s=flow,
        non_condensable_kpa=foreign,
        discharge_kpa=discharge,
        discharge_c=gas[0],
        discharge_kj_per_kg=gas[1],
        shell_loss_kw=cars.shell_loss_kw_per_k * (gas[0] - inputs.underhood_c),
        inventory=inventory,
        condensing=condensing,
        liquid_kpa=liquid_kpa,
        exchanged_kw=exchanged,
        inlet=inlet,
    )


def _suction(
    circuit: Circuit, state: CircuitState, low: Saturation, discharge_kpa: FloatArray
) -> Suction:
    factor = circuit.cars.evaporator_drop_factor + circuit.cars.suction_drop_factor
    drop = valves.line_drop_kpa(factor, state.pumped_kg_per_s, low)
    kpa = np.maximum(state.low_kpa - drop, 0.4 * state.low_kpa)
    return Suction(kpa, state.suction_kj_per_kg, circuit.charge.saturation(kpa), discharge_kpa)


def _gas_c(circuit: Circuit, suction: Suction) -> FloatArray:
    above = np.maximum(suction.kj_per_kg - suction.saturation.vapour_kj_per_kg, 0.0)
    return suction.saturation.temperature_c + circuit.charge.superheat_k(suction.kpa, above)


def _discharge_gas(
    circuit: Circuit, state: CircuitState, kpa: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Temperature [degC] and enthalpy [kJ/kg] behind the compressor's shell."""
    enthalpy = state.suction_kj_per_kg + state.work_kj_per_kg
    saturation = circuit.charge.saturation(kpa)
    above = np.maximum(enthalpy - saturation.vapour_kj_per_kg, 0.0)
    return saturation.temperature_c + circuit.charge.superheat_k(kpa, above), enthalpy


def _condenser_flows(
    state: CircuitState,
    inputs: CircuitInputs,
    gas: tuple[FloatArray, FloatArray, FloatArray],
) -> condenser.CondenserFlows:
    flow, gas_c, gas_kj_per_kg = gas
    return condenser.CondenserFlows(
        inlet_kg_per_s=flow,
        outlet_kg_per_s=state.valve_kg_per_s,
        air_kg_per_s=inputs.condenser_air_kg_per_s,
        air_c=inputs.condenser_air_c,
        gas_c=gas_c,
        gas_kj_per_kg=gas_kj_per_kg,
        wall_c=state.condenser_wall_c,
        liquid_c=state.liquid_c,
    )


def _to_the_valve(
    circuit: Circuit, state: CircuitState, at: tuple[Saturation, Condensing, FloatArray]
) -> tuple[FloatArray, FloatArray, ValveInlet]:
    """Pressure at the liquid line [kPa], heat of the exchanger [kW], state at the valve."""
    high, condensing, foreign = at
    cars, flow = circuit.cars, state.valve_kg_per_s
    drop = valves.line_drop_kpa(cars.condenser_drop_factor, flow, high)
    liquid_kpa = np.maximum(state.high_kpa + foreign - drop, 0.5 * state.high_kpa)
    restriction = cars.restriction_factor * flow**2 / high.liquid_kg_per_m3
    inlet_kpa = np.maximum(liquid_kpa - restriction, state.low_kpa)
    exchanged = exchanged_kw(circuit, state, (high, condensing))
    enthalpy = condensing.outlet_kj_per_kg - exchanged / np.maximum(flow, LEAST_FLOW_KG_PER_S)
    return liquid_kpa, exchanged, valves.valve_inlet(circuit.charge, inlet_kpa, enthalpy)


def exchanged_kw(
    circuit: Circuit, state: CircuitState, at: tuple[Saturation, Condensing]
) -> FloatArray:
    """Heat of the internal heat exchanger [kW]: effectiveness on the vapour side."""
    high, condensing = at
    drive = np.maximum(condensing.outlet_c - state.outlet_c, 0.0)
    vapour = state.pumped_kg_per_s * circuit.charge.saturation(state.low_kpa).vapour_cp_kj_per_kg_k
    liquid = state.valve_kg_per_s * circuit.charge.liquid_cp_kj_per_kg_k(high.temperature_c)
    limit = 0.7 * liquid * drive
    return np.minimum(circuit.cars.exchanger_effectiveness * vapour * drive, limit)


def receiver_is_empty(inventory: Inventory) -> FloatArray:
    """1 where the receiver holds no reserve, else 0."""
    return np.where(inventory.receiver_filled <= 0.0, 1.0, 0.0)


def gas_power_kw(pumping: Pumping, flow_kg_per_s: FloatArray) -> FloatArray:
    """Power that goes into the gas [kW]."""
    return np.asarray(pumping.work_kj_per_kg * flow_kg_per_s)
