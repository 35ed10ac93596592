"""Baselines that stand: what is said of a car follows from them and its own tests alone."""

from __future__ import annotations

from dataclasses import fields, replace

import polars as pl
import pytest
from invented_fleet import AS_OF, Plan, make_inputs, with_features

from models.assess import assess, fit, judge
from models.frozen_rows import frozen_frames, read_frozen
from models.settings import AssessmentSettings

SETTINGS = AssessmentSettings()
FAULTS = {3: {"duct_air_c": 9.0}, 5: {"high_side_kpa": 500.0}}
MINE = pl.col("vehicle_id") == "aster-007"
JUDGED = ("residuals", "assessments", "states", "evidence", "drifts", "leaks", "causes")


def only(inputs, tests):
    """The inputs of some tests and their cars alone."""
    context = inputs.context.filter(tests)
    cars, ids = context.select("vehicle_id").unique(), context.select("test_id")
    return replace(
        inputs,
        context=context,
        features=inputs.features.join(ids, on="test_id", how="semi"),
        vehicles=inputs.vehicles.join(cars, on="vehicle_id", how="semi", maintain_order="left"),
    )


@pytest.fixture(scope="module", params=[40, 130])
def inputs(request):
    # fewer than 60 cars are held out one by one, more in folds
    return make_inputs(Plan(n_vehicles=request.param, n_tests=2, faults=FAULTS))


def test_judging_by_baselines_of_the_same_fleet_is_assessing_it(inputs):
    whole = assess(inputs, SETTINGS, AS_OF)
    by_parts = judge(inputs, fit(inputs, SETTINGS, AS_OF).baselines, SETTINGS, AS_OF)
    for field in fields(whole):
        assert getattr(by_parts, field.name).equals(getattr(whole, field.name)), field.name


def test_a_car_judged_alone_is_judged_as_among_all(inputs):
    baselines = fit(inputs, SETTINGS, AS_OF).baselines
    among = judge(inputs, baselines, SETTINGS, AS_OF)
    for car in ("aster-003", "aster-005", "aster-007"):
        own = pl.col("vehicle_id") == car
        alone = judge(only(inputs, own), baselines, SETTINGS, AS_OF)
        for name in JUDGED:
            expected = getattr(among, name).filter(own)
            assert getattr(alone, name).equals(expected), (car, name)
    assert among.evidence.height


def test_a_new_log_moves_its_own_car_and_no_other(inputs):
    last = inputs.context.filter(MINE).sort("started_at")["test_id"][-1]
    is_new = pl.col("test_id") == last
    before = replace(
        inputs,
        context=inputs.context.filter(~is_new),
        features=inputs.features.filter(~is_new),
    )
    baselines = fit(before, SETTINGS, AS_OF).baselines
    broken = pl.when(is_new).then(pl.col("duct_air_c") + 12.0).otherwise("duct_air_c")
    after = with_features(inputs, inputs.features.with_columns(broken.alias("duct_air_c")))
    was, now = (judge(one, baselines, SETTINGS, AS_OF) for one in (before, after))
    for name in JUDGED:
        others = [getattr(judged, name).filter(~MINE) for judged in (was, now)]
        assert others[0].equals(others[1]), name
    states = [judged.states.filter(MINE)["state"].item() for judged in (was, now)]
    assert states[0] != states[1]
    # fitted anew, the fleet moves with it
    anew = judge(after, fit(after, SETTINGS, AS_OF).baselines, SETTINGS, AS_OF).residuals
    assert not anew.filter(~MINE).equals(now.residuals.filter(~MINE))


def test_rows_give_back_the_baselines_to_the_last_bit(inputs):
    baselines = replace(fit(inputs, SETTINGS, AS_OF).baselines, version=3)
    frames = frozen_frames(baselines)
    for frame in frames.values():
        assert frame.height
        assert set(frame["baseline_version"]) == {3}
    again = read_frozen(frames, baselines.instrument_offsets, AS_OF)
    rows = frozen_frames(again)
    assert all(rows[name].equals(frame) for name, frame in frames.items())
    kept, back = (judge(inputs, one, SETTINGS, AS_OF) for one in (baselines, again))
    for field in fields(kept):
        assert getattr(back, field.name).equals(getattr(kept, field.name)), field.name


def test_rows_of_its_owner_are_enough_to_judge_a_car():
    two = make_inputs(Plan(n_vehicles=40), Plan(n_vehicles=14, model_id="briar", seed=2))
    baselines = fit(two, SETTINGS, AS_OF).baselines
    frames = frozen_frames(baselines)
    pool = two.context.select(pl.concat_str("architecture", pl.lit(" / "), "refrigerant"))
    owners = ["aster", "", pool.item(0, 0)]
    part = frames | {
        "baseline_arrays": frames["baseline_arrays"].filter(pl.col("owner").is_in(owners)),
        "baseline_cars": frames["baseline_cars"].filter(MINE),
    }
    assert part["baseline_arrays"].height < frames["baseline_arrays"].height
    car = only(two, MINE)
    whole = judge(car, baselines, SETTINGS, AS_OF)
    by_part = judge(car, read_frozen(part, baselines.instrument_offsets, AS_OF), SETTINGS, AS_OF)
    for name in JUDGED:
        assert getattr(by_part, name).equals(getattr(whole, name)), name
    assert whole.residuals["z"].drop_nulls().len()


def test_a_model_that_came_later_gets_no_verdict(inputs):
    later = make_inputs(Plan(n_vehicles=1, n_tests=1, model_id="briar"))
    baselines = fit(inputs, SETTINGS, AS_OF).baselines
    judged = judge(later, baselines, SETTINGS, AS_OF)
    assert judged.states["state"].to_list() == ["no verdict"]
    # fitted on 1 August, due a week later
    assert "due to be fitted anew from 8 August 2026 on." in judged.states["reason"].item()
    assert set(judged.residuals["reason_code"].drop_nulls()) >= {"baseline_too_small"}
    assert judged.residuals["p_value"].null_count() == judged.residuals.height
