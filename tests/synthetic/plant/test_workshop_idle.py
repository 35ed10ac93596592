"""The workshop-idle reference test against the ranges of the trade (common practice, no source).

All values as the logger reads them, in degF and psi gauge, from the third to the tenth minute.
"""

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from synthetic.plant.workshop import workshop_idle

# readings wander past a stated range by this much: sensor noise and clamp bias (chosen)
PSI, KELVIN_AS_F = 1.0, 1.5


def psi_gauge(kpa):
    return (kpa - 101.325) / 6.894757


def fahrenheit(celsius):
    return 1.8 * celsius + 32.0


def saturation_c(kpa, quality):
    return PropsSI("T", "P", kpa * 1e3, "Q", quality, "R1234yf") - 273.15


@pytest.fixture(scope="module")
def readings():
    _, read = workshop_idle(np.random.default_rng(20))
    return {name: np.asarray(column)[150:640, 0] for name, column in read.items()}


def test_low_side_swings_between_24_and_33_psi(readings):
    low = psi_gauge(readings["low_side_kpa"])
    assert low.min() > 24.0 - PSI
    assert low.max() < 33.0 + PSI
    assert np.ptp(low) > 0.5 * (33.0 - 24.0)


def test_high_side_swings_between_107_and_158_psi(readings):
    high = psi_gauge(readings["high_side_kpa"])
    assert high.min() > 107.0 - 2 * PSI
    assert high.max() < 158.0 + 2 * PSI
    assert np.ptp(high) > 0.8 * (158.0 - 107.0)


def test_the_high_side_swings_with_the_fan_stages(readings):
    stage = readings["condenser_fan_pct"]
    high = psi_gauge(readings["high_side_kpa"])
    assert set(np.unique(stage)) == {50.0, 100.0}
    steps_up = np.flatnonzero(np.diff(stage) > 0)
    assert steps_up.size >= 2
    for second in steps_up[steps_up < len(high) - 30]:
        assert high[second] - high[second : second + 30].min() > 20.0


def test_displacement_moves(readings):
    assert np.ptp(readings["compressor_command_pct"]) > 15.0


def test_duct_stays_within_34_to_43_degf_and_comes_back_to_36_to_38(readings):
    duct = fahrenheit((readings["duct_left_c"] + readings["duct_right_c"]) / 2.0)
    assert duct.min() > 34.0 - KELVIN_AS_F
    assert duct.max() < 43.0 + KELVIN_AS_F
    assert np.ptp(duct) > 3.0
    inside = (duct > 36.0) & (duct < 38.0)
    # it comes back several times, not once
    assert np.count_nonzero(np.diff(inside.astype(int)) == 1) >= 3


def test_suction_is_about_35_degf_at_the_evaporator_outlet(readings):
    assert np.median(fahrenheit(readings["evaporator_outlet_c"])) == pytest.approx(35.0, abs=4.0)


def test_suction_is_58_to_63_degf_after_the_exchanger(readings):
    after = fahrenheit(readings["compressor_suction_c"])
    assert 58.0 - KELVIN_AS_F < np.median(after) < 63.0 + KELVIN_AS_F


def test_liquid_line_is_86_degf_before_the_exchanger(readings):
    liquid = fahrenheit(readings["condenser_outlet_c"])
    assert np.median(liquid) == pytest.approx(86.0, abs=4.0)
    assert liquid.min() < 86.0 < liquid.max()


def test_discharge_line_is_140_to_150_degf(readings):
    discharge = fahrenheit(readings["compressor_discharge_c"])
    assert 140.0 - KELVIN_AS_F < np.median(discharge) < 150.0 + KELVIN_AS_F


def test_superheat_wanders_between_5_and_10_degf():
    stations, _ = workshop_idle(np.random.default_rng(20))
    part = slice(150, 640)
    evaporating = saturation_c(stations.evaporator_outlet_kpa[part, 0], 1.0)
    superheat = 1.8 * (stations.evaporator_outlet_c[part, 0] - evaporating)
    low, high = np.percentile(superheat, [5, 95])
    assert low > 5.0 - KELVIN_AS_F
    assert high < 10.0 + KELVIN_AS_F
    assert high - low > 2.0


def test_subcooling_at_the_valve_is_32_to_36_degf(readings):
    bubble = saturation_c(readings["high_side_kpa"], 0.0)
    subcooling = 1.8 * (bubble - readings["expansion_inlet_c"])
    assert 32.0 - KELVIN_AS_F < np.median(subcooling) < 36.0 + KELVIN_AS_F


def test_the_intake_probe_reads_the_under_hood_air(readings):
    assert np.median(fahrenheit(readings["intake_air_c"])) == pytest.approx(100.5, abs=3.0)
