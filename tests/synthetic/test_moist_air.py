"""Humid air of the simulator against published values and an independent library."""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest

from synthetic.moist_air import (
    relative_humidity,
    site_pressure_kpa,
    vapour_pressure_kpa,
    water_content,
)

psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize(
    # ASHRAE Fundamentals 2017, chapter 1, as carried by the tests of psychrolib
    ("temperature_c", "pressure_pa"),
    [(5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3)],
)
def test_vapour_pressure_is_the_handbooks(temperature_c, pressure_pa):
    got = vapour_pressure_kpa(np.array(temperature_c))
    assert got * 1000.0 == pytest.approx(pressure_pa, rel=2e-3)


@pytest.mark.parametrize(
    # ASHRAE Fundamentals 2017, chapter 1, as carried by the tests of psychrolib
    ("altitude_m", "pressure_pa"),
    [(0.0, 101325.0), (500.0, 95461.0), (1000.0, 89875.0)],
)
def test_site_pressure_is_the_standard_atmospheres(altitude_m, pressure_pa):
    assert site_pressure_kpa(np.array(altitude_m)) * 1000.0 == pytest.approx(pressure_pa, rel=2e-3)


@pytest.mark.parametrize("temperature_c", [5.0, 20.0, 35.0])
@pytest.mark.parametrize("humidity", [0.2, 0.5, 0.9])
def test_water_content_agrees_with_psychrolib(temperature_c, humidity):
    want = psychrolib.GetHumRatioFromRelHum(temperature_c, humidity, 95000.0)
    got = water_content(np.array(temperature_c), np.array(humidity), np.array(95.0))
    # two engines differ by about 1 % in water content
    assert got == pytest.approx(want, rel=0.01)
    back = relative_humidity(np.array(temperature_c), got, np.array(95.0))
    assert back == pytest.approx(humidity, rel=1e-9)
