"""Claims of cohorts: bad ones are warned of, sound ones, seasons and late reports are not."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest
from scipy.stats import binom

from models.claim_cohorts import cohort_claims, known_claims
from models.claim_expectation import Followed, expect_claims, reported_by
from models.early_warning import find_claim_warnings, ratio_interval
from models.recurrence.settings import RecurrenceSettings
from models.settings import AssessmentSettings
from tests.studies.early_warning import (
    Plan,
    bad_months,
    false_warnings,
    held_against,
    records_of,
    simulate,
    wald_claims,
)

AS_OF = datetime(2026, 1, 1, tzinfo=UTC)
SETTINGS = AssessmentSettings(watched_cohorts=["build_month"])
FLEET = RecurrenceSettings(registered_cars="fleet")
BAD_MONTH, BAD = 14, "2023-03"


@pytest.fixture(scope="module")
def years():
    return simulate(11, Plan(), BAD_MONTH)


@pytest.fixture(scope="module")
def found(years):
    return find_claim_warnings(records_of(years), SETTINGS, FLEET, AS_OF)


def test_a_bad_month_is_warned_of_and_its_row_adds_up(years, found):
    row = found.filter(cohort=BAD).to_dicts()[0]
    built = years.vehicles.filter(pl.col("build_date").dt.strftime("%Y-%m") == BAD)
    assert row["state_code"] == "warned"
    assert row["n_vehicles"] == built.height
    assert row["warned_at"] <= AS_OF
    assert 3 <= row["warned_at_claim"] <= row["n_claims"]
    assert row["ratio_low"] < 3.0 < row["ratio_high"]
    assert row["shrunken_ratio"] < row["ratio"]
    assert f"the {row['warned_at_claim']}" in row["sentence"]
    assert "not a proven defect" in row["sentence"]


def test_expected_claims_of_sound_months_are_those_that_came(found):
    sound = found.filter(pl.col("cohort") != BAD)
    claims, due = sound["n_claims"].sum(), sound["expected_claims"].sum()
    assert claims == pytest.approx(due, abs=3 * np.sqrt(due))
    # the chance of each: as many above as below, none far off
    off = (sound["n_claims"] - sound["expected_claims"]) / sound["expected_claims"].sqrt()
    assert abs(off.mean()) < 0.6
    assert off.abs().max() < 4.5


def test_the_own_claims_of_a_cohort_do_not_change_what_is_expected_of_it(years):
    vehicles = years.vehicles.filter(pl.col("build_date").dt.strftime("%Y-%m") == BAD)
    own = pl.col("vehicle_id").is_in(vehicles["vehicle_id"].implode())
    fewer = replace(records_of(years), repairs=years.repairs.filter(~own))
    row, alone = (
        find_claim_warnings(r, SETTINGS, FLEET, AS_OF).filter(cohort=BAD).to_dicts()[0]
        for r in (records_of(years), fewer)
    )
    # the law of reporting delays is that of all claims: 30 of 700 move it a little
    assert alone["expected_claims"] == pytest.approx(row["expected_claims"], rel=0.01)
    assert alone["n_claims"] == 0


def test_nothing_is_known_of_the_future_and_order_does_not_matter(years, found):
    now = records_of(years)
    past = replace(now, repairs=now.repairs.filter(pl.col("reported_at") <= AS_OF))
    assert find_claim_warnings(past, SETTINGS, FLEET, AS_OF).equals(found)
    mixed = replace(
        now,
        vehicles=now.vehicles.sample(fraction=1.0, shuffle=True, seed=1),
        repairs=now.repairs.sample(fraction=1.0, shuffle=True, seed=2),
    )
    again = find_claim_warnings(mixed, SETTINGS, FLEET, AS_OF)
    assert again.drop(pl.selectors.float()).equals(found.drop(pl.selectors.float()))


def test_cars_that_only_came_to_a_shop_give_no_rate(years):
    presented = RecurrenceSettings(registered_cars="presented")
    none = replace(records_of(years), volumes=years.volumes.clear())
    assert find_claim_warnings(none, SETTINGS, presented, AS_OF).is_empty()
    assert find_claim_warnings(
        replace(none, repairs=none.repairs.clear()), SETTINGS, FLEET, AS_OF
    ).is_empty()


def test_few_claims_of_others_are_too_few(years):
    early = find_claim_warnings(
        records_of(years), SETTINGS, FLEET, datetime(2022, 8, 1, tzinfo=UTC)
    )
    assert set(early["state_code"]) <= {"too_few"}
    assert early["sentence"].str.contains("too few to say anything").all()


def test_a_hot_summer_is_nobodys_fault():
    # 12 cohorts, one age curve, claims threefold in months 20 to 22: expected of each as it came
    rng = np.random.default_rng(3)
    exposure = np.zeros((12, 36, 40))
    for cohort in range(12):
        for age in range(36):
            if cohort + age < 40:
                exposure[cohort, age, cohort + age] = 400.0
    season = np.where((np.arange(40) >= 20) & (np.arange(40) <= 22), 3.0, 1.0)
    claims = rng.poisson(exposure * 0.004 * season).astype(float)
    expected = expect_claims(Followed(exposure, claims), np.ones(1), np.ones(12))
    assert expected.by_month[:, 20:23].sum() == pytest.approx(
        claims.sum(axis=1)[:, 20:23].sum(), rel=0.15
    )
    assert (expected.certainty > 20).all()


def test_late_reports_are_allowed_for():
    # a tenth of the claims is reported in the month, half by the next, all by the third
    share = np.array([0.1, 0.5, 1.0])
    told = reported_by(share, np.array([[10.0, 10.0, 10.0, 10.0]]))
    assert told.tolist() == [[1.0, 6.0, 16.0, 26.0]]


def test_share_of_reports_month_by_month(years):
    claims = known_claims(records_of(years), FLEET, AS_OF.date())
    assert (np.diff(claims.reported) >= 0).all()
    # gamma delays of mean 18 days and shape 1.3: of a month's claims two thirds are reported
    # in it (counted)
    rng = np.random.default_rng(1)
    drawn = rng.uniform(0, 30.44, 200_000) + rng.gamma(1.3, 18 / 1.3, 200_000)
    assert claims.reported[0] == pytest.approx((drawn < 30.44).mean(), abs=0.04)
    each = next(cohort_claims(claims, 36, ("build_month",)))
    assert sum(map(len, each.reports)) == each.followed.claims.sum()


def test_interval_of_the_ratio():
    # 10 claims, 5 for certain expected: exact Poisson limits are 5.43/5 and 16.96/5 (Garwood
    # 1936, 90 %, from memory); the interval from 10.5 lies a little inside
    low, high = ratio_interval(10, 5.0, 1e7)
    assert 5.43 / 5 < low < 6.2 / 5
    assert 16.0 / 5 < high < 16.96 / 5
    wider = ratio_interval(10, 5.0, 10.0)
    assert wider[0] < low < high < wider[1]
    assert ratio_interval(0, 0.0, 10.0) == (None, None)


def _shuffled_build_months(seed: int) -> int:
    years = simulate(700 + seed, Plan(), BAD_MONTH)
    order = np.random.default_rng(seed).permutation(years.vehicles.height)
    # service must follow the build: both dates move together, claims stay with their car's age
    dates = ["build_date", "in_service_date"]
    mixed = years.vehicles.with_columns(years.vehicles.select(dates)[order])
    shift = mixed.select(
        "vehicle_id",
        moved=pl.col("in_service_date") - years.vehicles["in_service_date"],
    )
    repairs = years.repairs.join(shift, on="vehicle_id", maintain_order="left").with_columns(
        pl.col("performed_at", "reported_at") + pl.col("moved")
    )
    records = replace(records_of(years), vehicles=mixed, repairs=repairs.drop("moved"))
    warned = find_claim_warnings(records, SETTINGS, FLEET, datetime(2028, 1, 1, tzinfo=UTC))
    return warned.filter(state_code="warned").height


def test_shuffled_build_months_stand_out_no_more_often_than_stated():
    # 8 fleets of 36 months at 1 %
    n = sum(_shuffled_build_months(k) for k in range(8))
    assert n <= binom.ppf(0.999, 8 * 36, 0.01)


def test_bad_months_are_found_in_short():
    found = bad_months(21, 1, Plan())
    assert np.isfinite(found).all()
    assert (found <= 30).all()


@pytest.mark.slow
def test_bad_months_need_hardly_more_claims_than_wald():
    plan = Plan()
    found = held_against(bad_months(31, 100, plan), wald_claims(0.01, plan), 0.0)
    print(found)  # noqa: T201 - the figures
    assert found.is_soon
    assert found.is_soon_on_average


@pytest.mark.slow
def test_false_warnings_keep_to_the_budget():
    warned, followed = false_warnings(31, 60, Plan())
    print(f"sound months warned of: {warned} of {followed}")  # noqa: T201 - the figure
    assert warned <= binom.ppf(0.999, followed, 0.01)


@pytest.mark.slow
def test_shuffled_build_months_in_many_fleets():
    n = sum(_shuffled_build_months(k) for k in range(200))
    print(f"shuffled build months warned of: {n} of {200 * 36}")  # noqa: T201 - the figure
    assert n <= binom.ppf(0.999, 200 * 36, 0.01)


def test_dates_not_known_are_left_out(years):
    now = records_of(years)
    undated = replace(
        now, vehicles=now.vehicles.with_columns(in_service_date=pl.lit(None, pl.Date))
    )
    assert find_claim_warnings(undated, SETTINGS, FLEET, AS_OF).is_empty()
