"""One duct, one condenser air per test: no value jumps because a sensor fell off."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from built_logs import clock, context, log

from features.derive import derive
from features.settings import DerivationSettings

SIDES = {"duct_air_c": None, "duct_left_c": 7.0, "duct_right_c": 10.0}


def row(samples, **told):
    found = derive(samples, context(**told), DerivationSettings()).features
    return found.filter(regime="saturated").row(0, named=True)


def until(seconds, value):
    return np.where(clock() < seconds, value, np.nan)


def test_the_mean_of_both_ducts():
    found = row(log(**SIDES))
    assert found["duct_air_c"] == pytest.approx(8.5, abs=0.05)
    assert found["duct_air_source"] == "both_sides"


@pytest.mark.parametrize("fails_at_s", [500.0, 600.0, 750.0])
def test_a_duct_sensor_that_falls_off_moves_nothing(fails_at_s):
    # a mean over whatever is left would pass from 8.5 to 10.0 within the test
    found = row(log(**{**SIDES, "duct_left_c": until(fails_at_s, 7.0)}))
    assert found["duct_air_c"] == pytest.approx(8.5, abs=0.05)
    assert found["duct_drop_k"] == pytest.approx(25.0 - 8.5, abs=0.08)


@pytest.mark.parametrize("left", [None, until(200.0, 7.0)], ids=["absent", "lost early"])
def test_one_side_alone_says_so_and_is_less_certain(left):
    found, both = row(log(**{**SIDES, "duct_left_c": left})), row(log(**SIDES))
    assert found["duct_air_source"] == "duct_right_c"
    assert found["duct_air_c"] == pytest.approx(10.0, abs=0.05)
    # the truth, 8.5, lies within two standard uncertainties
    assert found["duct_air_c"] - 2 * found["duct_air_uncertainty_c"] < 8.5
    assert found["duct_air_uncertainty_c"] > 1.5 * both["duct_air_uncertainty_c"]


def test_a_logged_mean_goes_before_the_sides_unless_it_hardly_exists():
    assert row(log(**{**SIDES, "duct_air_c": 8.0}))["duct_air_source"] == "duct_air_c"
    spoilt = row(log(**{**SIDES, "duct_air_c": until(5.0, 20.0)}))
    assert spoilt["duct_air_source"] == "both_sides"
    assert spoilt["duct_air_c"] == pytest.approx(8.5, abs=0.05)


def test_a_few_readings_at_the_condenser_do_not_stand_for_the_test():
    found = row(log(condenser_inlet_air_c=until(30.0, 45.0)))
    assert found["condenser_air_source"] == "ambient_air_c"
    assert found["condensing_over_air_k"] == pytest.approx(60.0 - 30.0, abs=0.08)


def test_without_any_duct_sensor_there_is_no_duct_air():
    found = row(log(duct_air_c=None))
    assert found["duct_air_c"] is None
    assert found["duct_air_source"] is None


def test_altitude_changes_the_enthalpy_of_the_same_air():
    # psychrolib's tests (ASHRAE 2017 ch. 1): 1000 m is 89.875 kPa; at 25 degC, 50 %,
    # p_w = 0.5 * 3.1697 kPa: W = 0.621945 p_w / (p - p_w), h = 1.006 t + W (2501 + 1.86 t)
    def enthalpy(pressure_kpa):
        ratio = 0.621945 * 1.58485 / (pressure_kpa - 1.58485)
        return 1.006 * 25 + ratio * (2501 + 1.86 * 25)

    name = "intake_enthalpy_kj_per_kg"
    assert row(log(), altitude_m=0.0)[name] == pytest.approx(enthalpy(101.325), abs=0.15)
    assert row(log(), altitude_m=1000.0)[name] == pytest.approx(enthalpy(89.875), abs=0.15)
    assert row(log().with_columns(barometric_kpa=pl.lit(95.0)), altitude_m=0.0)[
        name
    ] == pytest.approx(enthalpy(95.0), abs=0.15)
