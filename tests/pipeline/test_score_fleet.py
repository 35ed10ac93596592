"""The scorecard: counts on fleets made by hand, the curve against a reference library."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest
from sklearn.linear_model import LogisticRegression
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.fleet_score_text import fleet_text
from pipeline.score_fleet import (
    Judged,
    fit_detection,
    score_fleet,
    score_month,
    severity_at,
    with_what_was_said,
)

TRUTH = {
    "test_id": pl.String, "vehicle_id": pl.String, "fault": pl.String, "severity": pl.Float64,
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
    ("t1", "a", "none", 0.0),
    ("t2", "b", "undercharge", 0.9),
    ("t3", "c", "none", 0.0),
    ("t4", "d", "undercharge", 0.1),
    ("t5", "e", "undercharge", 0.5),
)
SAID = judged(
    [("t1", "in_band"), ("t2", "far_beyond"), ("t3", "finding"), ("t4", "not_assessable")],
    [("a", "in band", "t1"), ("b", "service", "t2"), ("c", "service", "t3"), ("d", "retest", "t4")],
)


def test_a_test_without_verdict_is_no_response_and_no_miss():
    told = with_what_was_said(CARS, SAID)
    assert told["has_response"].to_list() == [True, True, True, False, False]
    score = score_fleet(CARS, SAID)
    assert (score.no_response.n_hits, score.no_response.n_all) == (2, 5)
    [undercharge] = score.detections
    assert (undercharge.detected.n_hits, undercharge.detected.n_all) == (1, 1)
    assert (undercharge.no_response.n_hits, undercharge.no_response.n_all) == (2, 3)


def test_precision_and_false_alarms_count_cars_and_tests():
    score = score_fleet(CARS, SAID)
    assert (score.service_precision.n_hits, score.service_precision.n_all) == (1, 2)
    assert (score.false_alarms.n_hits, score.false_alarms.n_all) == (1, 2)
    assert score.states["service"] == (1, 1)
    assert "`service` that is right: 1 of 2" in fleet_text(score)


def test_a_month_counts_healthy_cars_that_were_told_something():
    month = score_month("2026-07", CARS, SAID.states)
    assert (month.false_service.n_hits, month.false_service.n_all) == (1, 2)
    assert score_month("2026-06", CARS, SAID.states).false_service.n_all == 0


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


def test_a_small_fleet_is_scored_whole(tmp_path):
    record = tmp_path / "score.json"
    done = CliRunner().invoke(
        app, ["score", "--fleet", "--vehicles", "30", "--seed", "3", "--json", str(record)]
    )
    assert done.exit_code == 0, done.output
    score = json.loads(record.read_text())
    assert score["n_tests"] == 90
    assert sum(sum(counts) for counts in score["states"].values()) <= 30
    assert score["months"]
