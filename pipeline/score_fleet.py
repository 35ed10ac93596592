"""The scorecard of the judgement: what was said of a simulated fleet against what was so.

Takes the truth per test, assessments, states and features as frames, gives a `Scorecard`:
precision of `service`, false alarms, missed detections by severity, tests without a verdict.
Healthy is a car in which nothing is wrong at its test. The arithmetic is pure; running a fleet
is `fleet_trial`. Does not belong here: words (`fleet_score_text`), any judgement.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from pipeline.score_causes import CauseScore, score_causes
from pipeline.shares import Share

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

SEVERITY_EDGES = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
ALARMS = ("finding", "far_beyond")
NO_RESPONSE = "not_assessable"
_STEPS = 50
_RIDGE = 1e-3


@dataclass(frozen=True)
class Detection:
    """Tests of one fault, by severity: detected of those that could be judged.

    `i50` and `i90`: severity at which half, and nine in ten, are detected, by a logistic curve;
    None where the curve does not reach it within the range of severities.
    """

    fault: str
    by_severity: tuple[Share, ...]
    detected: Share
    no_response: Share
    i50: float | None
    i90: float | None


@dataclass(frozen=True)
class MonthScore:
    """One month: healthy cars tested and assessed in it, and those of them in `service`."""

    month: str
    false_service: Share


@dataclass(frozen=True)
class Scorecard:
    """The whole scorecard of a fleet.

    `states`: per state the number of healthy and of faulty cars, as of the last day.
    `strata`: detections and false alarms by (what, name): fault, architecture, regime.
    """

    n_vehicles: int
    n_tests: int
    faulty_share: float
    states: dict[str, tuple[int, int]]
    service_precision: Share
    false_alarms: Share
    no_response: Share
    detections: tuple[Detection, ...]
    strata: tuple[tuple[str, str, Share, Share], ...]
    months: tuple[MonthScore, ...] = field(default=())
    causes: CauseScore | None = None


def score_fleet(
    truth: pl.DataFrame, judged: Judged, months: tuple[MonthScore, ...] = ()
) -> Scorecard:
    """The scorecard of a judged fleet.

    Parameters
    ----------
    truth
        One row per test: test_id, vehicle_id, fault, severity (0 to 1, 0 is healthy).
    judged
        Assessments, states and the strata of the tests.
    months
        From `score_month`, one per month looked at.
    """
    tests = with_what_was_said(truth, judged)
    healthy, faulty = tests.filter(severity=0.0), tests.filter(pl.col("severity") > 0.0)
    return Scorecard(
        n_vehicles=judged.states.height,
        n_tests=tests.height,
        faulty_share=faulty.height / max(tests.height, 1),
        states=_states(truth, judged.states),
        service_precision=_precision(truth, judged.states),
        false_alarms=_alarm_share(healthy),
        no_response=Share(tests.filter(~pl.col("has_response")).height, tests.height),
        detections=tuple(_detection(name, part) for name, part in _by(faulty, "fault")),
        strata=tuple(
            (what, name, _alarm_share(part.filter(pl.col("severity") > 0.0)),
             _alarm_share(part.filter(severity=0.0)))
            for what in ("architecture", "regime")
            for name, part in _by(tests, what)
        ),
        months=months,
        causes=None if judged.causes is None else score_causes(judged.causes, truth),
    )  # fmt: skip


@dataclass(frozen=True)
class Judged:
    """What was said: ASSESSMENTS, STATES and CAUSES, and test_id, architecture, regime."""

    assessments: pl.DataFrame
    states: pl.DataFrame
    strata: pl.DataFrame
    causes: pl.DataFrame | None = None


def with_what_was_said(truth: pl.DataFrame, judged: Judged) -> pl.DataFrame:
    """The truth per test with `has_response`, `is_alarm` and the strata.

    A test without any verdict, refused at the door for example, has no response.
    """
    said = judged.assessments.select("test_id", "verdict_code")
    strata = judged.strata.unique("test_id", keep="first", maintain_order=True)
    return (
        truth.join(said, on="test_id", how="left", maintain_order="left")
        .join(strata, on="test_id", how="left", maintain_order="left")
        .with_columns(
            has_response=pl.col("verdict_code").ne_missing(NO_RESPONSE)
            & pl.col("verdict_code").is_not_null(),
            is_alarm=pl.col("verdict_code").is_in(ALARMS).fill_null(value=False),
        )
    )


def score_month(month: str, truth: pl.DataFrame, states: pl.DataFrame) -> MonthScore:
    """Healthy cars whose latest test lies in the month (as 2026-07), and those in `service`."""
    now = states.filter(pl.col("latest_tested_at").dt.strftime("%Y-%m") == month)
    known = now.join(
        truth.select("test_id", "severity"), left_on="latest_test_id", right_on="test_id"
    )
    assessed = known.filter(
        pl.col("severity") == 0.0, ~pl.col("state").is_in(["retest", "no verdict", "silent"])
    )
    return MonthScore(month, Share(assessed.filter(state="service").height, assessed.height))


def _by(tests: pl.DataFrame, column: str) -> list[tuple[str, pl.DataFrame]]:
    names = sorted(tests[column].drop_nulls().unique().to_list())
    return [(name, tests.filter(pl.col(column) == name)) for name in names]


def _alarm_share(tests: pl.DataFrame) -> Share:
    """Alarms of the tests that had a response."""
    told = tests.filter("has_response")
    return Share(told.filter("is_alarm").height, told.height)


def _latest_truth(truth: pl.DataFrame, states: pl.DataFrame) -> pl.DataFrame:
    return states.join(
        truth.select("test_id", "severity"), left_on="latest_test_id", right_on="test_id"
    )


def _states(truth: pl.DataFrame, states: pl.DataFrame) -> dict[str, tuple[int, int]]:
    known = _latest_truth(truth, states)
    counted = known.group_by("state").agg(
        healthy=(pl.col("severity") == 0.0).sum(), faulty=(pl.col("severity") > 0.0).sum()
    )
    return {
        row["state"]: (row["healthy"], row["faulty"])
        for row in counted.sort("state").iter_rows(named=True)
    }


def _precision(truth: pl.DataFrame, states: pl.DataFrame) -> Share:
    called = _latest_truth(truth, states).filter(state="service")
    return Share(called.filter(pl.col("severity") > 0.0).height, called.height)


def _detection(fault: str, tests: pl.DataFrame) -> Detection:
    told = tests.filter("has_response")
    bins = tuple(
        _alarm_share(told.filter(pl.col("severity") > low, pl.col("severity") <= high))
        for low, high in itertools.pairwise(SEVERITY_EDGES)
    )
    curve = fit_detection(
        told["severity"].to_numpy().astype(float), told["is_alarm"].to_numpy().astype(float)
    )
    return Detection(
        fault,
        bins,
        _alarm_share(told),
        Share(tests.height - told.height, tests.height),
        severity_at(0.5, curve),
        severity_at(0.9, curve),
    )


def fit_detection(severity: Floats, detected: Floats) -> tuple[float, float]:
    """Intercept and slope of P(detected) = 1 / (1 + exp(-(a + b severity))).

    Maximum likelihood by Newton's steps (iteratively reweighted least squares; McCullagh and
    Nelder, Generalized Linear Models, 1989, section 4.4), with a slight ridge so that counts
    that part cleanly have a curve too.
    """
    design = np.column_stack([np.ones_like(severity), severity])
    beta = np.zeros(2)
    for _ in range(_STEPS):
        chance = 1.0 / (1.0 + np.exp(-np.clip(design @ beta, -30.0, 30.0)))
        gradient = design.T @ (detected - chance) - _RIDGE * beta
        curvature = (design * (chance * (1.0 - chance))[:, None]).T @ design
        step = np.linalg.solve(curvature + _RIDGE * np.eye(2), gradient)
        beta = beta + np.clip(step, -5.0, 5.0)
    return float(beta[0]), float(beta[1])


def severity_at(share: float, curve: tuple[float, float]) -> float | None:
    """Severity at which the curve reaches the share; None outside 0 to 1 or where it falls."""
    intercept, slope = curve
    if slope <= 0.0:
        return None
    severity = (np.log(share / (1.0 - share)) - intercept) / slope
    return float(severity) if 0.0 <= severity <= 1.0 else None
