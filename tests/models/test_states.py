"""States from hand-made histories: persistence, repairs, silence, and their sentences."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from invented_fleet import Plan, judge, make_inputs, state_of

from features.channels import CHANNEL
from models.history import History, PastTest, Repair
from models.sentences import missing_text
from models.settings import AssessmentSettings
from models.states import STATE_NAMES, LatestTest
from models.states import state_of as decide

DAY0 = datetime(2026, 5, 3, 9, tzinfo=UTC)
AS_OF = datetime(2026, 8, 1, tzinfo=UTC)
SETTINGS = AssessmentSettings()
COMPLETE = LatestTest((), frozenset({"duct_air_c"}), ("saturated",), 0.5)
GAP = {
    "test_id": "t", "side": "subcooling", "feature": "condenser_outlet_subcooling_k",
    "reason_code": "not_known", "kind": "retest", "lacking": "", "baseline_vehicles": 0,
}  # fmt: skip


def row(code, feature, delta, z=6.0):
    return {
        "finding_code": code, "feature": feature, "observed": 10.0 + delta, "expected": 10.0,
        "z": z, "baseline_vehicles": 41, "pooling_level": "model",
        "terms": "ambient air, intake air temperature",
    }  # fmt: skip


WARM = row("duct_air_warm", "duct_air_c", 5.2)
SUBCOOLING = row("subcooling_low", "condenser_outlet_subcooling_k", -4.1)


def make_test(number, verdict, *findings, purpose=None, repair_id=None):
    reason = {"in_band": "No finding among the 12 quantities judged."}.get(verdict, "")
    when = DAY0 + timedelta(days=20 * number)
    return PastTest(f"t{number}", when, verdict, reason, purpose, repair_id, findings)


def past(*tests, repair=None):
    return History("car", "aster", tests, repair)


def decided(history, latest=COMPLETE, as_of=AS_OF):
    return decide(history, latest, SETTINGS, as_of)


GOOD = [make_test(k, "in_band") for k in range(4)]
FOUND = [make_test(k, "finding", WARM) for k in range(4)]
UNKNOWN = [make_test(k, "not_assessable") for k in range(4)]


@pytest.mark.parametrize(
    ("tests", "state"),
    [
        ([GOOD[0]], "in band"),
        ([FOUND[0]], "watch"),
        ([FOUND[0], FOUND[1]], "service"),
        ([FOUND[0], GOOD[1], FOUND[2]], "service"),
        ([FOUND[0], FOUND[1], GOOD[2]], "service"),
        ([FOUND[0], FOUND[1], UNKNOWN[2]], "service"),
        ([FOUND[0], GOOD[1], GOOD[2]], "watch"),
        ([FOUND[0], GOOD[1], GOOD[2], GOOD[3]], "in band"),
        ([FOUND[0], GOOD[1], GOOD[2], FOUND[3]], "watch"),
        ([FOUND[0], make_test(1, "finding", SUBCOOLING)], "watch"),
        ([make_test(0, "far_beyond", WARM, SUBCOOLING)], "service"),
        ([make_test(0, "far_beyond", WARM), UNKNOWN[1]], "service"),
        ([make_test(0, "far_beyond", WARM), GOOD[1]], "watch"),
    ],
)
def test_two_of_the_last_three_or_one_far_beyond(tests, state):
    assert decided(past(*tests)).name == state


@pytest.mark.parametrize(
    ("feature", "wanted"),
    [
        ("duct_air_c", "intake air temperature and humidity"),
        ("high_side_kpa", "ambient or condenser inlet air temperature"),
    ],
)
def test_where_conditions_are_missing_they_are_asked_for_and_not_the_quantity(feature, wanted):
    gap = {**GAP, "feature": feature, "reason_code": "conditions_missing"}
    assert missing_text([gap], {feature}) == wanted


def test_where_a_quantity_is_too_uncertain_its_sensors_are_named():
    text = missing_text([{**GAP, "feature": "duct_drop_k", "reason_code": "too_uncertain"}], set())
    for channel in ("duct_air_c", "intake_air_c"):
        assert CHANNEL[channel].meaning in text


def test_a_finding_before_an_untellable_test_stays_in_sight():
    state = decided(past(FOUND[0], UNKNOWN[1]), replace(COMPLETE, gaps=(GAP,)))
    assert state.name == "retest"
    assert "On 3 May 2026: duct air 5.2 K warmer than expected." in state.reason
    assert state.missing


def test_reason_is_a_sentence_with_size_company_and_date():
    assert decided(past(*FOUND[:2])).reason == (
        "Duct air 5.2 K warmer than expected from 41 other cars of this model at the same "
        "ambient air and intake air temperature; same in the test of 3 May 2026. "
        "All of it rests on one sensor: check that sensor first."
    )
    both = [make_test(k, "finding", WARM, SUBCOOLING) for k in range(2)]
    assert "; also subcooling at the condenser outlet 4.1 K lower than expected." in (
        decided(past(*both)).reason
    )


def test_only_tests_since_the_last_repair_count():
    repair = Repair("r1", DAY0 + timedelta(days=30))
    assert decided(past(*FOUND[:2], repair=repair)).name == "retest"
    assert "Repaired on 2 June 2026" in decided(past(*FOUND[:2], repair=repair)).reason
    assert decided(past(*FOUND[:2], GOOD[2], repair=repair)).name == "in band"
    assert decided(past(*FOUND[:3], repair=repair)).name == "watch"
    assert decided(past(*FOUND, repair=repair)).name == "service"


def test_a_test_of_the_visit_says_itself_whether_it_came_before_the_repair():
    repair = Repair("r1", DAY0 + timedelta(days=30))
    late = make_test(2, "finding", WARM, purpose="before_repair", repair_id="r1")
    early = make_test(1, "in_band", purpose="after_repair", repair_id="r1")
    assert decided(past(FOUND[0], late, repair=repair)).name == "retest"
    assert decided(past(FOUND[0], early, repair=repair)).name == "in band"


def test_silence_is_told_with_what_was_found_last():
    state = decided(past(*FOUND[:2]), as_of=DAY0 + timedelta(days=20 + 401))
    assert state.name == "silent"
    assert "401 days" in state.reason
    assert "duct air 5.2 K warmer" in state.reason
    assert decided(past(*FOUND[:2]), as_of=DAY0 + timedelta(days=20 + 399)).name == "service"


def test_a_gap_that_no_retest_closes_is_no_verdict():
    none = {**GAP, "kind": "no_verdict", "reason_code": "baseline_too_small"}
    none["baseline_vehicles"] = 2
    state = decided(past(UNKNOWN[0]), replace(COMPLETE, gaps=(none,)))
    assert state.name == "no verdict"
    assert "2 other cars to compare with, too few" in state.reason


def test_every_state_of_the_design_can_be_reached():
    reached = {
        decided(past(FOUND[0], FOUND[1])).name,
        decided(past(FOUND[0])).name,
        decided(past(UNKNOWN[0]), replace(COMPLETE, gaps=(GAP,))).name,
        decided(past(UNKNOWN[0]), replace(COMPLETE, gaps=({**GAP, "kind": "no_verdict"},))).name,
        decided(past()).name,
        decided(past(GOOD[0])).name,
    }
    assert reached == set(STATE_NAMES)


DOUBT = "Beyond 3 spreads, yet not certain enough for a finding: low charge sign (4.4 spreads)."


def test_a_quantity_far_out_is_watched_though_no_finding():
    doubted = replace(GOOD[0], reason=f"{GOOD[0].reason} {DOUBT}")
    assert decided(past(doubted)).name == "in band"
    assert DOUBT in decided(past(doubted)).reason
    out = replace(COMPLETE, standing_out=row(None, "high_side_kpa", 400.0, z=4.4))
    state = decided(past(doubted), out)
    assert state.name == "watch"
    assert DOUBT in state.reason
    assert state.missing == "a second test"
    unclear = decided(past(UNKNOWN[0]), replace(out, gaps=(GAP,)))
    assert unclear.name == "watch"
    assert unclear.missing
    assert "It shows: high-side pressure 400 kPa higher than expected (4.4 spreads)" in (
        unclear.reason
    )


@pytest.mark.parametrize(
    ("regimes", "masks"),
    [(("regulating",), True), (("cycling", "regulating"), True), (("saturated",), False),
     (("regulating", "saturated"), False), (("running",), False)],
)  # fmt: skip
def test_in_band_says_what_a_regulating_control_can_hide(regimes, masks):
    reason = decided(past(GOOD[0]), replace(COMPLETE, regimes=regimes)).reason
    assert ("can hide" in reason) == masks
    assert ("full-load test" in reason) == masks


def test_a_large_deviation_without_certainty_is_named_in_the_reason():
    # 3.5 to 4.5 spreads in one quantity of one car: no finding at a false discovery rate of
    # practically nothing, and no reader may take the car for quiet.
    inputs = make_inputs(Plan(n_tests=1, faults={0: {"compressor_discharge_c": 9.0}}))
    strict = judge(inputs, false_discovery_rate=1e-12)
    reason = state_of(strict, "aster-000")["reason"]
    assert strict.evidence.height == 0
    assert "discharge line" in reason
    assert "not certain enough for a finding" in reason
    verdict = strict.assessments.filter(pl.col("vehicle_id") == "aster-000").to_dicts()[0]
    assert "discharge line" in verdict["reason"]


LOW_CHARGE = {"condenser_outlet_subcooling_k": -6.0, "duct_air_c": 4.0, "duct_drop_k": -4.0}


@pytest.mark.parametrize(
    ("action", "state"), [("leak_repair", "retest"), ("inspect", "service"), (None, "retest")]
)
def test_a_repair_breaks_the_history_unless_it_changed_nothing(action, state):
    inputs = make_inputs(Plan(faults={0: LOW_CHARGE}))
    repairs = pl.DataFrame(
        {
            "repair_id": ["r1"],
            "vehicle_id": ["aster-000"],
            "performed_at": [datetime(2026, 7, 1, tzinfo=UTC)],
            "action": [action],
        },
        schema=inputs.repairs.schema,
    )
    assert state_of(judge(replace(inputs, repairs=repairs)), "aster-000")["state"] == state


def test_one_gross_sensor_error_is_watched_and_not_sent_to_service():
    # The same size in one test only: far beyond, but all on one sensor.
    inputs = make_inputs(Plan(n_tests=1, faults={0: {"duct_air_c": 15.0, "duct_drop_k": -15.0}}))
    alone = state_of(judge(inputs), "aster-000")
    assert alone["state"] == "watch"
    assert "check that sensor first" in alone["reason"]
    both = {"duct_air_c": 15.0, "duct_drop_k": -15.0, "low_side_kpa": 150.0}
    inputs = make_inputs(Plan(n_tests=1, faults={0: both}))
    assert state_of(judge(inputs), "aster-000")["state"] == "service"
