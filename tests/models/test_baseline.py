"""Expected values and spreads: held out, honest at small samples, never extrapolated."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from invented_fleet import LINES, Plan, judge, make_inputs, with_features
from scipy.stats import t as student

from models.baseline import assign_folds
from models.settings import AssessmentSettings

JUDGED_ALONE = {"leave_one_out_up_to": 0}


def residuals(assessed, **equal):
    rows = assessed.residuals
    for name, value in equal.items():
        rows = rows.filter(pl.col(name) == value)
    return rows


def shifted(inputs, vehicle_id, feature, by):
    own = pl.col("test_id").str.starts_with(vehicle_id)
    value = pl.when(own).then(pl.col(feature) + by).otherwise(pl.col(feature))
    return with_features(inputs, inputs.features.with_columns(value.alias(feature)))


@pytest.mark.parametrize("settings", [{}, JUDGED_ALONE])
def test_a_car_has_no_part_in_what_it_is_judged_by(settings):
    inputs = make_inputs(Plan())
    before = judge(inputs, **settings)
    after = judge(shifted(inputs, "aster-007", "duct_air_c", 30.0), **settings)
    own = {"vehicle_id": "aster-007", "feature": "duct_air_c"}
    rows = [residuals(a, **own) for a in (before, after)]
    assert rows[0]["expected"].equals(rows[1]["expected"])
    # Scale and tail are those of the fleet: a median over 40 cars, which one can move by a rank.
    assert rows[1]["spread"].to_numpy() == pytest.approx(rows[0]["spread"].to_numpy(), rel=0.03)
    # ... while it does have a part in what others are judged by.
    others = [
        residuals(a, feature="duct_air_c").filter(pl.col("vehicle_id") != "aster-007")["expected"]
        for a in (before, after)
    ]
    assert (others[0] != others[1]).any()


def test_folds_depend_on_the_car_alone():
    settings = AssessmentSettings(leave_one_out_up_to=0)
    few, many = tuple(f"v{k}" for k in range(50)), tuple(f"v{k}" for k in range(500))
    assert (assign_folds(few, settings) == assign_folds(many, settings)[:50]).all()
    # A fair hash: 500 cars in 5 folds, 100 expected in each, standard deviation 9.
    counts = np.bincount(assign_folds(many, settings))
    assert counts.size == 5
    assert (abs(counts - 100) < 4 * 9).all()
    other = assign_folds(many, AssessmentSettings(leave_one_out_up_to=0, fold_seed=1))
    assert (other != assign_folds(many, settings)).any()


def test_expected_value_is_the_true_line_of_the_invented_fleet():
    inputs = make_inputs(Plan(n_vehicles=200, n_tests=2))
    rows = residuals(judge(inputs), feature="duct_air_c").join(inputs.features, on="test_id")
    rows = rows.filter(pl.col("expected").is_not_null())
    level, by_air, by_load, of_car, of_test, _ = LINES["duct_air_c"]
    truth = (
        level
        + by_air * rows["condenser_air_c"].to_numpy()
        + by_load * rows["intake_enthalpy_kj_per_kg"].to_numpy()
    )
    error = rows["expected"].to_numpy() - truth
    # Centre of 200 cars: sd / sqrt(200) = 0.045 K; four of it, and twice that at the edge.
    assert abs(error.mean()) < 4 * np.hypot(of_car, of_test) / np.sqrt(200)
    assert abs(error).max() < 8 * np.hypot(of_car, of_test) / np.sqrt(200)


def test_spread_is_the_scatter_of_cars_and_tests_and_grows_with_the_own_uncertainty():
    inputs = make_inputs(Plan(n_vehicles=300, n_tests=1))
    _, _, _, of_car, of_test, uncertainty = LINES["duct_air_c"]
    known = residuals(judge(inputs), feature="duct_air_c")["spread"].median()
    # The test-to-test scatter of the invented fleet contains its sensors.
    assert known == pytest.approx(np.hypot(of_car, of_test), rel=0.1)
    doubled = pl.when(pl.col("test_id") == "aster-000-t0").then(1.0)
    column = "duct_air_uncertainty_c"
    features = inputs.features.with_columns(doubled.otherwise(pl.col(column)).alias(column))
    rows = residuals(judge(with_features(inputs, features)), feature="duct_air_c")
    own = rows.filter(pl.col("test_id") == "aster-000-t0")["spread"][0]
    # variance of cars + tests - 0.3^2 of typical sensors + 1.0^2 of its own
    assert own == pytest.approx(np.sqrt(of_car**2 + of_test**2 - uncertainty**2 + 1.0), rel=0.1)


@pytest.mark.parametrize(("cars", "seeds"), [(14, 20), (30, 10), (120, 3)])
@pytest.mark.parametrize("nu", [None, 6.0])
def test_ninety_percent_interval_covers_nine_of_ten_healthy_cars(cars, seeds, nu):
    # Truth: independent cars without fault, normal and Student(6). The interval is the t
    # interval of the stated tail, so it may cover more than 90 % of a normal fleet.
    names = ["duct_air_c", "condenser_outlet_subcooling_k", "evaporator_outlet_superheat_k"]
    inside = []
    for seed in range(seeds):
        inputs = make_inputs(Plan(seed=seed, n_vehicles=cars, n_tests=1, student=nu))
        rows = judge(inputs, tail_degrees_of_freedom=6.0).residuals
        rows = rows.filter(pl.col("feature").is_in(names) & pl.col("z").is_not_null())
        two_sided = rows["z"].abs() <= student.ppf(0.95, 6)
        inside.append(two_sided.mean())
    covered = np.mean(inside)
    standard_error = np.sqrt(0.9 * 0.1 / (cars * seeds * len(names)))
    # At 13 others the fit itself is uncertain by more than the plain t(6) allows for: the
    # stated tail is wider there, here 6 is used for all, hence the fixed allowance.
    assert covered > 0.9 - 3 * standard_error - (0.03 if cars < 20 else 0.015)
    assert covered < 0.96


@pytest.mark.parametrize("nu", [None, 6.0])
def test_p_values_of_healthy_cars_are_not_too_small(nu):
    p_values = []
    for seed in range(10):
        inputs = make_inputs(Plan(seed=seed, n_vehicles=40, n_tests=1, student=nu))
        p_values.append(judge(inputs).residuals["p_value"].drop_nulls().to_numpy())
    p = np.concatenate(p_values)
    for level in (0.1, 0.05, 0.01):
        # Features of one car share nothing in the invented fleet: p-values count singly.
        error = np.sqrt(level * (1 - level) / p.size)
        assert (p <= level).mean() <= 1.15 * level + 3 * error


def test_conditions_beyond_those_of_other_cars_are_refused():
    inputs = make_inputs(Plan())
    hot = pl.when(pl.col("test_id") == "aster-000-t2").then(48.0)
    features = inputs.features.with_columns(
        hot.otherwise(pl.col("condenser_air_c")).alias("condenser_air_c")
    )
    rows = residuals(judge(with_features(inputs, features)), test_id="aster-000-t2")
    known = rows.filter(pl.col("observed").is_not_null())
    assert known.height == len(LINES)
    assert set(known["reason_code"]) == {"outside_range_seen"}
    assert known["expected"].null_count() == known.height


def test_an_engine_speed_nobody_else_ran_is_refused_though_speed_has_no_term():
    inputs = make_inputs(Plan())
    fast = pl.when(pl.col("test_id") == "aster-000-t2").then(3000.0)
    features = inputs.features.with_columns(
        fast.otherwise(pl.col("engine_rpm")).alias("engine_rpm")
    )
    rows = residuals(judge(with_features(inputs, features)), test_id="aster-000-t2")
    assert set(rows.filter(pl.col("observed").is_not_null())["reason_code"]) == {
        "outside_range_seen"
    }


def test_few_of_the_healthy_tests_are_refused_for_their_conditions():
    rows = judge(make_inputs(Plan(n_vehicles=60))).residuals.filter(
        pl.col("observed").is_not_null()
    )
    assert (rows["reason_code"] == "outside_range_seen").fill_null(value=False).mean() < 0.05


def test_a_small_model_is_compared_with_its_architecture_and_says_so():
    big = [Plan(seed=k, model_id=f"big{k}", level_shift=0.3 * k) for k in range(3)]
    small = Plan(seed=9, model_id="rare", n_vehicles=3)
    rows = judge(make_inputs(*big, small)).residuals.filter(pl.col("observed").is_not_null())
    rare, common = (rows.filter((pl.col("model_id") == "rare") == own) for own in (True, False))
    assert set(rare["pooling_level"]) == {"architecture"}
    assert set(common["pooling_level"]) == {"model"}
    # Three models of 40, less about a fifth: the fold that the car itself is in.
    assert rare["baseline_vehicles"].min() >= 80
    spread = {
        name: frame.filter(pl.col("feature") == "duct_air_c")["spread"].median()
        for name, frame in (("rare", rare), ("common", common))
    }
    assert spread["rare"] > 1.5 * spread["common"]


def test_a_small_model_alone_is_told_how_many_others_there_were():
    rows = judge(make_inputs(Plan(n_vehicles=9))).residuals
    known = rows.filter(pl.col("observed").is_not_null())
    assert set(known["reason_code"]) == {"baseline_too_small"}
    assert set(known["baseline_vehicles"]) == {8}
    assert set(known["pooling_level"]) == {"none"}


def test_another_refrigerant_is_another_pool():
    inputs = make_inputs(Plan(model_id="big"), Plan(seed=3, model_id="rare", n_vehicles=3))
    other = pl.when(pl.col("model_id") == "rare").then(pl.lit("R134a"))
    context = inputs.context.with_columns(
        other.otherwise(pl.col("refrigerant")).alias("refrigerant")
    )
    rows = judge(replace(inputs, context=context)).residuals.filter(pl.col("model_id") == "rare")
    known = rows.filter(pl.col("observed").is_not_null())
    assert set(known["reason_code"]) == {"baseline_too_small"}


def test_healthy_cars_of_a_small_model_lie_within_the_architecture_interval():
    # Twelve trials: three models and a rare one, whose levels differ by one sd of cars.
    inside = []
    for seed in range(12):
        rng = np.random.default_rng(1000 + seed)
        plans = [
            Plan(seed=10 * seed + k, model_id=f"m{k}", n_tests=1, level_shift=rng.normal())
            for k in range(3)
        ]
        rare = Plan(seed=10 * seed + 9, model_id="rare", n_tests=1, n_vehicles=4)
        inputs = make_inputs(*plans, replace(rare, level_shift=rng.normal()))
        rows = judge(inputs).residuals.filter(pl.col("model_id") == "rare")
        inside.append((rows["p_value"].drop_nulls() > 0.1).mean())
    assert np.mean(inside) > 0.88


def test_published_baseline_writes_down_the_line_it_fitted():
    inputs = make_inputs(Plan(n_vehicles=200, n_tests=1))
    row = judge(inputs).baselines.filter(pl.col("feature") == "high_side_kpa").to_dicts()[0]
    terms = json.loads(row["terms"])
    level, by_air, by_load, of_car, of_test, uncertainty = LINES["high_side_kpa"]
    assert row["n_vehicles"] == 200
    assert row["pooling_level"] == "model"
    assert row["spread"] == pytest.approx(np.hypot(of_car, of_test), rel=0.2)
    assert row["typical_uncertainty"] == pytest.approx(uncertainty)
    # Slopes of the invented fleet: 25 kPa per K and 2 kPa per kJ/kg; the two conditions are
    # correlated, so single slopes wander by about 25 kPa / (4 K sqrt(200)) = 0.6.
    assert terms["condenser_air_c@condenser_inlet_air_c"] == pytest.approx(by_air, abs=2.5)
    load = "intake_enthalpy_kj_per_kg"
    bend = terms[f"{load} * {load}"]
    assert terms[load] + 2 * 52 * bend == pytest.approx(by_load, abs=1.5)
    middle = terms["intercept"] + 29 * terms["condenser_air_c@condenser_inlet_air_c"]
    middle += 52 * terms[load] + 52**2 * bend
    assert middle == pytest.approx(level + 29 * by_air + 52 * by_load, abs=10)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.2])
@pytest.mark.parametrize("nu", [None, 5.0])
def test_p_values_of_healthy_cars_stay_valid_among_faulty_ones(nu, share):
    # A share of the cars is faulty to one side in five quantities; only the others count.
    shift = {
        name: 5.0 * np.hypot(of_car, of_test)
        for name, (_, _, _, of_car, of_test, _) in list(LINES.items())[:5]
    }
    p_values = []
    for seed in range(4):
        faults = dict.fromkeys(range(int(share * 120)), shift)
        inputs = make_inputs(Plan(seed=seed, n_vehicles=120, n_tests=1, student=nu, faults=faults))
        rows = judge(inputs).residuals
        healthy = ~rows["vehicle_id"].str.slice(-3).cast(pl.Int64).is_in(list(faults))
        p_values.append(rows.filter(healthy)["p_value"].drop_nulls().to_numpy())
    p = np.concatenate(p_values)
    for level in (0.1, 0.05, 0.01):
        error = np.sqrt(level * (1 - level) / p.size)
        assert (p <= level).mean() <= 1.1 * level + 3 * error


def with_fan(inputs, stage_of_test, high_side_by_stage):
    """The inputs with a fan command (a series) and the high side moved by it."""
    shift = stage_of_test.replace_strict(high_side_by_stage, default=0.0, return_dtype=pl.Float64)
    return with_features(
        inputs,
        inputs.features.with_columns(
            condenser_fan_pct=stage_of_test, high_side_kpa=pl.col("high_side_kpa") + shift
        ),
    )


def test_cars_are_compared_at_the_same_fan_stage():
    # At half speed the high side lies 400 kPa higher: a spread of 200 kPa if mixed.
    inputs = make_inputs(Plan(n_vehicles=80, n_tests=1))
    n = inputs.features.height
    stage = pl.Series([50.0, 100.0] * (n // 2))
    rows = residuals(judge(with_fan(inputs, stage, {50.0: 400.0})), feature="high_side_kpa")
    _, _, _, of_car, of_test, _ = LINES["high_side_kpa"]
    assert rows["spread"].median() < 1.5 * np.hypot(of_car, of_test)
    assert rows["z"].abs().max() < 5
    # A test outside what its stage has seen goes to the cars of all stages: a few may.
    assert rows["terms"].drop_nulls().str.contains("condenser fan stage").mean() > 0.9


def test_too_few_cars_at_a_fan_stage_are_judged_by_all_with_the_command_allowed_for():
    # Twelve of 60 at half speed: eleven others are too few for a baseline of their own.
    inputs = make_inputs(Plan(n_vehicles=60, n_tests=1))
    stage = pl.Series([50.0 if k % 5 == 0 else 100.0 for k in range(60)])
    rows = residuals(judge(with_fan(inputs, stage, {50.0: 400.0})), feature="high_side_kpa")
    few = rows.filter(pl.Series(rows["test_id"].str.slice(6, 3).cast(pl.Int64) % 5 == 0))
    assert few.filter(pl.col("z").is_not_null()).height >= 8
    assert set(few["terms"].drop_nulls()) == {
        "condenser inlet air, intake air enthalpy, condenser fan command"
    }
    assert few["z"].abs().max() < 5


def test_the_duty_of_a_cycling_fan_is_no_condition():
    # In periodic windows the mean command is a duty, which answers to faults.
    inputs = make_inputs(Plan(n_vehicles=60, n_tests=1))
    rng = np.random.default_rng(1)
    features = inputs.features.with_columns(
        condenser_fan_pct=pl.Series(rng.uniform(20, 90, 60)),
        window_kind_code=pl.lit("periodic"),
    )
    rows = judge(with_features(inputs, features)).residuals
    assert not rows["terms"].drop_nulls().str.contains("fan").any()


def test_periodic_windows_are_not_compared_with_steady_ones():
    # 30 cars of each kind, the low side of the cycling ones 100 kPa lower.
    inputs = make_inputs(Plan(n_vehicles=60, n_tests=1))
    cycles = pl.Series([k % 2 == 0 for k in range(60)])
    kind = pl.when(cycles).then(pl.lit("periodic")).otherwise(pl.lit("steady"))
    low = pl.when(cycles).then(pl.col("low_side_kpa") - 100.0).otherwise(pl.col("low_side_kpa"))
    features = inputs.features.with_columns(window_kind_code=kind, low_side_kpa=low)
    rows = residuals(judge(with_features(inputs, features)), feature="low_side_kpa")
    judged = rows.filter(pl.col("z").is_not_null())
    assert judged["baseline_vehicles"].max() == 29
    assert judged["z"].abs().max() < 5


def test_a_bend_with_the_load_is_followed():
    # Duct air 0.02 K per (kJ/kg)^2 warmer beyond 50 kJ/kg: 5 to 10 K at the hottest tests.
    inputs = make_inputs(Plan(n_vehicles=120, n_tests=1))
    beyond = (pl.col("intake_enthalpy_kj_per_kg") - 50.0).clip(lower_bound=0.0)
    features = inputs.features.with_columns(duct_air_c=pl.col("duct_air_c") + 0.02 * beyond**2)
    rows = residuals(judge(with_features(inputs, features)), feature="duct_air_c")
    judged = rows.filter(pl.col("z").is_not_null())
    _, _, _, of_car, of_test, _ = LINES["duct_air_c"]
    # A straight line leaves about 1.5 K; the true scatter is 0.64 K.
    assert (judged["observed"] - judged["expected"]).std() < 1.5 * np.hypot(of_car, of_test)
