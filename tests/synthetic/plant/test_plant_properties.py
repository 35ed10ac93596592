"""Property tables and ideal cycles of the plant against printed values."""

import numpy as np
import pytest

from synthetic.plant.arrays import side_by_side
from synthetic.plant.cars import CarDesign
from synthetic.plant.compressor import Suction, pump
from synthetic.plant.properties import Charge
from synthetic.plant.property_tables import R134A, R1234YF


def charge_of(refrigerant: int, n: int, *, other: int = R134A, share: float = 0.0) -> Charge:
    return Charge.of(np.full(n, float(refrigerant)), np.full(n, float(other)), np.full(n, share))


# MIT package proptables 0.1.1, R134a_TempSat.csv (ASHRAE reference): degC, kPa, hf, hg kJ/kg
R134A_ROWS = np.array(
    [
        (-20, 132.7, 25.49, 238.41),
        (-10, 200.6, 38.55, 244.52),
        (0, 292.8, 51.86, 250.46),
        (20, 571.7, 79.32, 261.60),
        (40, 1016.6, 108.27, 271.28),
        (60, 1681.8, 139.36, 278.49),
        (80, 2633.2, 174.25, 280.67),
    ]
).T


def test_r134a_saturation_is_the_printed_one():
    celsius, kpa, liquid, vapour = R134A_ROWS
    found = charge_of(R134A, celsius.size).saturation(kpa)
    # the printed pressures carry four digits: 0.1 % is 0.03 K
    assert found.temperature_c == pytest.approx(celsius, abs=0.03)
    # enthalpies by differences, so that the reference state does not matter
    assert found.latent_kj_per_kg == pytest.approx(vapour - liquid, abs=0.15)
    assert np.diff(found.liquid_kj_per_kg) == pytest.approx(np.diff(liquid), abs=0.1)


def test_r134a_densities_are_tillner_roth_and_baehrs():
    # Tillner-Roth & Baehr 1994, Table 8 [2nd hand]: MPa, rho', rho''
    rows = np.array(
        [(0.11561, 1367.9, 5.9546), (0.70282, 1199.7, 34.193), (2.4611, 951.32, 140.99)]
    )
    found = charge_of(R134A, 3).saturation(rows[:, 0] * 1e3)
    assert found.liquid_kg_per_m3 == pytest.approx(rows[:, 1], rel=1e-3)
    assert found.vapour_kg_per_m3 == pytest.approx(rows[:, 2], rel=2e-3)


def test_r1234yf_gas_density_is_perkins():
    # Perkins 2011 [2nd hand]: 300 K, 100 kPa: 4.671553 kg/m3
    charge, kpa = charge_of(R1234YF, 1), np.array([100.0])
    saturated = charge.saturation(kpa)
    wanted_k = 300.0 - 273.15 - saturated.temperature_c
    above = np.interp(
        wanted_k[0],
        charge_of(R1234YF, 200).superheat_k(np.full(200, 100.0), np.linspace(0, 80, 200)),
        np.linspace(0, 80, 200),
    )
    assert charge.vapour_kg_per_m3(kpa, np.array([above])) == pytest.approx(4.671553, rel=2e-3)


def test_pressure_and_temperature_are_inverse():
    kpa = np.geomspace(80.0, 3000.0, 60)
    charge = charge_of(R1234YF, 60)
    assert charge.saturation_kpa(charge.saturation_c(kpa)) == pytest.approx(kpa, rel=1e-5)


def test_a_mixed_charge_lies_between_its_parts_and_beside_the_pure_one():
    kpa = np.array([300.0, 900.0])
    pure, other = (charge_of(r, 2).saturation_c(kpa) for r in (R1234YF, R134A))
    mixed = charge_of(R1234YF, 2, other=R134A, share=0.5).saturation_c(kpa)
    assert np.all((mixed > np.minimum(pure, other)) & (mixed < np.maximum(pure, other)))


def ideal_compressor(ratio: float):
    """A machine without loss: pumps its swept volume and compresses along the isentrope."""
    return side_by_side(
        [
            CarDesign(
                isentropic_best=1.0,
                best_pressure_ratio=ratio,
                best_rpm=1e6,
                volumetric_best=1.0,
                clearance_share=0.0,
                slip_share=0.0,
                throttling_per_1000_rpm=0.0,
            )
        ]
    )


def compress(p1_kpa: float, p2_kpa: float, superheat_k: float = 0.0):
    """Work, inlet enthalpy above saturation [kJ/kg] and discharge superheat [K] from the plant."""
    charge = charge_of(R134A, 1)
    grid = np.linspace(0.0, 60.0, 400)
    hot = charge_of(R134A, 400).superheat_k(np.full(400, p1_kpa), grid)
    above = np.array([np.interp(superheat_k, hot, grid)])
    low = charge.saturation(np.array([p1_kpa]))
    suction = Suction(np.array([p1_kpa]), low.vapour_kj_per_kg + above, low, np.array([p2_kpa]))
    cars = ideal_compressor(p2_kpa / p1_kpa)
    found = pump(cars, charge, suction, (np.array([1500.0]), np.array([1.0])))
    return found, low, suction, charge


def test_university_problem_ideal_cycle_r134a():
    # university problem, printed answers: Te -20 degC, 1.2 MPa, 0.05 kg/s, ASHRAE reference:
    # h1 238.41, h2 284.48 (55.5 degC), h3 117.77, x4 .433, COP 2.62, 6.03 kW
    found, low, suction, charge = compress(132.7, 1200.0)
    high = charge.saturation(np.array([1200.0]))
    cooling = suction.kj_per_kg - high.liquid_kj_per_kg
    assert found.work_kj_per_kg == pytest.approx(284.48 - 238.41, rel=5e-3)
    assert cooling == pytest.approx(238.41 - 117.77, rel=5e-3)
    assert cooling / found.work_kj_per_kg == pytest.approx(2.62, rel=5e-3)
    assert 0.05 * cooling == pytest.approx(6.03, rel=5e-3)
    quality = (high.liquid_kj_per_kg - low.liquid_kj_per_kg) / low.latent_kj_per_kg
    assert quality == pytest.approx(0.433, rel=5e-3)
    above = suction.kj_per_kg + found.work_kj_per_kg - high.vapour_kj_per_kg
    discharge_c = high.temperature_c + charge.superheat_k(np.array([1200.0]), above)
    assert discharge_c == pytest.approx(55.5, rel=5e-3)


def test_cengel_and_boles_example_11_1():
    # printed answers [memory]: 0.14/0.8 MPa, 0.05 kg/s: COP 3.97, 7.18 kW, 1.81 kW
    found, _, suction, charge = compress(140.0, 800.0)
    cooling = suction.kj_per_kg - charge.saturation(np.array([800.0])).liquid_kj_per_kg
    assert 0.05 * cooling == pytest.approx(7.18, rel=5e-3)
    assert 0.05 * found.work_kj_per_kg == pytest.approx(1.81, rel=5e-3)
    assert cooling / found.work_kj_per_kg == pytest.approx(3.97, rel=5e-3)


def test_cengel_and_boles_example_11_2():
    # printed [memory]: inlet 0.14 MPa -10 degC, outlet 0.8 MPa 50 degC, liquid 26 degC:
    # COP 3.93, isentropic efficiency 93.9 %
    inlet_c = charge_of(R134A, 1).saturation_c(np.array([140.0]))[0]
    found, _, suction, charge = compress(140.0, 800.0, superheat_k=-10.0 - inlet_c)
    high = charge.saturation(np.array([800.0]))
    grid = np.linspace(0.0, 60.0, 600)
    hot = charge_of(R134A, 600).superheat_k(np.full(600, 800.0), grid)
    outlet = high.vapour_kj_per_kg + np.interp(50.0 - high.temperature_c, hot, grid)
    real_work = outlet - suction.kj_per_kg
    assert found.work_kj_per_kg / real_work == pytest.approx(0.939, rel=5e-3)
    cooling = suction.kj_per_kg - charge.liquid_kj_per_kg(np.array([26.0]))
    assert cooling / real_work == pytest.approx(3.93, rel=5e-3)


@pytest.mark.parametrize(
    ("refrigerant", "efficiency", "expected_c"),
    # computed with the equations of state: Te 2, Tc 55, 15 K superheat
    [(R134A, 0.7, 87), (R134A, 0.6, 95), (R1234YF, 0.7, 75), (R1234YF, 0.6, 81)],
)
def test_discharge_temperature_over_efficiency(refrigerant, efficiency, expected_c):
    charge = charge_of(refrigerant, 1)
    low = charge.saturation(charge.saturation_kpa(np.array([2.0])))
    p1, p2 = (charge.saturation_kpa(np.array([c])) for c in (2.0, 55.0))
    grid = np.linspace(0.0, 40.0, 300)
    hot = charge_of(refrigerant, 300).superheat_k(np.full(300, p1[0]), grid)
    inlet = low.vapour_kj_per_kg + np.interp(15.0, hot, grid)
    cars = ideal_compressor(p2[0] / p1[0]).with_columns(isentropic_best=np.array([efficiency]))
    found = pump(cars, charge, Suction(p1, inlet, low, p2), (np.array([1500.0]), np.array([1.0])))
    high = charge.saturation(p2)
    above = inlet + found.work_kj_per_kg - high.vapour_kj_per_kg
    assert high.temperature_c + charge.superheat_k(p2, above) == pytest.approx(expected_c, abs=0.8)
