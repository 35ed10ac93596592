"""The wet coil and moist air of the plant against printed values."""

import numpy as np
import psychrolib
import pytest

from synthetic.plant.evaporator import Air, cool_air
from synthetic.plant.moist_air import (
    enthalpy_kj_per_kg,
    humidity_ratio,
    relative_humidity_pct,
    saturated_humidity_ratio,
    vapour_saturation_kpa,
)

SEA_LEVEL = np.array([101.325])

# computed from psychrometric relations: drop [K] at 4 kW, 0.10 kg/s, bypass 0.2; rows intake degC,
# columns relative humidity 20, 40, 60, 80 %
HUMIDITIES = (20.0, 40.0, 60.0, 80.0)
B4 = {
    25.0: (33.6, 27.2, 21.7, 17.1),
    30.0: (32.1, 24.7, 18.7, 13.9),
    35.0: (30.7, 22.4, 16.1, 11.3),
}


def test_saturation_is_ashraes():
    # psychrolib's tests, ASHRAE Fundamentals 2017 ch. 1: Pa at 5, 25, 50 degC
    found = vapour_saturation_kpa(np.array([5.0, 25.0, 50.0])) * 1e3
    # humid air holds the enhancement factor, 0.4 to 0.5 % at sea level
    assert found == pytest.approx([872.6, 3169.7, 12351.3], rel=8e-3)


def test_humidity_ratio_at_saturation_is_ashraes():
    found = saturated_humidity_ratio(np.array([5.0, 25.0]), np.full(2, 101.325))
    assert found == pytest.approx([0.005425, 0.020173], rel=0.012)


def test_enthalpy_is_psychrolibs():
    psychrolib.SetUnitSystem(psychrolib.SI)
    # 81316 J/kg at 30 degC, 0.02: psychrolib's own test
    assert enthalpy_kj_per_kg(np.array([30.0]), np.array([0.02])) == pytest.approx(81.316, rel=1e-3)
    for celsius, ratio in ((0.0, 0.003), (25.0, 0.010), (40.0, 0.0065)):
        found = enthalpy_kj_per_kg(np.array([celsius]), np.array([ratio]))
        wanted = psychrolib.GetMoistAirEnthalpy(celsius, ratio) / 1e3
        assert found == pytest.approx(wanted, rel=2e-3)


def test_humidity_goes_there_and_back():
    ratio = humidity_ratio(np.array([28.0]), np.array([55.0]), SEA_LEVEL)
    assert relative_humidity_pct(np.array([28.0]), ratio, SEA_LEVEL) == pytest.approx(55.0)


def drop_at_fixed_capacity(intake_c: float, humidity_pct: float) -> float:
    """Drop [K] over the plant's coil where its surface makes it take 4 kW."""
    surface = np.linspace(-30.0, intake_c, 4000)
    n = surface.size
    ratio = humidity_ratio(np.array([intake_c]), np.array([humidity_pct]), SEA_LEVEL)
    air = Air(np.full(n, 0.10), np.full(n, intake_c), np.full(n, ratio[0]), np.full(n, 101.325))
    found = cool_air(air, surface, np.full(n, 0.2))
    return intake_c - float(np.interp(-4.0, -found.heat_kw, found.celsius))


@pytest.mark.parametrize("intake_c", B4)
def test_duct_drop_over_humidity_is_the_tables(intake_c):
    found = [drop_at_fixed_capacity(intake_c, humidity) for humidity in HUMIDITIES]
    assert found == pytest.approx(B4[intake_c], abs=1.5)


def test_a_dry_coil_takes_sensible_heat_only():
    air = Air(np.array([0.1]), np.array([30.0]), np.array([0.004]), SEA_LEVEL)
    found = cool_air(air, np.array([10.0]), np.array([0.1]))
    assert found.condensate_kg_per_s == pytest.approx(0.0)
    # 0.1 kg/s (1.006 + 0.004 * 1.86) kJ/kg/K * 18 K
    assert found.heat_kw == pytest.approx(0.1 * (1.006 + 0.004 * 1.86) * 18.0, rel=1e-6)
