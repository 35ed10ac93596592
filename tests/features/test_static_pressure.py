"""Standing pressure over saturation: printed tables, Dalton's law, and when nothing is said."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from built_logs import context, log
from CoolProp.CoolProp import PropsSI

from features.derive import derive
from features.instruments import INSTRUMENTS
from features.settings import DerivationSettings

SETTINGS = DerivationSettings()
NAME, UNCERTAINTY = "static_over_saturation_kpa", "static_over_saturation_uncertainty_kpa"
# printed R-134a table (proptables 0.1.1): 20 degC 571.7 kPa, 40 degC 1016.6 kPa
PRINTED = [(20.0, 571.7), (40.0, 1016.6)]
SOAK_S = 90.0
CLAMPS = (
    "compressor_suction_c",
    "compressor_discharge_c",
    "condenser_outlet_c",
    "expansion_inlet_c",
    "evaporator_outlet_c",
)
RUNNING = {
    "low_side_kpa": 292.8,
    "high_side_kpa": 1681.8,
    "compressor_suction_c": 15.0,
    "compressor_discharge_c": 80.0,
    "condenser_outlet_c": 52.0,
    "expansion_inlet_c": 47.0,
    "evaporator_outlet_c": 6.0,
    "compressor_command_pct": 100.0,
}


def standing(celsius, kpa, *, soak_s=SOAK_S, told=None, instruments=None, **levels):
    """The whole-test row of a car that stands first and then runs."""
    time_s = np.arange(900.0)
    rest = {"low_side_kpa": kpa, "high_side_kpa": kpa, "compressor_command_pct": 0.0}
    rest |= dict.fromkeys(CLAMPS, celsius) | levels
    curves = {name: np.where(time_s < soak_s, level, RUNNING[name]) for name, level in rest.items()}
    samples = log(ambient_air_c=celsius, **curves)
    found = derive(samples, context() if told is None else told, SETTINGS, instruments)
    return found.features.filter(regime="whole_test").row(0, named=True)


@pytest.mark.parametrize(("celsius", "kpa"), PRINTED)
def test_a_clean_circuit_stands_at_the_printed_saturation(celsius, kpa):
    found = standing(celsius, kpa)
    assert found[NAME] == pytest.approx(0.0, abs=1.5)
    # R-134a: 1 K is worth 17.5 kPa at 20 degC, 26 kPa at 40 degC (neighbouring printed rows)
    per_kelvin = {20.0: 17.5, 40.0: 26.0}[celsius]
    # thermometers 0.75 K and lines up to 1 K apart (0.29 K); gauges of 5 and 15 kPa together 4.7
    assert found[UNCERTAINTY] == pytest.approx(
        np.hypot(np.hypot(0.75, 0.29) * per_kelvin, 4.7), rel=0.05
    )


def test_air_in_the_circuit_adds_its_own_pressure():
    # Dalton: 1.5 bar of air stand on top of the vapour pressure
    found = standing(20.0, 571.7 + 150.0)
    assert found[NAME] == pytest.approx(150.0, abs=1.5)
    assert found[NAME] > 4.0 * found[UNCERTAINTY]


def test_the_static_check_cannot_tell_r134a_from_r1234yf():
    # computed with CoolProp: they differ by only 0.17 bar at 25 degC
    kpa = PropsSI("P", "T", 298.15, "Q", 0, "R134a") / 1000.0
    found = standing(25.0, kpa, told=context(refrigerant="R1234yf"))
    assert found[NAME] == pytest.approx(-17.0, abs=2.0)
    assert abs(found[NAME]) < 2.0 * found[UNCERTAINTY]


@pytest.mark.parametrize("celsius", [10.0, 25.0, 35.0])
def test_a_blend_stands_between_bubble_and_dew(celsius):
    bubble, dew = (
        PropsSI("P", "T", celsius + 273.15, "Q", q, "R444A.mix") / 1000.0 for q in (0, 1)
    )
    for kpa in (bubble, (bubble + dew) / 2.0):
        found = standing(celsius, kpa, told=context(refrigerant="R444A"))
        assert abs(found[NAME]) < 2.0 * found[UNCERTAINTY]


def test_a_stated_accuracy_makes_it_sharper():
    rows = [("i", name, 0.4, 0.1) for name in CLAMPS] + [("i", "low_side_kpa", 3.0, 0.7)]
    stated = pl.DataFrame(rows, schema=INSTRUMENTS.schema, orient="row")
    sharp = standing(20.0, 571.7, told=context(instrument_id="i"), instruments=stated)
    assert sharp[UNCERTAINTY] < 0.6 * standing(20.0, 571.7)[UNCERTAINTY]


@pytest.mark.parametrize(
    "spoiled",
    [
        {"soak_s": 20.0},
        {"evaporator_outlet_c": 23.0},
        {"told": context(refrigerant=None)},
        {"high_side_kpa": 571.7 + 60.0},
    ],
    ids=["too short", "lines 3 K apart", "refrigerant not known", "gauges disagree"],
)
def test_nothing_is_said_where_the_car_did_not_come_to_rest(spoiled):
    found = standing(20.0, 571.7, **spoiled)
    assert found[NAME] is None
    assert found[UNCERTAINTY] is None


def test_a_warm_discharge_line_is_no_obstacle():
    assert standing(20.0, 571.7, compressor_discharge_c=24.0)[NAME] is not None


def test_a_log_that_begins_while_running_has_none():
    found = derive(log(), context(), SETTINGS).features.filter(regime="whole_test")
    assert found[NAME].to_list() == [None]
