"""The door of drift: outlooks and sentences of cars whose course is made by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from visit_simulator import FEATURE, Regime, simulate

from models.drift import DriftInputs, find_drifts
from models.drift_tables import DRIFTS, LEAKS
from models.settings import AssessmentSettings

SETTINGS = AssessmentSettings()
SLOW = Regime(1.0, 8, 3.0, (15, 40), sound_share=1.0)


def with_course(course, feature=FEATURE, regime=SLOW, n_cars=40):
    """Sound cars, the first of which follows a course (deviation over years) instead."""
    simulated = simulate(regime, n_cars, np.random.default_rng(8))
    inputs = simulated.inputs
    first = inputs.tests["started_at"].min()
    years = (pl.col("started_at") - first).dt.total_seconds() / 86400 / 365.25
    dated = inputs.residuals.join(
        inputs.tests.select("test_id", "started_at"), on="test_id", how="left"
    )
    is_first = pl.col("vehicle_id") == "car0000"
    moved = years.map_batches(course, return_dtype=pl.Float64)
    small = 0.2 * (pl.col("observed") - pl.col("expected"))
    residuals = dated.with_columns(
        pl.lit(feature).alias("feature"),
        pl.when(is_first)
        .then(pl.col("expected") + moved + small)
        .otherwise("observed")
        .alias("observed"),
    ).drop("started_at")
    return replace(simulated, inputs=replace(inputs, residuals=residuals))


def first_car(simulated, as_of=None):
    found = find_drifts(simulated.inputs, SETTINGS, as_of or simulated.as_of)
    return found, found.drifts.filter(pl.col("vehicle_id") == "car0000").row(0, named=True)


def test_a_falling_subcooling_gets_a_slope_and_a_date():
    # flat for a year, then 2 K a year; the band of 5.4 K ends 2.7 years later
    simulated = with_course(lambda t: -2.0 * (t - 1.0).clip(0.0))
    found, row = first_car(simulated)
    assert row["outlook_code"] == "dated"
    assert row["model_code"] == "hinge"
    truth = simulated.inputs.tests["started_at"].min() + timedelta(days=3.7 * 365.25)
    assert row["leaves_band_from"] < truth
    assert row["leaves_band_until"] is None or row["leaves_band_until"] > truth
    assert row["slope_per_year"] < 0
    assert "subcooling at the condenser outlet falls" in row["sentence"]
    assert "likely out of band by" in row["sentence"]
    others = found.drifts.filter(pl.col("vehicle_id") != "car0000")
    assert not (others["outlook_code"] == "dated").any()
    assert others["leaves_band_at"].null_count() == others.height


def test_a_fall_without_weighed_services_tells_no_grams():
    found, _ = first_car(with_course(lambda t: -2.0 * (t - 1.0).clip(0.0)))
    leak = found.leaks.row(0, named=True)
    assert found.leaks.height == 1
    assert leak["source_code"] == "subcooling"
    assert leak["rate_g_per_year"] is None
    assert "not known" in leak["sentence"]


def test_a_rising_duct_is_a_line():
    # 1.8 K a year, 5.4 K after three years
    _, row = first_car(with_course(lambda t: 1.8 * t, feature="duct_air_c"))
    assert row["model_code"] == "line"
    assert row["outlook_code"] == "dated"
    assert row["slope_per_year"] == pytest.approx(1.8, abs=0.4)
    assert row["limit"] > 0
    assert "duct air rises 1." in row["sentence"]


def test_a_cooling_duct_leaves_no_band():
    _, row = first_car(with_course(lambda t: -1.8 * t, feature="duct_air_c"))
    assert row["outlook_code"] == "no_trend"
    assert row["leaves_band_at"] is None
    assert row["leaves_band_until"] is None


def test_too_few_visits_say_what_is_lacking():
    simulated = simulate(Regime(1.0, 3, 2.0, (15, 40)), 30, np.random.default_rng(2))
    found = find_drifts(simulated.inputs, SETTINGS, simulated.as_of)
    row = found.drifts.row(0, named=True)
    assert row["outlook_code"] == "too_few_visits"
    assert row["lacking"].startswith("1 more visit")
    assert "too few visits to say" in row["sentence"]
    assert row["slope_per_year"] is None


def test_what_was_left_long_ago_is_told_as_past():
    _, row = first_car(with_course(lambda t: -6.0 * (t - 0.5).clip(0.0)))
    assert "likely out of band since" in row["sentence"]


def test_an_empty_fleet_has_empty_tables():
    simulated = simulate(SLOW, 3, np.random.default_rng(2))
    empty = DriftInputs(*(frame.clear() for frame in vars(simulated.inputs).values()))
    found = find_drifts(empty, SETTINGS, simulated.as_of)
    assert found.drifts.equals(DRIFTS.empty())
    assert found.leaks.equals(LEAKS.empty())


def test_order_of_rows_changes_nothing():
    simulated = simulate(Regime(1.0, 8, 3.0, (15, 300), one_model=True), 40,
                         np.random.default_rng(5))  # fmt: skip
    straight = find_drifts(simulated.inputs, SETTINGS, simulated.as_of)
    mixed = DriftInputs(
        *(f.sample(fraction=1.0, shuffle=True, seed=3) for f in vars(simulated.inputs).values())
    )
    shuffled = find_drifts(mixed, SETTINGS, simulated.as_of)
    assert shuffled.drifts.equals(straight.drifts)
    assert shuffled.leaks.equals(straight.leaks)


def test_a_car_alone_on_the_last_day_knows_nothing_of_the_future():
    regime = Regime(1.0, 8, 3.0, (60, 300))
    simulated = simulate(regime, 40, np.random.default_rng(9))
    until = simulated.inputs.tests["started_at"].sort()[200]
    kept = simulated.inputs.tests.filter(pl.col("started_at") <= until)
    past = replace(
        simulated.inputs,
        tests=kept,
        residuals=simulated.inputs.residuals.join(kept, on="test_id", how="semi"),
    )
    found = find_drifts(past, SETTINGS, until)
    assert found.drifts["latest_at"].max() <= until


def test_numbers_are_finite_or_null():
    simulated = simulate(Regime(1.5, 4, 1.0, (15, 300)), 40, np.random.default_rng(1))
    found = find_drifts(simulated.inputs, SETTINGS, simulated.as_of)
    for frame in (found.drifts, found.leaks):
        floats = frame.select(pl.selectors.float())
        assert all(floats[name].drop_nulls().is_finite().all() for name in floats.columns)
