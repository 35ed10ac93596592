"""Steady states of the circuit at held controls and air, and their balances.

Found by letting the same circuit settle with short lags and a slow needle, which changes the
way there and not where it ends. Gives flows and the errors of the mass and energy balances.
"""

from dataclasses import dataclass

import numpy as np

from synthetic.plant.arrays import Batch, BoolArray, FloatArray
from synthetic.plant.circuit import Circuit, CircuitInputs, Flows, low_side_kg
from synthetic.plant.state import CircuitState, Soak, soaked_state
from synthetic.plant.stepping import HIGHEST_SHARE, LOWEST_KPA, STEP_S, advance

SETTLING_S = 900.0
# a state is called steady if nothing has moved by more than this share in its last minute
LAST_S, STILL_SHARE = 60.0, 1e-3
# lags that do not move a steady state, chosen so that valves cannot hunt
SETTLING_LAGS = {
    "bulb_s": 0.6,
    "valve_needle_s": 30.0,
    "shell_s": 6.0,
    "suction_line_s": 2.0,
    "liquid_s": 1.0,
}


@dataclass(frozen=True)
class Steady:
    """A settled state, its flows, and how far it still moved in the last minute [1]."""

    circuit: Circuit
    state: CircuitState
    flows: Flows
    inputs: CircuitInputs
    drift: FloatArray

    @property
    def is_steady(self) -> BoolArray:
        """True where the state stands still at a pressure that the property tables hold.

        No control acts here: the compressor is held on, also above its cut-out. A state that
        swings (a hunting valve) or has run to the end of the tables is not steady.
        """
        ceiling = HIGHEST_SHARE * self.circuit.charge.highest_kpa()
        inside = (self.state.high_kpa < 0.999 * ceiling) & (self.state.low_kpa > LOWEST_KPA)
        return (self.drift < STILL_SHARE) & inside


@dataclass(frozen=True)
class Balances:
    """Errors of the balances, as shares of the flow or heat they concern [1]."""

    flow_error: FloatArray
    charge_error: FloatArray
    evaporator_error: FloatArray
    condenser_error: FloatArray
    circuit_error: FloatArray


def settle(cars: Batch, inputs: CircuitInputs, seconds: float = SETTLING_S) -> Steady:
    """Steady state of a batch at held inputs, from a soaked start."""
    lags = {name: np.full(len(cars), value) for name, value in SETTLING_LAGS.items()}
    circuit = Circuit.of(cars.with_columns(**lags))
    warm = inputs.condenser_air_c
    soak = Soak(warm, warm, warm, np.full(len(cars), 0.008), warm)
    state = soaked_state(circuit.cars, circuit.charge, soak).circuit
    steps, last = round(seconds / STEP_S), round(LAST_S / STEP_S)
    if steps <= last:
        raise ValueError(f"settling needs more than {LAST_S} s; found {seconds} s")
    for _ in range(steps - last):
        state, _ = advance(circuit, state, inputs)
    drift = np.zeros(len(cars))
    before = state
    for _ in range(last):
        state, found = advance(circuit, state, inputs)
        drift = np.maximum(drift, _moved(before, state))
    return Steady(circuit, state, found, inputs, drift)


def _moved(before: CircuitState, after: CircuitState) -> FloatArray:
    """Largest share by which a pressure or the flow differs from an earlier state [1]."""
    names = ("low_kpa", "high_kpa", "pumped_kg_per_s", "valve_kg_per_s")
    shares = [getattr(after, name) / np.maximum(getattr(before, name), 1e-6) for name in names]
    return np.asarray(np.max(np.abs(np.array(shares) - 1.0), axis=0))


def cooling_kw(steady: Steady) -> FloatArray:
    """Heat that both coils take from the air [kW]."""
    low = steady.flows.low
    return np.asarray(low.front.air.heat_kw + steady.circuit.has_rear * low.rear.air.heat_kw)


def rejected_kw(steady: Steady) -> FloatArray:
    """Heat that the condenser gives to the air [kW]."""
    condensing = steady.flows.high.condensing
    return np.asarray(condensing.wall_to_air_kw + condensing.desuperheat_kw + condensing.subcool_kw)


def compression_kw(steady: Steady) -> FloatArray:
    """Power into the gas [kW]."""
    high = steady.flows.high
    return np.asarray(high.pumping.work_kj_per_kg * high.flow_kg_per_s)


def charge_found_kg(steady: Steady) -> FloatArray:
    """Charge added up space by space from densities [kg]."""
    cars, flows = steady.circuit.cars, steady.flows
    high, inventory = flows.high.saturation, flows.high.inventory
    heavier = high.liquid_kg_per_m3 - high.vapour_kg_per_m3
    line = high.vapour_kg_per_m3 + inventory.line_filled * heavier
    receiver = high.vapour_kg_per_m3 + inventory.receiver_filled * heavier
    full = cars.subcool_pass_share * inventory.pass_filled + inventory.backed_up_share
    gas = steady.state.desuperheat_share
    coat = high.condensing_kg_per_m3 - high.vapour_kg_per_m3
    condenser = (
        gas * high.vapour_kg_per_m3
        + full * high.liquid_kg_per_m3
        + (1.0 - gas - full) * (high.vapour_kg_per_m3 + (1.0 - inventory.outlet_quality) * coat)
    )
    return np.asarray(
        low_side_kg(steady.circuit, steady.state, flows.low.saturation)
        + cars.liquid_line_m3 * line
        + cars.receiver_m3 * receiver
        + cars.condenser_m3 * condenser
    )


def balances(steady: Steady) -> Balances:
    """Errors of the balances of a settled state."""
    cars, low, high = steady.circuit.cars, steady.flows.low, steady.flows.high
    valve = low.front_kg_per_s + low.rear_kg_per_s
    taken, given, power = cooling_kw(steady), rejected_kw(steady), compression_kw(steady)
    between = high.flow_kg_per_s * (low.outlet.kj_per_kg - high.inlet.kj_per_kg)
    through = high.flow_kg_per_s * (high.discharge_kj_per_kg - high.condensing.outlet_kj_per_kg)
    gains = low.suction_gain_kw - high.shell_loss_kw
    return Balances(
        flow_error=valve / high.flow_kg_per_s - 1.0,
        charge_error=charge_found_kg(steady) / cars.charge_kg - 1.0,
        evaporator_error=between / taken - 1.0,
        condenser_error=through / given - 1.0,
        circuit_error=(taken + power + gains) / given - 1.0,
    )
