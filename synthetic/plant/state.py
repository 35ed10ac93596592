"""What changes in time: the state of the circuit, of its controls and of the air around it.

Records of arrays over the tests, replaced and never changed in place. No physics here but
the state before a start: everything at soak temperature and one pressure.
"""

from dataclasses import dataclass

import numpy as np

from synthetic.plant.arrays import Batch, FloatArray
from synthetic.plant.properties import Charge


@dataclass(frozen=True)
class CircuitState:
    """Pressures, liquid, walls and lagging temperatures of the refrigerant circuit."""

    low_kpa: FloatArray
    high_kpa: FloatArray
    liquid_kg: FloatArray
    rear_liquid_kg: FloatArray
    accumulator_kg: FloatArray
    wall_c: FloatArray
    rear_wall_c: FloatArray
    condenser_wall_c: FloatArray
    liquid_c: FloatArray
    outlet_c: FloatArray
    bulb_c: FloatArray
    rear_bulb_c: FloatArray
    opening: FloatArray
    rear_opening: FloatArray
    suction_kj_per_kg: FloatArray
    work_kj_per_kg: FloatArray
    pumped_kg_per_s: FloatArray
    valve_kg_per_s: FloatArray
    desuperheat_share: FloatArray
    electronic_integral: FloatArray


@dataclass(frozen=True)
class ControlState:
    """Clutch, displacement or speed, fans, fin sensor: what the controls remember."""

    is_engaged: FloatArray
    dwell_s: FloatArray
    demand: FloatArray
    integral: FloatArray
    displacement: FloatArray
    electric_rpm: FloatArray
    fan_stage: FloatArray
    fan_dwell_s: FloatArray
    fan_kg_per_s: FloatArray
    fin_c: FloatArray


@dataclass(frozen=True)
class AirState:
    """Cabin, ducts, under-hood air, coolant and frost."""

    cabin_c: FloatArray
    cabin_mass_c: FloatArray
    cabin_ratio: FloatArray
    underhood_c: FloatArray
    coolant_c: FloatArray
    duct_c: FloatArray
    rear_duct_c: FloatArray
    frost_kg: FloatArray
    rear_frost_kg: FloatArray


@dataclass(frozen=True)
class PlantState:
    """The whole state of a batch of tests."""

    circuit: CircuitState
    control: ControlState
    air: AirState


@dataclass(frozen=True)
class Soak:
    """How a test starts [degC]: parts, cabin, coolant, air under the hood; ratio inside."""

    parts_c: FloatArray
    cabin_c: FloatArray
    coolant_c: FloatArray
    cabin_ratio: FloatArray
    underhood_c: FloatArray


def soaked_state(cars: Batch, charge: Charge, soak: Soak) -> PlantState:
    """Everything off, at soak temperature, at one pressure; liquid partly in the evaporators."""
    return PlantState(
        _soaked_circuit(cars, charge, soak), _idle_controls(cars, soak), _soaked_air(soak)
    )


def _soaked_circuit(cars: Batch, charge: Charge, soak: Soak) -> CircuitState:
    pressure = charge.saturation_kpa(soak.parts_c)
    saturation = charge.saturation(pressure)
    parts, nothing = soak.parts_c, np.zeros(len(cars))
    spare = np.maximum(cars.charge_kg - 0.25, 0.05)
    liquid = np.minimum(0.06 * cars.evaporator_m3 * saturation.liquid_kg_per_m3, 0.2 * spare)
    stored = np.minimum(0.15 * spare, 0.6 * cars.accumulator_m3 * saturation.liquid_kg_per_m3)
    return CircuitState(
        low_kpa=pressure,
        high_kpa=pressure,
        liquid_kg=liquid,
        rear_liquid_kg=liquid * cars.rear_share,
        accumulator_kg=stored,
        wall_c=parts,
        rear_wall_c=parts,
        condenser_wall_c=parts,
        liquid_c=parts,
        outlet_c=parts,
        bulb_c=parts,
        rear_bulb_c=parts,
        opening=cars.valve_least_opening,
        rear_opening=cars.valve_least_opening,
        suction_kj_per_kg=saturation.vapour_kj_per_kg,
        work_kj_per_kg=nothing,
        pumped_kg_per_s=nothing,
        valve_kg_per_s=nothing,
        desuperheat_share=nothing,
        electronic_integral=np.full(len(cars), 0.3),
    )


def _idle_controls(cars: Batch, soak: Soak) -> ControlState:
    nothing = np.zeros(len(cars))
    return ControlState(
        is_engaged=nothing,
        dwell_s=np.full(len(cars), 1e3),
        demand=nothing,
        integral=np.full(len(cars), 0.8),
        displacement=cars.least_displacement,
        electric_rpm=nothing,
        fan_stage=nothing,
        fan_dwell_s=np.full(len(cars), 1e3),
        fan_kg_per_s=nothing,
        fin_c=soak.cabin_c,
    )


def _soaked_air(soak: Soak) -> AirState:
    nothing = np.zeros_like(soak.cabin_c)
    return AirState(
        cabin_c=soak.cabin_c,
        cabin_mass_c=soak.cabin_c,
        cabin_ratio=soak.cabin_ratio,
        underhood_c=soak.underhood_c,
        coolant_c=soak.coolant_c,
        duct_c=soak.cabin_c,
        rear_duct_c=soak.cabin_c,
        frost_kg=nothing,
        rear_frost_kg=nothing,
    )
