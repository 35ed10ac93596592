"""Property tables of the simulator against published points (check values named beside each)."""

from __future__ import annotations

import numpy as np
import pytest

from synthetic.refrigerants import FLUIDS, compression, saturation, saturation_temperature_c

R1234YF = FLUIDS.index("R1234yf")
R134A = FLUIDS.index("R134a")


@pytest.mark.parametrize(
    ("temperature_c", "pressure_kpa", "liquid_kj_per_kg", "vapour_kj_per_kg"),
    [
        # R-134a table of the package proptables 0.1.1 (ASHRAE reference): t, p, hf, hg
        (-20.0, 132.7, 25.49, 238.41),
        (0.0, 292.8, 51.86, 250.46),
        (20.0, 571.7, 79.32, 261.60),
        (40.0, 1016.6, 108.27, 271.28),
        (60.0, 1681.8, 139.36, 278.49),
    ],
)
def test_saturation_of_r134a_is_the_printed_table(
    temperature_c, pressure_kpa, liquid_kj_per_kg, vapour_kj_per_kg
):
    got = saturation(np.array([R134A]), np.array([temperature_c]))
    assert got.pressure_kpa[0] == pytest.approx(pressure_kpa, rel=1e-3)
    # enthalpies count from another zero, so their difference is what the table can check
    latent = vapour_kj_per_kg - liquid_kj_per_kg
    assert got.vapour_kj_per_kg[0] - got.liquid_kj_per_kg[0] == pytest.approx(latent, abs=0.1)


@pytest.mark.parametrize(
    ("temperature_k", "pressure_kpa", "liquid", "vapour"),
    [
        # R-134a, Tillner-Roth & Baehr 1994, Table 8: T, p, rho', rho''
        (250.0, 115.61, 1367.9, 5.9546),
        (300.0, 702.82, 1199.7, 34.193),
        (350.0, 2461.1, 951.32, 140.99),
    ],
)
def test_densities_of_r134a_are_the_published_ones(temperature_k, pressure_kpa, liquid, vapour):
    got = saturation(np.array([R134A]), np.array([temperature_k - 273.15]))
    assert got.pressure_kpa[0] == pytest.approx(pressure_kpa, rel=1e-3)
    assert got.liquid_kg_per_m3[0] == pytest.approx(liquid, rel=1e-3)
    assert got.vapour_kg_per_m3[0] == pytest.approx(vapour, rel=2e-3)


def test_saturation_temperature_undoes_saturation_pressure():
    temperature_c = np.linspace(-40.0, 85.0, 300)
    for fluid in (R1234YF, R134A):
        which = np.full(300, fluid)
        pressure = saturation(which, temperature_c).pressure_kpa
        back = saturation_temperature_c(which, pressure)
        assert np.abs(back - temperature_c).max() < 1e-6


def test_ideal_compression_meets_a_worked_university_example():
    # ideal cycle of a university problem: R-134a, -20 degC, 1.2 MPa, saturated vapour in:
    # h1 238.41, h2 284.48 kJ/kg, T2 55.5 degC. The surface is fitted for 1 to 45 K of
    # superheat, so this lies on its edge: 4 %.
    got = compression(np.array([R134A]), np.array([-20.0]), np.array([0.0]), np.array([46.3]))
    assert got.work_kj_per_kg[0] == pytest.approx(284.48 - 238.41, rel=0.04)
    assert got.end_c[0] == pytest.approx(55.5, abs=1.5)


def test_ideal_discharge_temperatures_of_both_refrigerants():
    # computed with a general property library (Te 2, Tc 55, superheat 15 K, isentropic):
    # R-134a 74 degC, R-1234yf 65 degC, as whole degrees
    got = compression(
        np.array([R134A, R1234YF]), np.full(2, 2.0), np.full(2, 15.0), np.full(2, 55.0)
    )
    assert got.end_c == pytest.approx([74.0, 65.0], abs=1.0)
