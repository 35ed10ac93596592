"""Faults of the plant: none at zero, more at more, each in the place where it belongs."""

from dataclasses import fields

import numpy as np
import pytest
from plant_bench import Point, inputs

from synthetic.plant.arrays import side_by_side
from synthetic.plant.cars import ARCHITECTURES
from synthetic.plant.faults import CHANGES, FAULT_NAMES, Faults, usual_contaminant, with_faults
from synthetic.plant.property_tables import R134A, R1234YF
from synthetic.plant.steady import settle

CAR = ARCHITECTURES["yf_external_exchanger"]
LEVELS = (0.0, 0.25, 0.5, 0.75)


def settled(name: str, levels=LEVELS):
    cars = side_by_side([CAR] * len(levels))
    hurt = with_faults(cars, side_by_side([Faults(**{name: level}) for level in levels]))
    return settle(hurt, inputs([Point(displacement=0.8)] * len(levels)), seconds=500.0)


def test_every_fault_has_its_change():
    assert set(CHANGES) == set(FAULT_NAMES) == {field.name for field in fields(Faults)}


def test_zero_severity_changes_nothing():
    cars = side_by_side(list(ARCHITECTURES.values()))
    same = with_faults(cars, side_by_side([Faults()] * len(cars)))
    assert same is cars


@pytest.mark.parametrize("severity", [-0.1, 1.5])
def test_a_severity_outside_zero_to_one_is_refused(severity):
    with pytest.raises(ValueError, match="icing must lie within 0 to 1"):
        with_faults(side_by_side([CAR]), side_by_side([Faults(icing=severity)]))


# what each fault moves first and which way (decoupled features after Li and Braun)
FINGERPRINTS = {
    "undercharge": (lambda s: s.flows.high.saturation.temperature_c
                    - s.flows.high.condensing.outlet_c, -1),
    "overcharge": (lambda s: s.flows.high.condensing.subcool_share, 1),
    "condenser_blockage": (lambda s: s.flows.high.discharge_kpa, 1),
    "non_condensables": (lambda s: s.flows.high.non_condensable_kpa, 1),
    "compressor_wear": (lambda s: s.flows.high.pumping.work_kj_per_kg
                        / s.flows.high.discharge_kpa, 1),
    "valve_under_feeding": (lambda s: s.flows.low.outlet.celsius
                            - s.flows.low.outlet.saturation.temperature_c, 1),
    "liquid_restriction": (lambda s: s.flows.high.liquid_kpa - s.flows.high.inlet.kpa, 1),
    "evaporator_air_low": (lambda s: s.flows.low.saturation.temperature_c, -1),
    "exchanger_fouled": (lambda s: s.flows.high.exchanged_kw, -1),
    "oil_overcharge": (lambda s: s.flows.low.front.wall_c
                       - s.flows.low.saturation.temperature_c, 1),
}  # fmt: skip


@pytest.mark.parametrize("name", FINGERPRINTS)
def test_more_fault_more_of_its_fingerprint(name):
    measure, sign = FINGERPRINTS[name]
    if name in {"condenser_blockage", "evaporator_air_low"}:
        # these act on air that the bench holds: put them there
        points = {
            "condenser_blockage": [Point(condenser_air_kg_per_s=0.85 * (1 - s)) for s in LEVELS],
            "evaporator_air_low": [Point(evaporator_air_kg_per_s=0.12 * (1 - s)) for s in LEVELS],
        }[name]
        value = measure(settle(side_by_side([CAR] * 4), inputs(points), seconds=500.0))
    else:
        value = measure(settled(name))
    steps = sign * np.diff(value)
    assert np.all(steps >= -1e-6)
    assert steps.sum() > 0.0
    assert abs(value[-1] - value[0]) > 0.01 * max(abs(value[0]), 0.1)


def test_foreign_gas_adds_its_partial_pressure_by_the_ideal_gas_law():
    steady = settled("non_condensables", levels=(0.0, 0.6))
    moles = steady.circuit.cars.non_condensable_mol[1]
    volume = steady.flows.high.inventory.gas_m3[1]
    kelvin = steady.flows.high.saturation.temperature_c[1] + 273.15
    # p = n R T / V with R = 8.314462618 J/mol/K (CODATA)
    wanted = moles * 8.314462618e-3 * kelvin / volume
    assert steady.flows.high.non_condensable_kpa == pytest.approx([0.0, wanted], rel=1e-9)


def test_the_other_automotive_refrigerant_is_the_usual_contaminant():
    assert usual_contaminant(R134A) == R1234YF
    assert usual_contaminant(R1234YF) == R134A


def test_r134a_in_an_r1234yf_car_stands_at_the_same_pressure():
    # computed: they differ by only 0.17 bar at 25 degC: standing pressure cannot tell
    from synthetic.plant.properties import Charge  # noqa: PLC0415 - used here only

    share = np.array([0.0, 0.5, 1.0])
    charge = Charge.of(np.full(3, float(R1234YF)), np.full(3, float(R134A)), share)
    kpa = charge.saturation_kpa(np.full(3, 25.0))
    assert kpa[0] - kpa[2] == pytest.approx(17.0, abs=1.5)
    assert kpa[2] < kpa[1] < kpa[0]


def test_faults_combine():
    both = with_faults(
        side_by_side([CAR]), side_by_side([Faults(undercharge=0.4, compressor_wear=0.5)])
    )
    assert both.charge_kg[0] == pytest.approx(CAR.charge_kg * (1.0 - 0.70 * 0.4))
    assert both.compressor_health[0] == pytest.approx(1.0 - 0.45 * 0.5)
