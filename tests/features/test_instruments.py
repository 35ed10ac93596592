"""Accuracies that an instrument states, against hand arithmetic by the GUM."""

from __future__ import annotations

import polars as pl
import pytest
from built_logs import context, log

from features.derive import derive
from features.instruments import SENSORS, add_sensor_uncertainties, sensor_column
from features.settings import DerivationSettings

SETTINGS = DerivationSettings()
TESTS = pl.DataFrame({"test_id": ["a", "b", "c"], "instrument_id": ["good", "poor", None]})


def instruments(*rows):
    names = ("instrument_id", "channel", "accuracy", "resolution")
    schema = dict.fromkeys(names[:2], pl.String) | dict.fromkeys(names[2:], pl.Float64)
    return pl.DataFrame(rows, schema=schema, orient="row")


def low_side(stated):
    column = sensor_column("low_side_kpa")
    return add_sensor_uncertainties(TESTS, TESTS, stated)[column].to_list()


def test_half_the_accuracy_and_the_display_add_as_squares():
    # GUM 6.3.3: k = 2, so 4 kPa are 2 kPa; GUM F.2.2.1: a step of 6 kPa is 6 / sqrt(12) kPa
    stated = instruments(("good", "low_side_kpa", 4.0, None), ("poor", "low_side_kpa", 4.0, 6.0))
    assert low_side(stated) == [2.0, pytest.approx((2.0**2 + 36 / 12) ** 0.5), None]


@pytest.mark.parametrize("accuracy", [None, 0.0])
def test_no_accuracy_and_none_at_all_state_nothing(accuracy):
    assert low_side(instruments(("good", "low_side_kpa", accuracy, 0.1))) == [None] * 3


def test_without_instruments_every_sensor_is_unknown():
    rows = add_sensor_uncertainties(TESTS, TESTS, None)
    assert rows.height == 3
    assert rows.select(sensor_column(name) for name in SENSORS).null_count().row(0) == (3,) * len(
        SENSORS
    )


def uncertainties(stated, **told):
    found = derive(log(), context(instrument_id="good", **told), SETTINGS, stated)
    return found.features.filter(regime="saturated").row(0, named=True)


def test_the_instrument_of_the_test_widens_and_narrows_its_features():
    known = uncertainties(instruments(("good", "low_side_kpa", 2.0, 0.0)))
    poor = uncertainties(instruments(("good", "low_side_kpa", 40.0, 0.0)))
    unknown = uncertainties(None)
    # what the sensor states is the least that can be claimed; the scatter of the log is 0.1 kPa
    assert known["low_side_uncertainty_kpa"] == pytest.approx(1.0, abs=0.1)
    assert poor["low_side_uncertainty_kpa"] == pytest.approx(20.0, abs=0.1)
    assert unknown["low_side_uncertainty_kpa"] == pytest.approx(
        SETTINGS.low_side_accuracy_kpa / 2, abs=0.1
    )
    # R-134a at 0 degC: 0.0886 K per kPa (0.89 K per 0.1 bar at 2 degC, CoolProp)
    name = "evaporator_outlet_superheat_uncertainty_k"
    added = (poor[name] ** 2 - known[name] ** 2) ** 0.5
    assert added == pytest.approx((20.0**2 - 1.0**2) ** 0.5 * 0.092, rel=0.05)
    # and what does not rest on the low side is as it was
    assert known["high_side_uncertainty_kpa"] == unknown["high_side_uncertainty_kpa"]
    for value in ("low_side_kpa", "evaporator_outlet_superheat_k"):
        assert known[value] == poor[value]


def test_another_instruments_accuracy_is_not_this_tests():
    assert uncertainties(instruments(("other", "low_side_kpa", 99.0, 0.0))) == uncertainties(None)
