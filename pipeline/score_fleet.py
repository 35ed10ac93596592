"""The scorecard of the judgement: what was said of a simulated fleet against what was so.

Takes the truth per test (`true_effects`, in order of time), assessments, states and strata as
frames, gives a `Scorecard`. A car is faulty by what its fault does to the readings: a fault
that moves nothing worth reporting is masked, and counted apart. The arithmetic is pure; running
a fleet is `fleet_trial`. Does not belong here: words (`fleet_score_text`), any judgement.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import polars as pl

from pipeline.detection_curves import Detection, alarm_share, detection_of
from pipeline.score_causes import CauseScore, score_causes
from pipeline.shares import Share
from pipeline.true_effects import AFFECTED, HEALTHY, MASKED

if TYPE_CHECKING:
    from pipeline.score_dropout import Dropout
    from pipeline.score_held_out import HeldOut
    from pipeline.score_rivals import RivalScore

ALARMS = ("finding", "far_beyond")
NO_RESPONSE = "not_assessable"
UNASSESSED_STATES = ("retest", "no verdict", "silent")
CALLED_STATES = ("service", "watch")
WARM_DUCT_K = 3.0
RECENT_TESTS = 3


@dataclass(frozen=True)
class MonthScore:
    """One month: healthy cars tested and assessed in it, and those of them in `service`.

    `right_service`: cars tested in it and in `service`, and those whose fault shows.
    """

    month: str
    false_service: Share
    right_service: Share


@dataclass(frozen=True)
class Precision:
    """Cars in `service`: `by_readings` the fault showed, `by_fault` there is one at all.

    `n_masked` of them have a fault that moves nothing worth reporting.
    """

    by_readings: Share
    by_fault: Share
    n_masked: int


@dataclass(frozen=True)
class WarmDuct:
    """Where a fault makes the duct 3 K warmer: detected of the judged tests, of all, of cars."""

    of_judged: Share
    of_all: Share
    of_cars: Share


@dataclass(frozen=True)
class Masked:
    """Tests of one fault in which it moved nothing: how many were called what."""

    fault: str
    n_in_band: int
    n_not_assessable: int
    n_alarms: int


@dataclass(frozen=True)
class Cell:
    """Tests of one fault on one architecture in one regime."""

    fault: str
    architecture: str
    regime: str
    detected: Share
    no_response: Share


@dataclass(frozen=True)
class Stratum:
    """Tests of one architecture in one regime: affected ones detected, healthy ones alarmed."""

    architecture: str
    regime: str
    detected: Share
    false_alarms: Share
    no_response: Share


@dataclass(frozen=True)
class Scorecard:
    """The whole scorecard of a fleet.

    `standings`: tests by standing; `states`: per state the number of healthy, masked and
    affected cars, as of the last day.
    """

    n_vehicles: int
    n_tests: int
    standings: dict[str, int]
    states: dict[str, tuple[int, int, int]]
    precision: Precision
    false_alarms: Share
    detected: Share
    no_response: Share
    warm_duct: WarmDuct
    detections: tuple[Detection, ...]
    masked: tuple[Masked, ...]
    strata: tuple[Stratum, ...]
    cells: tuple[Cell, ...]
    months: tuple[MonthScore, ...] = field(default=())
    causes: CauseScore | None = None
    held_out: HeldOut | None = None
    rivals: tuple[RivalScore, ...] = ()
    dropouts: tuple[Dropout, ...] = ()

    @property
    def car_months(self) -> Share:
        """Healthy cars in `service`, of the car-months in which one was tested and assessed."""
        return Share(
            sum(each.false_service.n_hits for each in self.months),
            sum(each.false_service.n_all for each in self.months),
        )

    @property
    def service_of_months(self) -> Share:
        """Cars in `service` at the end of a month in which they were tested whose fault shows."""
        return Share(
            sum(each.right_service.n_hits for each in self.months),
            sum(each.right_service.n_all for each in self.months),
        )


@dataclass(frozen=True)
class Judged:
    """What was said: ASSESSMENTS, STATES and CAUSES, and test_id, architecture, regime."""

    assessments: pl.DataFrame
    states: pl.DataFrame
    strata: pl.DataFrame
    causes: pl.DataFrame | None = None


def score_fleet(
    truth: pl.DataFrame, judged: Judged, months: tuple[MonthScore, ...] = ()
) -> Scorecard:
    """The scorecard of a judged fleet.

    Parameters
    ----------
    truth
        One row per test, in order of time: that of `true_effects`.
    judged
        Assessments, states and the strata of the tests.
    months
        From `score_month`, one per month looked at.
    """
    tests = with_what_was_said(truth, judged)
    cars = true_cars(truth, judged.states)
    by_standing = {name: tests.filter(standing=name) for name in (HEALTHY, AFFECTED, MASKED)}
    affected = by_standing[AFFECTED]
    return Scorecard(
        n_vehicles=judged.states.height,
        n_tests=tests.height,
        standings={name: part.height for name, part in by_standing.items()},
        states=_states(cars),
        precision=precision_of(cars),
        false_alarms=alarm_share(by_standing[HEALTHY]),
        detected=alarm_share(affected),
        no_response=_no_response(tests),
        warm_duct=_warm_duct(affected, cars),
        detections=tuple(
            detection_of(name, part, by_standing[MASKED].filter(fault=name).height)
            for name, part in _by(affected, "fault")
        ),
        masked=tuple(_masked(name, part) for name, part in _by(by_standing[MASKED], "fault")),
        strata=_strata(tests),
        cells=_cells(affected),
        months=months,
        causes=None if judged.causes is None else score_causes(judged.causes, truth),
    )


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
            pl.col("regime").fill_null("none read"),
            has_response=pl.col("verdict_code").ne_missing(NO_RESPONSE)
            & pl.col("verdict_code").is_not_null(),
            is_alarm=pl.col("verdict_code").is_in(ALARMS).fill_null(value=False),
        )
    )


def true_cars(truth: pl.DataFrame, states: pl.DataFrame) -> pl.DataFrame:
    """STATES with the truth of each car's latest test: standing, severity, duct_warmer_k.

    A fault that is masked in the latest test and showed in one of the three latest has shown.
    """
    latest = states.select("latest_test_id").with_row_index("car")
    order = truth.with_row_index("at").select("at", "test_id", "vehicle_id", "standing")
    ends = order.join(latest, left_on="test_id", right_on="latest_test_id")
    recent = (
        order.join(ends.select("vehicle_id", "car", pl.col("at").alias("end")), on="vehicle_id")
        .filter(pl.col("at") <= pl.col("end"))
        .sort("at", descending=True)
        .group_by("car", maintain_order=True)
        .head(RECENT_TESTS)
    )
    showed = recent.group_by("car").agg((pl.col("standing") == AFFECTED).any().alias("showed"))
    facts = truth.select("test_id", "standing", "severity", "duct_warmer_k")
    is_still_there = (pl.col("standing") == MASKED) & pl.col("showed")
    return (
        states.with_row_index("car")
        .join(facts, left_on="latest_test_id", right_on="test_id", maintain_order="left")
        .join(showed, on="car", maintain_order="left")
        .with_columns(
            pl.when(is_still_there).then(pl.lit(AFFECTED)).otherwise("standing").alias("standing")
        )
        .drop("car", "showed")
    )


def precision_of(cars: pl.DataFrame) -> Precision:
    """The precision of `service` over cars with their truth."""
    called = cars.filter(state="service")
    return Precision(
        Share(called.filter(standing=AFFECTED).height, called.height),
        Share(called.filter(pl.col("severity") > 0.0).height, called.height),
        called.filter(standing=MASKED).height,
    )


def score_month(month: str, truth: pl.DataFrame, states: pl.DataFrame) -> MonthScore:
    """Healthy cars whose latest test lies in the month (as 2026-07), and those in `service`."""
    now = states.filter(pl.col("latest_tested_at").dt.strftime("%Y-%m") == month)
    cars = true_cars(truth, now)
    assessed = cars.filter(pl.col("standing") == HEALTHY, ~pl.col("state").is_in(UNASSESSED_STATES))
    false_service = Share(assessed.filter(state="service").height, assessed.height)
    return MonthScore(month, false_service, precision_of(cars).by_readings)


def _by(tests: pl.DataFrame, column: str) -> list[tuple[str, pl.DataFrame]]:
    names = sorted(tests[column].drop_nulls().unique().to_list())
    return [(name, tests.filter(pl.col(column) == name)) for name in names]


def _no_response(tests: pl.DataFrame) -> Share:
    return Share(tests.filter(~pl.col("has_response")).height, tests.height)


def _states(cars: pl.DataFrame) -> dict[str, tuple[int, int, int]]:
    return {
        state: (
            part.filter(standing=HEALTHY).height,
            part.filter(standing=MASKED).height,
            part.filter(standing=AFFECTED).height,
        )
        for state, part in _by(cars, "state")
    }


def _warm_duct(affected: pl.DataFrame, cars: pl.DataFrame) -> WarmDuct:
    warm = affected.filter(pl.col("duct_warmer_k") >= WARM_DUCT_K)
    warm_cars = cars.filter(pl.col("duct_warmer_k") >= WARM_DUCT_K, standing=AFFECTED)
    return WarmDuct(
        alarm_share(warm),
        Share(warm.filter("is_alarm").height, warm.height),
        Share(warm_cars.filter(pl.col("state").is_in(CALLED_STATES)).height, warm_cars.height),
    )


def _masked(fault: str, tests: pl.DataFrame) -> Masked:
    n_alarms = tests.filter("is_alarm").height
    n_silent = tests.filter(~pl.col("has_response")).height
    return Masked(fault, tests.height - n_alarms - n_silent, n_silent, n_alarms)


def _strata(tests: pl.DataFrame) -> tuple[Stratum, ...]:
    return tuple(
        Stratum(
            architecture,
            regime,
            alarm_share(part.filter(standing=AFFECTED)),
            alarm_share(part.filter(standing=HEALTHY)),
            _no_response(part),
        )
        for architecture, of_it in _by(tests, "architecture")
        for regime, part in _by(of_it, "regime")
    )


def _cells(affected: pl.DataFrame) -> tuple[Cell, ...]:
    return tuple(
        Cell(fault, architecture, regime, alarm_share(part), _no_response(part))
        for fault, of_fault in _by(affected, "fault")
        for architecture, of_it in _by(of_fault, "architecture")
        for regime, part in _by(of_it, "regime")
    )
