"""The workshop-idle reference test against the ranges of the trade (common practice, no source).

All values as the logger reads them, in degF and psi gauge, from the third to the tenth minute.
Judgement, written down here: the median of a reading lies within the range that practice gives
(a single value is taken with 2 degF to either side, the liquid line with 3), and the middle
nine tenths of its swing (5 to 95 %) within the range widened by what a fan stage does in
passing: practice reads a gauge between the events, a log holds every second. A fan that steps up
lets the high side fall by 35 psi in 20 s, the liquid follows later, so that subcooling falls
briefly; the liquid line follows the condensing temperature, which swings by 20 degF, and the
exchanger hands 0.43 of that on to the suction line.
"""

from typing import NamedTuple

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from synthetic.plant.workshop import workshop_idle

# readings wander past a stated range by this much: sensor noise and clamp bias (chosen)
PSI, FAHRENHEIT = 1.0, 1.5


class Asked(NamedTuple):
    """Range of the median, and of the middle nine tenths of the swing."""

    median: tuple[float, float]
    swing: tuple[float, float]


# degF, psi gauge; superheat and subcooling in degF
ASKED = {
    "low side": Asked((24.0, 33.0), (24.0 - PSI, 33.0 + PSI)),
    "high side": Asked((107.0, 158.0), (107.0, 158.0)),
    "duct": Asked((36.0, 38.0), (34.0 - 0.5, 43.0 + 0.5)),
    "evaporator outlet": Asked((33.0, 37.0), (35.0 - 5.0, 35.0 + 5.0)),
    "after the exchanger": Asked((58.0, 63.0), (58.0 - 3.0, 63.0 + 3.0)),
    "liquid line": Asked((83.0, 89.0), (86.0 - 10.5, 86.0 + 10.5)),
    "discharge line": Asked((140.0, 150.0), (140.0 - 5.0, 150.0 + 5.0)),
    "superheat": Asked((5.0, 10.0), (5.0 - 0.5, 10.0 + 0.5)),
    "subcooling at the valve": Asked((32.0, 36.0), (32.0 - 3.0, 36.0 + 2.5)),
}


def psi_gauge(kpa):
    return (kpa - 101.325) / 6.894757


def fahrenheit(celsius):
    return 1.8 * celsius + 32.0


def saturation_c(kpa, quality):
    return PropsSI("T", "P", kpa * 1e3, "Q", quality, "R1234yf") - 273.15


PART = slice(180, 640)


@pytest.fixture(scope="module")
def both():
    return workshop_idle(np.random.default_rng(20))


@pytest.fixture(scope="module")
def readings(both):
    return {name: np.asarray(column)[PART, 0] for name, column in both[1].items()}


@pytest.fixture(scope="module")
def stations(both, readings):
    """What practice names, in its units, by name."""
    true = both[0]
    evaporating = saturation_c(true.evaporator_outlet_kpa[PART, 0], 1.0)
    bubble = saturation_c(readings["high_side_kpa"], 0.0)
    return {
        "low side": psi_gauge(readings["low_side_kpa"]),
        "high side": psi_gauge(readings["high_side_kpa"]),
        "duct": fahrenheit((readings["duct_left_c"] + readings["duct_right_c"]) / 2.0),
        "evaporator outlet": fahrenheit(readings["evaporator_outlet_c"]),
        "after the exchanger": fahrenheit(readings["compressor_suction_c"]),
        "liquid line": fahrenheit(readings["condenser_outlet_c"]),
        "discharge line": fahrenheit(readings["compressor_discharge_c"]),
        "superheat": 1.8 * (true.evaporator_outlet_c[PART, 0] - evaporating),
        "subcooling at the valve": 1.8 * (bubble - readings["expansion_inlet_c"]),
    }


@pytest.mark.parametrize("name", ASKED)
def test_the_median_lies_in_the_range_of_practice(stations, name):
    low, high = ASKED[name].median
    assert low <= np.median(stations[name]) <= high


@pytest.mark.parametrize("name", ASKED)
def test_the_middle_nine_tenths_swing_within_the_range(stations, name):
    low, high = np.percentile(stations[name], [5, 95])
    assert ASKED[name].swing[0] <= low
    assert high <= ASKED[name].swing[1]


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
    assert duct.min() > 34.0 - FAHRENHEIT
    assert duct.max() < 43.0 + FAHRENHEIT
    assert np.ptp(duct) > 3.0
    inside = (duct > 36.0) & (duct < 38.0)
    # it comes back several times, not once
    assert np.count_nonzero(np.diff(inside.astype(int)) == 1) >= 3


def test_the_intake_probe_reads_the_under_hood_air(readings):
    assert np.median(fahrenheit(readings["intake_air_c"])) == pytest.approx(100.5, abs=3.0)


def test_superheat_wanders_by_more_than_two_degf(stations):
    assert np.ptp(np.percentile(stations["superheat"], [5, 95])) > 2.0


def test_subcooling_falls_briefly_as_the_fan_steps_up(readings, stations):
    # condenser fan up: the high side falls, subcooling falls briefly, the liquid line lags
    # (common practice)
    ups = np.flatnonzero(np.diff(readings["condenser_fan_pct"]) > 0)
    subcooling = stations["subcooling at the valve"]
    for second in ups[(ups > 10) & (ups < len(subcooling) - 40)]:
        before = np.median(subcooling[second - 10 : second])
        assert subcooling[second : second + 30].min() < before - 2.0
