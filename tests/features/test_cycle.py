"""The cycle's quantities through the whole way, against the library and psychrolib directly."""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest
from built_logs import LEVELS, context, log
from CoolProp.CoolProp import PropsSI

from features.cycle import reference_efficiency
from features.cycle_records import CYCLE_RECORDS
from features.derive import derive
from features.settings import DerivationSettings

SETTINGS = DerivationSettings()
NAMES = [record.name for record in CYCLE_RECORDS]
# a car in order: the suction line behind an exchanger, the discharge line as a compressor of
# some 70 % would make it
CAR = {
    "compressor_suction_c": 22.0,
    "compressor_discharge_c": 92.0,
    "evaporator_outlet_c": 6.0,
    "condenser_outlet_c": 52.0,
    "expansion_inlet_c": 44.0,
    "blower_pct": 80.0,
}


def row(told=None, **curves):
    samples = log(**{**CAR, **curves})
    told = context(altitude_m=0.0) if told is None else told
    features = derive(samples, told, SETTINGS).features.filter(regime="saturated")
    assert features.height == 1
    return features.row(0, named=True)


def vapour(of, kpa, celsius, fluid="R134a"):
    return PropsSI(of, "P", 1000.0 * kpa, "T", celsius + 273.15, fluid) / 1000.0


def liquid(celsius):
    return PropsSI("H", "T", celsius + 273.15, "Q", 0, "R134a") / 1000.0


def by_hand(levels):
    """The quantities of a car by scalar calls of the library and of psychrolib."""
    low, high = levels["low_side_kpa"], levels["high_side_kpa"]
    h1 = vapour("H", low, levels["compressor_suction_c"])
    s1 = vapour("S", low, levels["compressor_suction_c"]) * 1000.0
    h2 = vapour("H", high, levels["compressor_discharge_c"])
    h2s = PropsSI("H", "P", 1000.0 * high, "S", s1, "R134a") / 1000.0
    h7 = vapour("H", low, levels["evaporator_outlet_c"])
    h4, h5 = liquid(levels["condenser_outlet_c"]), liquid(levels["expansion_inlet_c"])
    condensing = PropsSI("T", "P", 1000.0 * high, "Q", 0, "R134a") - 273.15
    evaporating = PropsSI("T", "P", 1000.0 * low, "Q", 1, "R134a") - 273.15
    reference = h1 + (h2s - h1) / (0.9343 - 0.04478 * high / low)
    t2_reference = PropsSI("T", "P", 1000.0 * high, "H", 1000.0 * reference, "R134a") - 273.15
    intake, duct = levels["intake_air_c"], levels["duct_air_c"]
    w_in = psychrolib.GetHumRatioFromRelHum(intake, levels["intake_humidity_pct"] / 100, 101325)
    w_out = min(w_in, psychrolib.GetHumRatioFromRelHum(duct, 0.95, 101325))
    drop = psychrolib.GetMoistAirEnthalpy(intake, w_in) - psychrolib.GetMoistAirEnthalpy(
        duct, w_out
    )
    rise = levels["compressor_suction_c"] - levels["evaporator_outlet_c"]
    return {
        "heat_exchanger_effectiveness": rise
        / (levels["condenser_outlet_c"] - levels["evaporator_outlet_c"]),
        "heat_exchanger_balance": (h4 - h5) / (h1 - h7),
        "isentropic_efficiency": (h2s - h1) / (h2 - h1),
        "discharge_over_reference_k": levels["compressor_discharge_c"] - t2_reference,
        "refrigerating_effect_kj_per_kg": h7 - h5,
        "subcooling_share": (condensing - levels["condenser_outlet_c"])
        / (condensing - levels["ambient_air_c"]),
        "coil_effectiveness": (intake - duct) / (intake - evaporating),
        "air_enthalpy_drop_kj_per_kg": drop / 1000.0,
        "duct_drop_at_reference_humidity_k": 0.63 * drop / 1000.0 / 1.006,
        "capacity_index_kj_per_kg": 0.8 * drop / 1000.0,
    }


@pytest.fixture(scope="module", autouse=True)
def metric():
    psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize("name", NAMES)
def test_every_quantity_agrees_with_direct_calls_of_the_libraries(name):
    # CoolProp 8 and psychrolib; the noise of the built log averages to some 0.01 K
    expected = by_hand({**LEVELS, **CAR})[name]
    assert row()[name] == pytest.approx(expected, rel=0.01, abs=0.02)


def test_every_uncertainty_agrees_with_a_monte_carlo_of_the_sensors():
    # GUM supplement 1 (JCGM 101:2008): 1,500 draws of the sensors, worked out by hand each
    rng = np.random.default_rng(5)
    levels = {**LEVELS, **CAR}
    accuracy = {
        "low_side_kpa": SETTINGS.low_side_accuracy_kpa / 2,
        "high_side_kpa": SETTINGS.high_side_accuracy_kpa / 2,
        "duct_air_c": SETTINGS.air_temperature_accuracy_k / 2,
        "intake_air_c": SETTINGS.air_temperature_accuracy_k / 2,
        "ambient_air_c": np.hypot(
            SETTINGS.air_temperature_accuracy_k / 2, SETTINGS.condenser_air_stand_in_accuracy_k / 2
        ),
    }
    accuracy["intake_humidity_pct"] = SETTINGS.humidity_accuracy_pct / 2
    # insulation is not noted: a share of 0.04 of the way to the air under the hood, 18 K over
    # ambient air at the engine and two thirds of that at the fire wall
    for name, air_c in (
        ("compressor_suction_c", 48.0),
        ("compressor_discharge_c", 48.0),
        ("condenser_outlet_c", 48.0),
        ("expansion_inlet_c", 42.0),
        ("evaporator_outlet_c", 42.0),
    ):
        contact = 0.04 * (air_c - levels[name])
        accuracy[name] = np.hypot(SETTINGS.pipe_temperature_accuracy_k / 2, contact)
    # the drop between port and station, as an error of the pressure: slopes by the library
    for name, quality in (("low_side_kpa", 1), ("high_side_kpa", 0)):
        pascal = 1000.0 * levels[name]
        slope = PropsSI("d(T)/d(P)|sigma", "P", pascal, "Q", quality, "R134a") * 1000.0
        accuracy[name] = np.hypot(accuracy[name], SETTINGS.tap_drop_accuracy_k / 2 / slope)
    draws = []
    for _ in range(1500):
        moved = {n: v + rng.normal(0.0, accuracy.get(n, 0.0)) for n, v in levels.items()}
        draws.append(by_hand(moved))
    found = row()
    for record in CYCLE_RECORDS:
        spread = np.std([draw[record.name] for draw in draws])
        assert found[record.uncertainty_name] == pytest.approx(spread, rel=0.1), record.name


def test_a_healthy_exchanger_balances():
    # heat capacities of vapour over liquid 0.60 for R-134a (computed at 15 and 40 degC): a rise
    # of 16 K on the vapour side cools the liquid by about 9.6 K
    assert row(expansion_inlet_c=52.0 - 0.60 * 16.0)["heat_exchanger_balance"] == pytest.approx(
        1.0, abs=0.07
    )


def test_a_car_without_an_exchanger_has_none_of_its_figures():
    found = row(context(internal_heat_exchanger=False))
    assert found["heat_exchanger_effectiveness"] is None
    assert found["heat_exchanger_balance"] is None
    assert found["isentropic_efficiency"] is not None


def test_a_hot_discharge_line_stands_out_whatever_the_pressures():
    # common practice, no source: a worn compressor shows in its discharge temperature
    usual, hot = row(), row(compressor_discharge_c=104.0)
    rise = hot["discharge_over_reference_k"] - usual["discharge_over_reference_k"]
    assert rise == pytest.approx(12.0, abs=0.1)
    assert hot["isentropic_efficiency"] < usual["isentropic_efficiency"]


def test_drier_air_drops_further_and_the_corrected_drop_does_not():
    # computed table: at one cooling capacity the drop at 30 degC is 24.7 K at 40 %, 18.7 at 60 %
    drops = [
        row(intake_air_c=30.0, intake_humidity_pct=humidity, duct_air_c=30.0 - drop)
        for humidity, drop in ((40.0, 24.7), (60.0, 18.7))
    ]
    plain = [found["duct_drop_k"] for found in drops]
    corrected = [found["duct_drop_at_reference_humidity_k"] for found in drops]
    assert plain[0] - plain[1] == pytest.approx(6.0, abs=0.1)
    assert corrected[0] == pytest.approx(24.7, abs=1.0)
    assert abs(corrected[0] - corrected[1]) < 1.5


def test_the_noted_blower_serves_where_none_is_logged():
    noted = row(context(altitude_m=0.0, blower_pct=80.0), blower_pct=None)
    logged = row()
    assert noted["capacity_index_kj_per_kg"] == pytest.approx(
        logged["capacity_index_kj_per_kg"], rel=1e-4
    )


@pytest.mark.parametrize("absent", ["refrigerant", "intake_humidity_pct", "high_side_kpa"])
def test_what_is_missing_gives_null_and_takes_nothing_else_with_it(absent):
    if absent == "refrigerant":
        found = row(context(refrigerant=None))
        lost = {"heat_exchanger_balance", "isentropic_efficiency", "discharge_over_reference_k"}
        lost |= {"refrigerating_effect_kj_per_kg", "subcooling_share", "coil_effectiveness"}
    elif absent == "intake_humidity_pct":
        found = row(intake_humidity_pct=None)
        lost = {"air_enthalpy_drop_kj_per_kg", "duct_drop_at_reference_humidity_k"}
        lost |= {"capacity_index_kj_per_kg"}
    else:
        # whether it runs is told by its command
        samples = log(**{**CAR, "high_side_kpa": None})
        features = derive(samples, context(altitude_m=0.0), SETTINGS).features
        found = features.filter(pl_not_whole(features)).row(0, named=True)
        lost = {"isentropic_efficiency", "discharge_over_reference_k", "subcooling_share"}
    assert {name for name in NAMES if found[name] is None} == lost


def pl_not_whole(features):
    return features["regime"] != "whole_test"


def test_the_reference_is_given_between_its_ratios_only():
    found = reference_efficiency(np.array([1.4, 2.0, 10.1]))
    # 0.9343 - 0.04478 * 2 by hand
    assert np.isnan(found[[0, 2]]).all()
    assert found[1] == pytest.approx(0.84474)
