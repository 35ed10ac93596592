"""Records of the refrigerant circuit: what it is made of, what drives it, what flows in it.

No equations but the mass on the low side; `low_side`, `high_side` and `stepping` hold them.
"""

from dataclasses import dataclass

import numpy as np

from synthetic.plant.arrays import Batch, FloatArray
from synthetic.plant.compressor import Pumping
from synthetic.plant.condenser import Condensing, Inventory
from synthetic.plant.evaporator import Air, Boiling, Coil
from synthetic.plant.properties import Charge, Saturation
from synthetic.plant.state import CircuitState
from synthetic.plant.valves import ValveInlet


@dataclass(frozen=True)
class CircuitInputs:
    """Compressor drive, air at the three heat exchangers, air under the hood."""

    rpm: FloatArray
    displacement: FloatArray
    front_air: Air
    rear_air: Air
    condenser_air_kg_per_s: FloatArray
    condenser_air_c: FloatArray
    underhood_c: FloatArray


@dataclass(frozen=True)
class Circuit:
    """A batch of circuits: the cars, their refrigerant, the bulb's filling, both coils."""

    cars: Batch
    charge: Charge
    bulb: Charge
    front: Coil
    rear: Coil
    has_rear: FloatArray

    @classmethod
    def of(cls, cars: Batch) -> "Circuit":
        """Circuits of a batch of cars."""
        nothing = np.zeros(len(cars))
        return cls(
            cars=cars,
            charge=Charge.of(cars.refrigerant, cars.contaminant, cars.contaminant_share),
            bulb=Charge.of(cars.refrigerant, cars.refrigerant, nothing),
            front=_coil(cars, np.ones(len(cars))),
            rear=_coil(cars, np.maximum(cars.rear_share, 1e-3)),
            has_rear=np.where(cars.rear_share > 0.0, 1.0, 0.0),
        )


def _coil(cars: Batch, size: FloatArray) -> Coil:
    return Coil(
        boiling_kw_per_k=cars.boiling_kw_per_k * size,
        vapour_kw_per_k=cars.vapour_kw_per_k * size,
        volume_m3=cars.evaporator_m3 * size,
        air_transfer_units=cars.air_transfer_units,
        reference_air_kg_per_s=cars.evaporator_reference_air_kg_per_s * size,
        wall_kj_per_k=cars.evaporator_wall_kj_per_k * size,
    )


@dataclass(frozen=True)
class Outlet:
    """Common outlet of the evaporators: the mixture, and each one's own temperature [degC]."""

    kpa: FloatArray
    saturation: Saturation
    kj_per_kg: FloatArray
    celsius: FloatArray
    liquid_share: FloatArray
    front_share: FloatArray
    front_c: FloatArray
    rear_c: FloatArray


@dataclass(frozen=True)
class HighSide:
    """Compressor, condenser, liquid line and valve inlet of a state."""

    saturation: Saturation
    suction_kpa: FloatArray
    suction: Saturation
    suction_c: FloatArray
    pumping: Pumping
    flow_kg_per_s: FloatArray
    non_condensable_kpa: FloatArray
    discharge_kpa: FloatArray
    discharge_c: FloatArray
    discharge_kj_per_kg: FloatArray
    shell_loss_kw: FloatArray
    inventory: Inventory
    condensing: Condensing
    liquid_kpa: FloatArray
    exchanged_kw: FloatArray
    inlet: ValveInlet


@dataclass(frozen=True)
class LowSide:
    """Valves, evaporators and suction line of a state."""

    saturation: Saturation
    front_kg_per_s: FloatArray
    rear_kg_per_s: FloatArray
    inlet_quality: FloatArray
    front: Boiling
    rear: Boiling
    outlet: Outlet
    accumulator_liquid_share: FloatArray
    accumulator_boiling_kw: FloatArray
    suction_gain_kw: FloatArray


@dataclass(frozen=True)
class Flows:
    """Everything that flows in one state of the circuit."""

    high: HighSide
    low: LowSide


def low_side_kg(circuit: Circuit, state: CircuitState, low: Saturation) -> FloatArray:
    """Mass in evaporators, accumulator and suction line [kg]."""
    cars = circuit.cars
    space = cars.low_side_m3 + cars.evaporator_m3 * (1.0 + cars.rear_share) + cars.accumulator_m3
    liquid = state.liquid_kg + state.rear_liquid_kg + state.accumulator_kg
    gas = np.maximum(space - liquid / low.liquid_kg_per_m3, 0.0) * low.vapour_kg_per_m3
    return np.asarray(liquid + gas)
