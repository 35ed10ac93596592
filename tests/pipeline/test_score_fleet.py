"""The scorecard: counts on fleets made by hand, the curve and intervals against libraries."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest
from scipy.stats import binomtest
from sklearn.linear_model import LogisticRegression

from pipeline.detection_curves import detection_of, fit_detection, severity_at
from pipeline.fleet_score_measures import CHANCE, MET, MISSED, NOTHING, UNSURE, at_least, at_most
from pipeline.fleet_score_text import fleet_record, fleet_text
from pipeline.score_fleet import (
    Judged,
    MonthScore,
    score_fleet,
    score_month,
    true_cars,
    with_what_was_said,
)
from pipeline.shares import Share, wilson_interval

TRUTH = {
    "test_id": pl.String, "vehicle_id": pl.String, "fault": pl.String, "severity": pl.Float64,
    "standing": pl.String, "duct_warmer_k": pl.Float64, "beyond_reserve_g": pl.Float64,
}  # fmt: skip


def truth(*rows):
    return pl.DataFrame(list(rows), schema=TRUTH, orient="row")


def judged(verdicts, states=()):
    tested_at = datetime(2026, 7, 14, tzinfo=UTC)
    return Judged(
        pl.DataFrame(
            list(verdicts), schema={"test_id": pl.String, "verdict_code": pl.String}, orient="row"
        ),
        pl.DataFrame(
            [(*row, tested_at) for row in states],
            schema={
                "vehicle_id": pl.String, "state": pl.String, "latest_test_id": pl.String,
                "latest_tested_at": pl.Datetime("us", "UTC"),
            },
            orient="row",
        ),
        pl.DataFrame(
            [(test_id, "fixed", "saturated") for test_id, _ in verdicts],
            schema={"test_id": pl.String, "architecture": pl.String, "regime": pl.String},
            orient="row",
        ),
    )  # fmt: skip


CARS = truth(
    ("t1", "a", "none", 0.0, "healthy", None, None),
    ("t2", "b", "undercharge", 0.9, "affected", 6.0, 220.0),
    ("t3", "c", "none", 0.0, "healthy", None, None),
    ("t4", "d", "undercharge", 0.3, "affected", 0.1, 30.0),
    ("t5", "e", "undercharge", 0.5, "affected", 3.5, 90.0),
    ("t6", "f", "weak_fan", 0.4, "masked", 0.0, None),
    ("t7", "g", "undercharge", 0.0, "affected", 0.3, 45.0),
)
SAID = judged(
    [("t1", "in_band"), ("t2", "far_beyond"), ("t3", "finding"), ("t4", "not_assessable"),
     ("t5", "in_band"), ("t6", "in_band"), ("t7", "finding")],
    [("a", "in band", "t1"), ("b", "service", "t2"), ("c", "service", "t3"),
     ("d", "retest", "t4"), ("e", "in band", "t5"), ("f", "service", "t6"),
     ("g", "service", "t7")],
)  # fmt: skip


def of(share):
    return share.n_hits, share.n_all


def test_a_test_without_verdict_is_no_response_and_no_miss():
    more = pl.concat([CARS, truth(("t8", "h", "none", 0.0, "healthy", None, None))])
    told = with_what_was_said(more, SAID)
    assert told["has_response"].to_list() == [True, True, True, False, True, True, True, False]
    score = score_fleet(more, SAID)
    assert of(score.no_response) == (2, 8)
    [undercharge] = score.detections
    assert of(undercharge.detected) == (2, 3)
    assert of(undercharge.no_response) == (1, 4)


def test_service_is_right_where_the_fault_shows():
    """b and g show, c is healthy, f has a fault that moves nothing; g is 0 by the fixed limit."""
    score = score_fleet(CARS, SAID)
    assert of(score.precision.by_readings) == (2, 4)
    assert of(score.precision.by_fault) == (2, 4)
    assert score.precision.n_masked == 1
    assert score.states == {
        "in band": (1, 0, 1), "retest": (0, 0, 1), "service": (1, 1, 2),
    }  # fmt: skip
    assert score.standings == {"healthy": 2, "affected": 4, "masked": 1}


def test_alarms_and_masked_tests_are_counted_apart():
    score = score_fleet(CARS, SAID)
    assert of(score.false_alarms) == (1, 2)
    assert of(score.detected) == (2, 3)
    [fan] = score.masked
    assert (fan.n_in_band, fan.n_not_assessable, fan.n_alarms) == (1, 0, 0)
    [stratum] = score.strata
    assert of(stratum.detected) == (2, 3)
    assert of(stratum.no_response) == (1, 7)
    assert [(cell.fault, of(cell.detected)) for cell in score.cells] == [("undercharge", (2, 3))]


def test_warm_ducts_are_those_three_kelvin_warmer():
    warm = score_fleet(CARS, SAID).warm_duct
    assert of(warm.of_judged) == (1, 2)
    assert of(warm.of_all) == (1, 2)
    assert of(warm.of_cars) == (1, 2)


def test_a_fault_that_showed_in_one_of_three_tests_has_shown():
    many = truth(
        *((f"a{n}", "a", "undercharge", 0.4, standing, 0.0, 0.0)
          for n, standing in enumerate(["affected", "masked", "masked"])),
        *((f"b{n}", "b", "undercharge", 0.4, standing, 0.0, 0.0)
          for n, standing in enumerate(["affected", "masked", "masked", "masked"])),
        *((f"c{n}", "c", "none", 0.0, standing, 0.0, None)
          for n, standing in enumerate(["affected", "healthy"])),
    )  # fmt: skip
    states = judged([], [("a", "service", "a2"), ("b", "service", "b3"), ("c", "service", "c1")])
    cars = true_cars(many, states.states)
    assert cars["standing"].to_list() == ["affected", "masked", "healthy"]
    # as of an earlier test, what came later is not known
    early = judged([], [("c", "service", "c0")])
    assert true_cars(many, early.states)["standing"].to_list() == ["affected"]


def test_a_month_counts_healthy_cars_that_were_told_something():
    month = score_month("2026-07", CARS, SAID.states)
    assert of(month.false_service) == (1, 2)
    assert score_month("2026-06", CARS, SAID.states).false_service.n_all == 0
    score = score_fleet(CARS, SAID, (month, MonthScore("2026-08", Share(0, 3), Share(1, 1))))
    assert of(score.car_months) == (1, 5)
    assert of(score.service_of_months) == (3, 5)


def test_charge_is_counted_in_grams_beyond_the_reserve():
    told = with_what_was_said(CARS, SAID).filter(fault="undercharge", standing="affected")
    found = detection_of("undercharge", told, n_masked=2)
    # to 50: t7 (t4 was not judged); to 100: t5; above 200: t2
    assert [of(share) for share in found.by_size] == [(1, 1), (0, 1), (0, 0), (0, 0), (1, 1)]
    assert found.mean_sizes == (45.0, 90.0, None, None, 220.0)
    assert found.n_masked == 2


def test_the_curve_of_detection_is_that_of_a_reference_library():
    """scikit-learn's logistic regression without penalty."""
    rng = np.random.default_rng(3)
    severity = rng.uniform(0.0, 1.0, 400)
    detected = (rng.uniform(size=400) < 1.0 / (1.0 + np.exp(3.0 - 8.0 * severity))).astype(float)
    reference = LogisticRegression(C=np.inf, tol=1e-8).fit(severity[:, None], detected)
    curve = fit_detection(severity, detected)
    assert curve[0] == pytest.approx(reference.intercept_[0], rel=5e-3)
    assert curve[1] == pytest.approx(reference.coef_[0, 0], rel=5e-3)
    # at the severity of the half the line a + b x is 0, at nine tenths ln 9
    assert severity_at(0.5, curve) == pytest.approx(-curve[0] / curve[1])
    assert severity_at(0.9, curve) == pytest.approx((np.log(9.0) - curve[0]) / curve[1])


def test_a_fault_that_is_never_detected_has_no_severity_of_detection():
    severity = np.linspace(0.0, 1.0, 50)
    curve = fit_detection(severity, np.zeros(50))
    assert severity_at(0.5, curve) is None
    assert severity_at(0.9, curve) is None


@pytest.mark.parametrize(("n_hits", "n_all"), [(81, 263), (15, 148), (0, 20), (29, 29)])
def test_intervals_are_those_of_scipy_and_of_newcombe(n_hits, n_all):
    """Newcombe (1998), table I, method 3: 81/263, 15/148, 0/20, 1/29 from the other side."""
    low, high = wilson_interval(n_hits, n_all)
    reference = binomtest(n_hits, n_all).proportion_ci(method="wilson")
    assert (low, high) == (pytest.approx(reference.low, abs=1e-6), pytest.approx(reference.high))
    published = {81: (0.2553, 0.3662), 15: (0.0624, 0.1605), 0: (0.0, 0.1611)}
    if n_hits in published:
        assert (low, high) == pytest.approx(published[n_hits], abs=5e-5)


def test_an_answer_says_how_sure_it_is():
    """Wilson's interval of 95 of 100 is 0.888 to 0.978, of 990 of 1000 0.982 to 0.995."""
    assert at_least("", Share(990, 1000), 0.9).answer == MET
    assert at_least("", Share(95, 100), 0.9).answer == UNSURE
    assert at_least("", Share(85, 100), 0.9).answer == CHANCE
    assert at_least("", Share(50, 100), 0.9).answer == MISSED
    assert at_least("", Share(0, 0), 0.9).answer == NOTHING
    assert at_most("", Share(0, 2000), 0.005).answer == MET
    assert at_most("", Share(0, 100), 0.005).answer == UNSURE
    assert at_most("", Share(1, 100), 0.005).answer == CHANCE
    assert at_most("", Share(10, 100), 0.005).answer == MISSED


def test_text_and_record_tell_the_same_counts():
    score = score_fleet(CARS, SAID)
    record = fleet_record(score)
    assert record["precision"]["by_readings"]["n_hits"] == 2
    assert "2 of 4" in fleet_text(score)
    [undercharge] = record["detections"]
    assert undercharge["scale"]["edges"][0] is None
    assert record["measures"][0]["answer"] == MISSED
