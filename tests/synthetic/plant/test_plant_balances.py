"""Balances of mass and energy in steady states, at random points of random faulty cars.

A steady state is one of the circuit at held speed, stroke and air: the compressor is held on,
also above its cut-out (the plant's controls are no part of it), and no pressure or flow has
moved by more than 0.1 % in the last minute. A valve that hunts and a high side that has run
to the end of the property tables are no steady states; they are counted and must be few.
"""

from dataclasses import fields, replace

import numpy as np
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from plant_bench import Point, inputs

from synthetic.plant.arrays import side_by_side
from synthetic.plant.cars import ARCHITECTURES, ELECTRIC, FIXED_CLUTCH
from synthetic.plant.faults import FAULT_NAMES, Faults, with_faults
from synthetic.plant.steady import balances, settle

POINTS = 60
# these act on air that the bench holds
FANS = {"condenser_blockage", "weak_fan"}


def random_point(rng: np.random.Generator):
    """A car with up to two faults, its share of charge, and a held operating point."""
    name = str(rng.choice(sorted(ARCHITECTURES)))
    kind = ARCHITECTURES[name].compressor_kind
    is_electric, is_fixed = kind == ELECTRIC, kind in (ELECTRIC, FIXED_CLUTCH)
    faulty = rng.choice(FAULT_NAMES, size=rng.integers(0, 3), replace=False)
    severities = {str(fault): float(rng.uniform()) for fault in faulty}
    air = 1.0 - 0.7 * max(severities.get(fault, 0.0) for fault in FANS)
    inside_air = 1.0 - 0.65 * severities.get("evaporator_air_low", 0.0)
    point = Point(
        rpm=rng.uniform(2000, 6500) if is_electric else rng.uniform(900, 3000),
        displacement=1.0 if is_fixed else rng.uniform(0.35, 1.0),
        evaporator_air_c=rng.uniform(18, 38),
        evaporator_humidity_pct=rng.uniform(20, 80),
        evaporator_air_kg_per_s=rng.uniform(0.06, 0.14) * inside_air,
        condenser_air_c=rng.uniform(18, 42),
        condenser_air_kg_per_s=rng.uniform(0.4, 1.2) * air,
        underhood_c=rng.uniform(25, 75),
    )
    car = ARCHITECTURES[name]
    return replace(car, charge_kg=car.charge_kg * rng.uniform(0.6, 1.1)), severities, point


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=3, deadline=None, derandomize=True, phases=[Phase.generate])
def test_mass_and_energy_close_to_one_percent_in_every_steady_state(seed):
    rng = np.random.default_rng(seed)
    cars, severities, points = zip(*(random_point(rng) for _ in range(POINTS)), strict=True)
    faults = [Faults(**found) for found in severities]
    steady = settle(with_faults(side_by_side(cars), side_by_side(faults)), inputs(list(points)))
    still, errors = steady.is_steady, balances(steady)
    assert np.mean(still) >= 0.85
    for field in fields(errors):
        error = np.where(still, np.abs(getattr(errors, field.name)), 0.0)
        worst = int(np.argmax(error))
        where = f"{severities[worst]}, {points[worst]}"
        assert error[worst] < 0.01, f"{field.name} open by {error[worst]:.2%}: {where}"


def test_a_state_above_the_cut_out_is_steady_and_closes():
    # 45 degC air and a blocked face drive the high side over 29 bar; nothing switches off here
    point = Point(condenser_air_c=45.0, condenser_air_kg_per_s=0.25, rpm=2600.0)
    steady = settle(side_by_side([ARCHITECTURES["134a_internal"]]), inputs([point]))
    assert steady.flows.high.discharge_kpa[0] > steady.circuit.cars.high_cut_out_kpa[0]
    assert steady.is_steady[0]
    errors = balances(steady)
    assert max(abs(getattr(errors, f.name)[0]) for f in fields(errors)) < 0.01
