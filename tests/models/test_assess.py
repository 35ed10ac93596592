"""The whole judgement: order, time, missing data, and that flags stay flags."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest
from invented_fleet import (
    AS_OF,
    LINES,
    START,
    UNCERTAINTY,
    Plan,
    judge,
    make_inputs,
    state_of,
    with_features,
    without,
)
from scipy.stats import t as student

from models.tables import ASSESSMENTS, BASELINES, EVIDENCE, RESIDUALS, STATES

LOW_CHARGE = {
    "condenser_outlet_subcooling_k": -6.0,
    "expansion_inlet_subcooling_k": -6.0,
    "duct_air_c": 4.0,
    "duct_drop_k": -4.0,
}
HIGH_SIDE = {"high_side_kpa": 300.0, "condensing_over_air_k": 9.0, "pressure_ratio": 1.0}
FAULTS = {0: LOW_CHARGE, 1: HIGH_SIDE, 2: {"compressor_discharge_c": 25.0}}
FLAGGED = ["aster-000", "aster-001", "aster-002"]


@pytest.fixture(scope="module")
def inputs():
    return make_inputs(Plan(faults=FAULTS))


@pytest.fixture(scope="module")
def assessed(inputs):
    return judge(inputs)


def test_tables_keep_their_contract(assessed):
    frames = {
        RESIDUALS: assessed.residuals,
        ASSESSMENTS: assessed.assessments,
        STATES: assessed.states,
        EVIDENCE: assessed.evidence,
        BASELINES: assessed.baselines,
    }
    for table, frame in frames.items():
        assert dict(frame.schema) == table.schema
        assert frame.select(table.key).is_duplicated().sum() == 0
        for name in frame.columns:
            if frame[name].dtype == pl.Float64:
                assert frame[name].drop_nulls().is_finite().all(), (table.name, name)


def test_the_faulty_cars_and_no_others_are_flagged(assessed):
    flagged = assessed.states.filter(pl.col("state") != "in band")
    assert flagged["vehicle_id"].to_list() == FLAGGED
    assert set(flagged["state"]) == {"service"}


def test_findings_name_what_was_injected_and_its_size(assessed):
    rows = assessed.evidence.filter(pl.col("vehicle_id") == "aster-000")
    assert set(rows["finding_code"]) == {
        "subcooling_low", "expansion_inlet_subcooling_low", "duct_air_warm", "duct_drop_low",
    }  # fmt: skip
    sizes = rows.filter(pl.col("finding_code") == "subcooling_low").select(
        pl.col("observed") - pl.col("expected")
    )
    _, _, _, of_car, of_test, _ = LINES["condenser_outlet_subcooling_k"]
    # The car's own offset is part of what is seen; its mean over three tests is -6 K.
    assert sizes.to_series().mean() == pytest.approx(-6.0, abs=3 * np.hypot(of_car, of_test))


def test_p_value_is_the_tail_of_students_t_on_the_adverse_side(inputs):
    # With more cars than the tail has degrees of freedom by far, nu is the stated one.
    stated = {
        "tail_degrees_of_freedom": 5.0,
        "least_residuals_for_tail": 10**6,
        "least_calibration_vehicles": 10**6,
    }
    many = judge(make_inputs(Plan(n_vehicles=400, n_tests=1)), **stated)
    rows = many.residuals.filter(pl.col("z").is_not_null())
    assert set(rows["calibration_code"]) == {"approximate"}
    for feature, tail in (
        ("duct_air_c", lambda z: student.sf(z, 5)),
        ("duct_drop_k", lambda z: student.cdf(z, 5)),
        ("low_side_kpa", lambda z: 2 * student.sf(abs(z), 5)),
    ):
        one = rows.filter(pl.col("feature") == feature)
        assert one["p_value"].to_numpy() == pytest.approx(tail(one["z"].to_numpy()), rel=0.02)


def test_z_is_observed_minus_expected_in_spreads(assessed):
    rows = assessed.residuals.filter(pl.col("z").is_not_null())
    again = (rows["observed"] - rows["expected"]) / rows["spread"]
    assert rows["z"].to_numpy() == pytest.approx(again.to_numpy(), rel=1e-6, abs=1e-6)


def test_order_of_rows_does_not_matter(inputs, assessed):
    shuffled = replace(
        inputs,
        features=inputs.features.sample(fraction=1.0, shuffle=True, seed=3),
        context=inputs.context.sample(fraction=1.0, shuffle=True, seed=4),
        vehicles=inputs.vehicles.sample(fraction=1.0, shuffle=True, seed=5),
    )
    again = judge(shuffled)
    for name in ("residuals", "assessments", "states", "evidence", "baselines"):
        assert getattr(again, name).equals(getattr(assessed, name)), name


def test_names_of_cars_do_not_matter(inputs, assessed):
    # Reversed names reverse the order of the cars and, one out at a time, nothing else.
    def renamed(frame):
        number = pl.col("vehicle_id").str.slice(-3).cast(pl.Int64)
        return frame.with_columns(
            vehicle_id=pl.lit("car-") + (999 - number).cast(pl.String).str.zfill(3)
        )

    other = replace(inputs, context=renamed(inputs.context), vehicles=renamed(inputs.vehicles))
    keys = ["test_id", "feature"]
    z = [a.residuals.sort(keys)["z"].to_numpy() for a in (assessed, judge(other))]
    assert z[1] == pytest.approx(z[0], rel=1e-6, abs=1e-6, nan_ok=True)


def test_nothing_after_as_of_is_seen(inputs):
    as_of = START + timedelta(days=30)
    past = pl.col("started_at") <= as_of
    known = inputs.context.filter(past)
    only_past = replace(
        inputs,
        context=known,
        features=inputs.features.join(known, on="test_id", how="semi"),
    )
    for name in ("residuals", "assessments", "states", "evidence", "baselines"):
        frames = [getattr(judge(i, as_of), name) for i in (inputs, only_past)]
        assert frames[0].equals(frames[1]), name
    assert frames[0].height > 0
    later = pl.DataFrame(
        {
            "repair_id": ["r1"],
            "vehicle_id": ["aster-000"],
            "performed_at": [as_of + timedelta(days=1)],
            "action": ["replace"],
        },
        schema_overrides={"performed_at": pl.Datetime("us", "UTC")},
    )
    assert state_of(judge(replace(inputs, repairs=later), as_of), "aster-000")["state"] == "service"


def test_as_of_may_come_in_any_time_zone(inputs):
    as_of = START + timedelta(days=30)
    elsewhere = as_of.astimezone(ZoneInfo("Europe/Athens"))
    assert judge(inputs, elsewhere).states.equals(judge(inputs, as_of).states)


def test_as_of_without_time_zone_is_an_error(inputs):
    with pytest.raises(ValueError, match="time zone"):
        judge(inputs, datetime(2026, 8, 1))  # noqa: DTZ001 - the error is the point


@pytest.mark.parametrize("feature", sorted(LINES))
def test_null_in_null_out(inputs, feature):
    gone = judge(without(inputs, pl.col("test_id") == "aster-010-t2", feature))
    row = gone.residuals.filter(
        (pl.col("test_id") == "aster-010-t2") & (pl.col("feature") == feature)
    ).to_dicts()[0]
    assert row["reason_code"] == "not_known"
    for name in ("observed", "expected", "spread", "z", "p_value", "q_value", "finding_code"):
        assert row[name] is None
    assert state_of(gone, "aster-010")["state"] != "in band"


@pytest.mark.parametrize("vehicle", FLAGGED)
@pytest.mark.parametrize(
    "lost",
    [
        [name]
        for name in [
            *sorted(LINES), "condenser_air_c", "intake_enthalpy_kj_per_kg", "intake_air_c"
        ]
    ]
    + [list(LINES), ["intake_enthalpy_kj_per_kg", "intake_air_c", "condenser_air_c"]],
    ids=lambda names: "+".join(names)[:40],
)  # fmt: skip
def test_a_missing_channel_never_turns_a_flag_into_in_band(inputs, vehicle, lost):
    # Gone from every test of the car, so that nothing of its past can save the flag.
    mine = pl.col("test_id").str.starts_with(vehicle)
    state = state_of(judge(without(inputs, mine, *lost)), vehicle)
    assert state["state"] != "in band"
    if state["state"] == "retest":
        assert state["missing"]


def test_random_loss_of_data_never_turns_a_flag_into_in_band(inputs):
    rng = np.random.default_rng(8)
    for share in (0.1, 0.3, 0.5, 0.8):
        keep = rng.uniform(size=(inputs.features.height, len(LINES))) > share
        columns = [
            pl.when(pl.Series(keep[:, k])).then(pl.col(name)).alias(name)
            for k, name in enumerate(LINES)
        ]
        thinned = judge(with_features(inputs, inputs.features.with_columns(columns)))
        for vehicle in FLAGGED:
            assert state_of(thinned, vehicle)["state"] != "in band", (share, vehicle)


def test_an_uncertain_quantity_supports_no_finding(inputs):
    mine = pl.col("test_id").str.starts_with("aster-002")
    column = UNCERTAINTY["compressor_discharge_c"]
    for value, reason in ((7.0, "too_uncertain"), (None, "uncertainty_not_known")):
        features = inputs.features.with_columns(
            pl.when(mine).then(value).otherwise(pl.col(column)).alias(column)
        )
        result = judge(with_features(inputs, features))
        rows = result.residuals.filter(
            (pl.col("vehicle_id") == "aster-002") & (pl.col("feature") == "compressor_discharge_c")
        )
        assert set(rows["reason_code"]) == {reason}
        assert state_of(result, "aster-002")["state"] == "retest"


def test_a_sure_but_small_effect_is_no_finding():
    # With the other two hurdles as good as gone, the least effect of 2 K alone decides.
    lax = {"least_z": 0.5, "false_discovery_rate": 0.999, "direction_share": 0.01}
    faults = {0: {"duct_air_c": 1.6}, 1: {"duct_air_c": 5.0}}
    rows = judge(make_inputs(Plan(faults=faults)), **lax).residuals
    rows = rows.filter((pl.col("feature") == "duct_air_c") & (pl.col("q_value") <= 0.999))
    effect = rows["observed"] - rows["expected"]
    sure = rows["z"] >= 0.5
    assert (sure & (effect < 2.0)).any()
    assert (sure & (effect >= 2.0)).any()
    assert (rows["finding_code"].is_not_null() == (sure & (effect >= 2.0))).all()


def test_colder_duct_air_is_no_finding():
    cold = judge(make_inputs(Plan(faults={0: {"duct_air_c": -6.0, "duct_drop_k": 6.0}})))
    assert cold.evidence.filter(pl.col("vehicle_id") == "aster-000").height == 0


def test_healthy_fleets_have_few_flags_and_hardly_any_service():
    states = pl.concat([judge(make_inputs(Plan(seed=100 + seed))).states for seed in range(8)])
    # 320 healthy cars in 8 fleets; at a false discovery rate of 0.1 a healthy fleet has any
    # flag in at most one family of ten: 8 fleets x 3 families x 0.1 = 2.4, sd 1.5.
    assert (states["state"] == "watch").sum() <= 2.4 + 3 * 1.5
    assert (states["state"] == "service").sum() <= 1


def test_shuffled_labels_rank_nobody(inputs):
    # Values dealt anew among the tests: no car is faulty in two of them but by chance.
    rng = np.random.default_rng(6)
    features = inputs.features
    order = rng.permutation(features.height)
    columns = [*LINES, *UNCERTAINTY.values()]
    conditions = ["condenser_air_c", "intake_air_c", "intake_enthalpy_kj_per_kg", "engine_rpm"]
    dealt = features.select(columns + conditions)[order]
    states = judge(with_features(inputs, features.with_columns(dealt.get_columns()))).states
    assert (states["state"] == "service").sum() <= 2


def test_an_empty_fleet_gives_empty_tables(inputs):
    nothing = replace(
        inputs,
        features=inputs.features[:0],
        context=inputs.context[:0],
        vehicles=inputs.vehicles[:0],
    )
    result = judge(nothing)
    assert result.states.height == result.residuals.height == result.baselines.height == 0


def test_a_car_without_tests_is_silent_and_a_test_without_windows_is_a_retest(inputs):
    windowless = inputs.features.filter(pl.col("test_id") != "aster-011-t2")
    one_more = pl.concat(
        [inputs.vehicles, pl.DataFrame({"vehicle_id": ["never"], "model_id": ["aster"]})]
    )
    result = judge(replace(inputs, features=windowless, vehicles=one_more))
    assert state_of(result, "never")["state"] == "silent"
    retest = state_of(result, "aster-011")
    assert retest["state"] == "retest"
    assert "steady window" in retest["reason"]


def test_one_car_alone_gets_no_verdict_and_is_told_why(inputs):
    mine = pl.col("vehicle_id") == "aster-000"
    alone = replace(
        inputs,
        context=inputs.context.filter(mine),
        vehicles=inputs.vehicles.filter(mine),
    )
    state = state_of(judge(alone), "aster-000")
    assert state["state"] == "no verdict"
    assert "0 other cars to compare with" in state["reason"]
    assert "more cars of its kind" in state["missing"]


def test_what_nobody_logs_is_a_lack_of_verdict_not_a_retest(inputs):
    always = pl.lit(value=True)
    clamps = ["condenser_outlet_subcooling_k", "expansion_inlet_subcooling_k"]
    state = state_of(judge(without(inputs, always, *clamps)), "aster-020")
    assert state["state"] == "no verdict"
    assert "subcooling at the condenser outlet" in state["reason"]
    assert "liquid line" in state["missing"]


def test_missing_humidity_costs_in_band_and_is_asked_for(inputs):
    mine = pl.col("test_id") == "aster-020-t2"
    state = state_of(judge(without(inputs, mine, "intake_enthalpy_kj_per_kg")), "aster-020")
    assert state["state"] == "retest"
    assert "humidity" in state["missing"]


def test_default_clock_of_these_tests_is_after_all_tests(inputs):
    assert inputs.context["started_at"].max() < AS_OF < datetime(2027, 1, 1, tzinfo=UTC)


@pytest.mark.parametrize(
    ("further", "state"),
    [({}, "watch"), ({"duct_air_c": 15.0, "duct_drop_k": -15.0}, "service")],
)
def test_clamps_in_hot_air_are_one_cause_however_many_they_are(further, state):
    # superheat up and subcooling down: two clamps, and one heat under the hood makes both
    clamps = {"evaporator_outlet_superheat_k": 20.0, "condenser_outlet_subcooling_k": -15.0}
    inputs = make_inputs(Plan(n_tests=1, faults={0: clamps | further}))
    found = state_of(judge(inputs), "aster-000")
    assert found["state"] == state
    assert ("check their seat" in found["reason"]) is (not further)


def test_clamps_in_hot_air_are_confirmed_by_a_second_test():
    clamps = {"evaporator_outlet_superheat_k": 20.0, "condenser_outlet_subcooling_k": -15.0}
    inputs = make_inputs(Plan(n_tests=2, faults={0: clamps}))
    found = state_of(judge(inputs), "aster-000")
    assert found["state"] == "service"
    assert "check their seat" in found["reason"]


def test_two_clamps_against_the_heat_are_two_sensors():
    # superheat down and subcooling up: no warm air makes clamps read so
    clamps = {"evaporator_outlet_superheat_k": -20.0, "condenser_outlet_subcooling_k": 15.0}
    inputs = make_inputs(Plan(n_tests=1, faults={0: clamps}))
    assert state_of(judge(inputs), "aster-000")["state"] == "service"
