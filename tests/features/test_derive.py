"""The whole way from samples to features, against printed tables and the trade's practice."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest
from built_logs import clock, context, lagged, log
from hypothesis import given, settings
from hypothesis import strategies as st

from features.catalogue import FEATURE_RECORDS, FEATURES
from features.derive import derive
from features.events import EVENTS
from features.screening import TRUST, Rule
from features.settings import DerivationSettings
from features.units import from_canonical, parse_unit, to_canonical
from features.windows import WINDOWS

SETTINGS = DerivationSettings()
WINDOW_FEATURES = [record for record in FEATURE_RECORDS if record.scope == "window"]
ATMOSPHERE_KPA = 101.325
KPA_PER_PSI = 6.894757


def derived(samples, told=None):
    return derive(
        samples, context(*samples["test_id"].unique()) if told is None else told, SETTINGS
    )


def row(samples, told=None, regime="saturated"):
    found = derived(samples, told).features.filter(regime=regime)
    assert found.height == 1
    return found.row(0, named=True)


def psig(value):
    return value * KPA_PER_PSI + ATMOSPHERE_KPA


def celsius(fahrenheit):
    return (fahrenheit - 32.0) / 1.8


def test_superheat_and_subcooling_at_printed_saturation_rows():
    # R-134a, printed table of proptables 0.1.1 (ASHRAE): 0 degC 292.8 kPa, 60 degC 1681.8 kPa;
    # printed to 0.05 kPa and 0.1 K; the noise of the built log averages to some 0.01 K
    found = row(log())
    assert found["evaporating_dew_c"] == pytest.approx(0.0, abs=0.05)
    assert found["condensing_bubble_c"] == pytest.approx(60.0, abs=0.05)
    assert found["evaporator_outlet_superheat_k"] == pytest.approx(6.0 - 0.0, abs=0.06)
    assert found["compressor_suction_superheat_k"] == pytest.approx(15.0 - 0.0, abs=0.06)
    assert found["condenser_outlet_subcooling_k"] == pytest.approx(60.0 - 52.0, abs=0.06)
    assert found["expansion_inlet_subcooling_k"] == pytest.approx(60.0 - 47.0, abs=0.06)
    assert found["compressor_discharge_superheat_k"] == pytest.approx(80.0 - 60.0, abs=0.06)
    assert found["pressure_ratio"] == pytest.approx(1681.8 / 292.8, abs=0.01)
    assert found["duct_drop_k"] == pytest.approx(25.0 - 8.0, abs=0.05)
    assert found["evaporator_approach_k"] == pytest.approx(8.0 - 0.0, abs=0.06)
    assert found["condensing_over_air_k"] == pytest.approx(60.0 - 30.0, abs=0.06)


def test_every_other_printed_row_of_the_car_range():
    # same table: 20 degC 571.7 kPa, 40 degC 1016.6 kPa
    found = row(log(low_side_kpa=571.7, high_side_kpa=1016.6, condenser_outlet_c=33.0))
    assert found["evaporating_dew_c"] == pytest.approx(20.0, abs=0.05)
    assert found["condenser_outlet_subcooling_k"] == pytest.approx(40.0 - 33.0, abs=0.06)


def test_enthalpy_of_the_intake_air_at_a_published_state():
    # ASHRAE handbook example: 40 degC dry, 20 degC wet bulb, 101.325 kPa: RH 14 %, h 56.7 kJ/kg;
    # the humidity is printed to half a per cent, which is 0.6 kJ/kg here
    found = row(log(intake_air_c=40.0, intake_humidity_pct=14.0, ambient_air_c=40.0))
    assert found["intake_enthalpy_kj_per_kg"] == pytest.approx(56.7, abs=0.6)


def test_gauge_readings_of_the_trade_on_r1234yf():
    # common practice, no source: evaporator side 24 psig is about 23 degF, 30 psig about 31 degF;
    # 142 psig about 108 degF, 150 psig about 112 degF
    told = context(refrigerant="R1234yf")
    cold = row(log(low_side_kpa=psig(24), high_side_kpa=psig(142), condenser_outlet_c=30.0), told)
    warm = row(log(low_side_kpa=psig(30), high_side_kpa=psig(150), condenser_outlet_c=30.0), told)
    assert cold["evaporating_dew_c"] == pytest.approx(celsius(23), abs=0.6)
    assert warm["evaporating_dew_c"] == pytest.approx(celsius(31), abs=0.6)
    assert cold["condensing_bubble_c"] == pytest.approx(celsius(108), abs=0.6)
    assert warm["condensing_bubble_c"] == pytest.approx(celsius(112), abs=0.6)


def test_superheat_behind_an_exchanger_is_not_that_of_the_valve():
    # common practice, no source: R-1234yf at 30 psig, suction 34-36 degF at the evaporator
    # outlet and 58-63 degF after the exchanger: the valve holds 3-5 degF of superheat, the
    # exchanger adds the rest; liquid at 86 degF under 142 psig is about 22 degF subcooled
    # before the exchanger, and 32-36 degF at the valve
    samples = log(
        low_side_kpa=psig(30),
        high_side_kpa=psig(142),
        evaporator_outlet_c=celsius(35),
        compressor_suction_c=celsius(60.5),
        condenser_outlet_c=celsius(86),
        expansion_inlet_c=celsius(108 - 34),
    )
    told = context(refrigerant="R1234yf", internal_heat_exchanger=True)
    found = row(samples, told)
    # heat that the liquid line picks up on its way is no reason to doubt the clamps
    codes = derive(samples, told, SETTINGS).trust["rule_code"].to_list()
    assert Rule.EXCHANGER_BALANCE_IMPOSSIBLE.code not in codes
    assert 1.8 * found["evaporator_outlet_superheat_k"] == pytest.approx(4, abs=1.2)
    assert 1.8 * found["compressor_suction_superheat_k"] == pytest.approx(60.5 - 31, abs=1.2)
    assert 1.8 * found["condenser_outlet_subcooling_k"] == pytest.approx(22, abs=1.2)
    assert 32 <= 1.8 * found["expansion_inlet_subcooling_k"] <= 36


def test_uncertainty_agrees_with_a_monte_carlo_of_the_sensors():
    # 600 identical cars, each with its own sensors off by a normal error of half the accuracy
    # at 95 %; the spread of the features is what the GUM sum must say, within 10 %
    rng = np.random.default_rng(7)
    n = 600
    off = {
        "low_side_kpa": rng.normal(0, SETTINGS.low_side_accuracy_kpa / 2, n),
        "high_side_kpa": rng.normal(0, SETTINGS.high_side_accuracy_kpa / 2, n),
        "evaporator_outlet_c": rng.normal(0, SETTINGS.pipe_temperature_accuracy_k / 2, n),
        "condenser_outlet_c": rng.normal(0, SETTINGS.pipe_temperature_accuracy_k / 2, n),
        "duct_air_c": rng.normal(0, SETTINGS.air_temperature_accuracy_k / 2, n),
        "intake_air_c": rng.normal(0, SETTINGS.air_temperature_accuracy_k / 2, n),
        "ambient_air_c": rng.normal(0, SETTINGS.air_temperature_accuracy_k / 2, n),
    }
    one = log(seconds=420.0)
    errors = pl.DataFrame({"car": [f"{k:03d}" for k in range(n)], **off})
    fleet = errors.join(one, how="cross", suffix="_true").select(
        pl.col("car").alias("test_id"),
        "time_s",
        "engine_rpm",
        "compressor_command_pct",
        *(pl.col(name) + pl.col(f"{name}_true") for name in off),
    )
    settings = DerivationSettings(
        tap_drop_accuracy_k=0.0,
        far_low_port_drop_accuracy_k=0.0,
        far_high_port_drop_accuracy_k=0.0,
        clamp_share=0.0,
        condenser_air_stand_in_accuracy_k=0.0,
    )
    rows = derive(fleet, context(*errors["car"]), settings).features.filter(regime="saturated")
    assert rows.height == n
    for name in (
        "pressure_ratio", "evaporating_dew_c", "condensing_bubble_c",
        "evaporator_outlet_superheat_k", "condenser_outlet_subcooling_k",
        "duct_drop_k", "evaporator_approach_k", "condensing_over_air_k",
    ):  # fmt: skip
        record = next(record for record in FEATURE_RECORDS if record.name == name)
        assert rows[record.uncertainty_name].mean() == pytest.approx(rows[name].std(), rel=0.10)


def test_row_order_and_company_change_nothing():
    samples = pl.concat([log("b", seed=2), log("a", seed=3), log("c", seed=4, duct_air_c=11.0)])
    told = context("a", "b", "c")
    expected = derive(samples, told, SETTINGS)
    shuffled = derive(samples.sample(fraction=1.0, shuffle=True, seed=5), told.reverse(), SETTINGS)
    for name in ("trust", "events", "windows", "features", "unread"):
        assert getattr(expected, name).equals(getattr(shuffled, name))
    alone = derive(samples.filter(test_id="b"), told, SETTINGS)
    assert alone.features.equals(expected.features.filter(test_id="b"))
    assert alone.windows.equals(expected.windows.filter(test_id="b"))


def test_units_at_the_door_change_nothing():
    samples = log()
    air = pl.lit(ATMOSPHERE_KPA)

    def there_and_back(name, unit):
        logged = from_canonical(pl.col(name), unit, air)
        return to_canonical(logged, unit, air).alias(name)

    psi, fahrenheit = parse_unit("psig", "pressure"), parse_unit("degF", "temperature")
    converted = samples.with_columns(
        there_and_back("low_side_kpa", psi),
        there_and_back("high_side_kpa", psi),
        there_and_back("evaporator_outlet_c", fahrenheit),
        there_and_back("duct_air_c", fahrenheit),
    )
    assert not converted.equals(samples)
    expected, found = row(samples), row(converted)
    for record in WINDOW_FEATURES:
        assert found[record.name] == pytest.approx(expected[record.name], abs=2e-6)


def test_channels_of_pure_noise_change_nothing():
    samples = log()
    rng = np.random.default_rng(3)
    noisy = samples.with_columns(
        coolant_c=pl.Series(rng.normal(90, 2, samples.height)),
        supply_v=pl.Series(rng.normal(13.8, 0.1, samples.height)),
        cabin_air_c=pl.Series(rng.normal(28, 1, samples.height)),
        compressor_rpm=pl.Series(rng.normal(1500, 30, samples.height)),
    )
    expected, found = derived(samples), derived(noisy)
    assert found.features.equals(expected.features)
    assert found.windows.equals(expected.windows)
    assert found.events.equals(expected.events)


@pytest.mark.parametrize("interval_s", [0.1, 0.5, 2.0])
def test_the_sampling_rate_moves_features_less_than_their_uncertainty(interval_s):
    def drifting(step_s):
        time_s = clock(900.0, step_s)
        fan_s = 420.0
        return log(
            interval_s=step_s,
            high_side_kpa=1681.8 + lagged(time_s, fan_s, -200.0, tau_s=12.0),
            condenser_fan_pct=np.where(time_s < fan_s, 50.0, 100.0),
            duct_air_c=8.0 + 15.0 * np.exp(-time_s / 90.0),
        )

    expected, found = row(drifting(1.0)), row(drifting(interval_s))
    for record in WINDOW_FEATURES:
        if expected[record.name] is not None:
            moved = abs(found[record.name] - expected[record.name])
            assert moved < expected[record.uncertainty_name]


def test_a_slow_logger_is_read_in_longer_blocks():
    # one sample in 10 s: blocks of 20 s, so a window of four blocks is 80 s long
    found = derived(log(interval_s=10.0))
    lengths_s = found.windows["end_s"] - found.windows["start_s"]
    assert found.windows.height >= 5
    assert set(lengths_s) == {80.0}
    assert found.features.filter(regime="saturated").height == 1


def test_logs_of_different_rates_stand_side_by_side():
    fast, slow = log("fast", interval_s=1.0), log("slow", interval_s=10.0)
    together = derived(pl.concat([slow, fast]))
    assert together.features.filter(test_id="fast").equals(derived(fast).features)
    assert together.features.filter(test_id="slow").equals(derived(slow).features)


def test_left_and_right_duct_stand_in_for_the_mean():
    # (7.0 + 9.0) / 2 = 8.0
    found = row(log(duct_air_c=None, duct_left_c=7.0, duct_right_c=9.0))
    assert found["duct_air_c"] == pytest.approx(8.0, abs=0.03)
    only_left = row(log(duct_air_c=None, duct_left_c=7.0))
    assert only_left["duct_air_c"] == pytest.approx(7.0, abs=0.03)


@pytest.mark.parametrize(
    ("curves", "noted_c", "source", "air_c"),
    [
        ({"condenser_inlet_air_c": 41.0}, 20.0, "condenser_inlet_air_c", 41.0),
        ({}, 20.0, "ambient_air_c", 30.0),
        ({"ambient_air_c": None}, 20.0, "noted", 20.0),
        ({"ambient_air_c": None}, None, None, None),
    ],
)
def test_condenser_air_says_where_it_comes_from(curves, noted_c, source, air_c):
    told = context().with_columns(ambient_c=pl.lit(noted_c, pl.Float64))
    found = row(log(**curves), told)
    assert found["condenser_air_source"] == source
    if air_c is None:
        assert found["condensing_over_air_k"] is None
    else:
        assert found["condensing_over_air_k"] == pytest.approx(60.0 - air_c, abs=0.08)


def test_noted_air_is_less_certain_than_logged_air():
    told = context(ambient_c=30.0)
    logged, noted = row(log(), told), row(log(ambient_air_c=None), told)
    name = "condensing_over_air_uncertainty_k"
    assert noted[name] > logged[name] + 0.5


def test_a_channel_not_logged_gives_null_and_takes_nothing_else_with_it():
    found = row(log(evaporator_outlet_c=None, intake_air_c=None))
    assert found["evaporator_outlet_superheat_k"] is None
    assert found["evaporator_outlet_superheat_uncertainty_k"] is None
    assert found["duct_drop_k"] is None
    assert found["intake_enthalpy_kj_per_kg"] is None
    assert found["condenser_outlet_subcooling_k"] is not None


def test_a_distrusted_channel_gives_null():
    found = derived(log(evaporator_outlet_c=400.0))
    assert found.trust.filter(channel="evaporator_outlet_c").height > 0
    values = found.features.filter(regime="saturated").row(0, named=True)
    assert values["evaporator_outlet_superheat_k"] is None
    assert values["compressor_suction_superheat_k"] is not None


@pytest.mark.parametrize("refrigerant", [None, "R744", "something"])
def test_without_a_usable_refrigerant_there_is_no_saturation(refrigerant):
    told = context().with_columns(refrigerant=pl.lit(refrigerant, pl.String))
    found = row(log(), told)
    assert found["evaporator_outlet_superheat_k"] is None
    assert found["evaporating_dew_c"] is None
    assert found["pressure_ratio"] == pytest.approx(1681.8 / 292.8, abs=0.01)


def test_a_test_without_context_is_still_read():
    found = derive(log("stranger"), context("other"), SETTINGS).features
    assert found.filter(regime="saturated")["duct_drop_k"].item() == pytest.approx(17.0, abs=0.1)


def test_too_few_samples_give_null():
    # humidity apart, a steady window of 60 s at 1 Hz holds 60 samples; leaving the discharge
    # clamp only one reading in 60 leaves its features far fewer than they need
    every_60th = pl.when(pl.col("time_s") % 60 == 0).then(pl.col("compressor_discharge_c"))
    samples = log(seconds=500.0).with_columns(compressor_discharge_c=every_60th)
    found = row(samples)
    assert found["compressor_discharge_c"] is None
    assert found["duct_air_c"] is not None


def test_gaps_and_nulls_are_survived():
    holes = (pl.col("time_s") % 7 == 0) | pl.col("time_s").is_between(500, 560)
    kept = log().with_columns(
        duct_air_c=pl.when(~holes).then(pl.col("duct_air_c")),
        low_side_kpa=pl.when(pl.col("time_s") % 3 != 0).then(pl.col("low_side_kpa")),
    )
    gapped = kept.filter(~pl.col("time_s").is_between(600, 700))
    found = derived(gapped)
    assert row(gapped)["duct_drop_k"] == pytest.approx(17.0, abs=0.05)
    crossing = (pl.col("start_s") < 700) & (pl.col("end_s") > 605)
    assert found.windows.filter(crossing).is_empty()


@pytest.mark.parametrize(
    "samples",
    [
        log().clear(),
        log().head(1),
        log().head(2),
        log().select("test_id", "time_s"),
        log().with_columns(pl.all().exclude("test_id", "time_s") * None),
        log().with_columns(time_s=pl.lit(None, pl.Float64)),
        log().with_columns(low_side_kpa=pl.lit(math.nan), duct_air_c=pl.lit(math.inf)),
        log().with_columns(time_s=pl.lit(3.0)),
    ],
    ids=[
        "no rows",
        "one",
        "two",
        "no channels",
        "all null",
        "no time",
        "nan and inf",
        "one instant",
    ],
)
def test_poor_logs_give_well_formed_tables(samples):
    found = derived(samples)
    assert found.trust.schema == TRUST.schema
    assert found.events.schema == EVENTS.schema
    assert found.windows.schema == WINDOWS.schema
    assert found.features.schema == FEATURES.schema
    assert_finite(found.features)


def assert_finite(frame):
    floats = frame.select(pl.selectors.float())
    assert floats.select(pl.all().is_finite().fill_null(value=True).all()).row(0).count(False) == 0


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    interval_s=st.sampled_from([0.3, 1.0, 2.0, 7.0]),
    lost=st.floats(0.0, 0.95),
    scale=st.sampled_from([0.0, 1.0, 1e3]),
)
def test_no_log_makes_anything_but_finite_numbers_and_nulls(seed, interval_s, lost, scale):
    samples = log(seconds=420.0, interval_s=interval_s)
    rng = np.random.default_rng(seed)
    channels = samples.columns[2:]
    spoilt = samples.with_columns(
        pl.Series(
            name,
            np.where(
                rng.random(samples.height) < lost,
                np.nan,
                samples[name].to_numpy() * rng.choice([0.0, -1.0, 1.0, scale]),
            ),
        )
        for name in channels
    )
    found = derived(spoilt)
    for frame in (found.trust, found.events, found.windows, found.features):
        assert_finite(frame)


def test_what_was_derived_is_rounded_for_storage():
    values = derived(log()).features.select(pl.selectors.float())
    assert values.equals(values.select(pl.all().round(6)))


def test_the_row_of_the_whole_test_carries_the_rates():
    time_s = clock()
    fan = np.where((time_s // 100) % 2 == 0, 50.0, 100.0)  # 8 changes, at 100, 200 ... 800 s
    found = row(log(condenser_fan_pct=fan), regime="whole_test")
    # of 900 s of running the first and the last 10 s are not watched: 880 s
    minutes = 880 / 60
    assert found["fan_events_per_min"] == pytest.approx(8 / minutes, abs=1e-6)
    # standard uncertainty of a Poisson count: its square root
    assert found["fan_events_uncertainty_per_min"] == pytest.approx(
        math.sqrt(8) / minutes, abs=1e-6
    )
    assert found["compressor_events_per_min"] == 0.0


def test_a_rate_is_null_where_nobody_could_look():
    blind = log(condenser_fan_pct=None, compressor_command_pct=None, low_side_kpa=None)
    found = row(blind, context(compressor="fixed_clutch"), regime="whole_test")
    assert found["fan_events_per_min"] is None
    assert found["compressor_events_per_min"] is None
