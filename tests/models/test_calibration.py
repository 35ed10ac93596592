"""Who calibrates whom: own model, architecture, control state, or nobody; halves kept apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from invented_fleet import Plan, judge, make_inputs
from scipy.stats import norm

from models.calibration import CODES, Kinship, learn_units, stated_p_values
from models.calibration import calibrate as calibrate_by


def kinship(model, pool=None, strata=None):
    n = len(model)
    pools = np.zeros(n, dtype=int) if pool is None else np.asarray(pool)
    return Kinship(
        np.asarray(model).astype(str),
        np.where(pools < 0, "", pools.astype(str)),
        np.full(n, "saturated"),
        np.ones(n, dtype=bool),
        np.zeros((n, 0), dtype=bool) if strata is None else strata,
    )


def calibrate(scores, sides, kin, least):
    return calibrate_by(scores, sides, kin, learn_units(scores, sides, kin, least))


def codes_of(result, rows):
    return {CODES[number] for number in result.codes[rows].ravel()}


def test_own_model_where_it_is_large_enough_else_kin():
    # 300 cars of model 0, then 30 models of 10 in one architecture, 40 cars of none.
    model = np.r_[np.zeros(300, int), 1 + np.repeat(np.arange(30), 10), np.full(40, 99)]
    pool = np.r_[np.zeros(300, int), np.ones(300, int), np.full(40, -1)]
    scores = np.random.default_rng(0).normal(size=(640, 1))
    found = calibrate(scores, np.array([1]), kinship(model, pool), 200)
    assert codes_of(found, slice(0, 300)) <= {"exact", "tail_model"}
    assert set(found.vehicles[:300, 0]) == {300}
    assert codes_of(found, slice(300, 600)) <= {"pooled", "tail_model"}
    assert set(found.vehicles[300:600, 0]) == {300}
    # those without kin are counted among all in the same control state
    assert set(found.vehicles[600:, 0]) == {640}


def test_with_too_few_everywhere_the_stated_tail_stands_and_says_so():
    scores = np.random.default_rng(1).normal(size=(150, 2))
    sides = np.array([0, -1])
    found = calibrate(scores, sides, kinship(np.zeros(150, int)), 200)
    assert codes_of(found, slice(None)) == {"approximate"}
    assert (found.vehicles == 0).all()
    assert found.p_values == pytest.approx(stated_p_values(scores, sides))
    assert found.p_values[:, 0] == pytest.approx(2 * norm.sf(np.abs(scores[:, 0])))
    assert found.p_values[:, 1] == pytest.approx(norm.cdf(scores[:, 1]))


def test_what_is_not_judged_gets_nothing_and_calibrates_nobody():
    scores = np.random.default_rng(2).normal(size=(500, 1))
    scores[:250] = np.nan
    found = calibrate(scores, np.array([1]), kinship(np.zeros(500, int)), 200)
    assert np.isnan(found.p_values[:250]).all()
    assert (found.codes[:250] == 0).all()
    assert set(found.vehicles[250:, 0]) == {250}


def test_warm_days_that_stray_more_are_kept_apart_and_like_ones_are_not():
    rng = np.random.default_rng(3)
    warm = np.arange(2000) % 2 == 0
    scores = rng.normal(size=(2000, 1)) * np.where(warm, 1.6, 0.8)[:, None]
    one = kinship(np.zeros(2000, int), strata=warm[:, None])
    apart = calibrate(scores, np.array([0]), one, 200)
    for half in (warm, ~warm):
        assert (apart.p_values[half] <= 0.05).mean() == pytest.approx(0.05, abs=0.015)
        assert set(apart.vehicles[half, 0]) == {1000}
    together = calibrate(scores, np.array([0]), replace(one, strata=warm[:, None] & False), 200)
    assert (together.p_values[warm] <= 0.05).mean() > 0.08
    alike = calibrate(scores / np.where(warm, 1.6, 0.8)[:, None], np.array([0]), one, 200)
    assert set(alike.vehicles[:, 0]) == {2000}


def test_one_score_per_car_however_often_it_was_tested():
    scores = np.random.default_rng(4).normal(size=(900, 1))
    latest = np.arange(900) % 3 == 2
    kin = replace(kinship(np.zeros(900, int)), is_latest=latest)
    assert set(calibrate(scores, np.array([1]), kin, 200).vehicles[:, 0]) == {300}
    assert codes_of(
        calibrate(scores[:300], np.array([1]), kinship(np.zeros(300, int)), 301), 0
    ) == {"approximate"}


def test_tables_say_how_each_p_was_found():
    many = judge(make_inputs(Plan(n_vehicles=260, n_tests=1, faults={0: {"duct_air_c": 9.0}})))
    judged = many.residuals.filter(pl.col("p_value").is_not_null())
    assert set(judged["calibration_code"]) == {"exact", "tail_model"}
    assert set(judged["n_calibration"]) == {260}
    assert many.residuals.filter(pl.col("p_value").is_null())["calibration_code"].null_count() == (
        many.residuals["p_value"].null_count()
    )
    worst = many.assessments.filter(pl.col("vehicle_id") == "aster-000").to_dicts()[0]
    assert worst["calibration_code"] == "tail_model"
    assert worst["direction_code"] == "air_warm" or worst["p_value"] < worst["direction_p_value"]
    few = judge(make_inputs(Plan(n_vehicles=40, n_tests=1)))
    assert set(few.residuals["calibration_code"].drop_nulls()) == {"approximate"}


def test_what_strays_together_is_called_out_before_each_does_by_itself():
    # Every quantity of an air door by 2.6 spreads of cars, none of them rare by itself.
    shift = {"duct_air_c": 1.7, "duct_drop_k": -1.7, "evaporator_approach_k": 1.5}
    inputs = make_inputs(Plan(n_vehicles=400, n_tests=1, faults=dict.fromkeys(range(20), shift)))
    mine = pl.col("vehicle_id").str.slice(-3).cast(pl.Int64) < 20
    both = judge(inputs).assessments.filter(mine)
    single = judge(inputs, direction_share=1e-6).assessments.filter(mine)
    assert (both["direction_code"] == "air_warm").sum() >= 18
    # by the geometric mean
    assert both["p_value"].log().mean() < single["p_value"].log().mean() - np.log(4.0)


def test_a_car_that_comes_later_is_counted_among_the_cars_known():
    rng = np.random.default_rng(6)
    known = rng.normal(size=(300, 1))
    units = learn_units(known, np.array([1]), kinship(np.zeros(300, int)), 200)
    later = rng.normal(size=(40_000, 1))
    found = calibrate_by(later, np.array([1]), kinship(np.zeros(40_000, int)), units)
    assert set(found.vehicles[:, 0]) == {300}
    for level in (0.05, 0.1):
        # one unit of 300 cars: its own share beyond varies by a tenth to a fifth
        assert (found.p_values <= level).mean() == pytest.approx(level, rel=0.5)
    # another model of the same kind finds no unit of its own, nor one of an architecture
    other = calibrate_by(later[:5], np.array([1]), kinship(np.ones(5, int)), units)
    assert codes_of(other, slice(None)) == {"approximate"}
