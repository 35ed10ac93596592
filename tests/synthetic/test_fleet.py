"""The fleet over years: shares, seasons, workshops, and comebacks that follow from physics."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from synthetic.car_models import MODELS
from synthetic.climate import cooling_degrees_k, site_pressure_kpa, weather
from synthetic.fittings import MISHAPS
from synthetic.fleet import FleetSize, plan_fleet
from synthetic.planned_tests import Habits
from synthetic.scenario import INSTRUMENTS, SITE, SITES

SIZE = FleetSize(1200, 3600, years=5, n_models=10)


@pytest.fixture(scope="module")
def fleet():
    return plan_fleet(np.random.default_rng(11), SIZE)


def _days(frame, column):
    return frame[column].str.slice(0, 10).str.to_date()


def test_screening_finds_about_the_published_shares(fleet):
    screened = fleet.tests.filter(purpose="screening")
    # starting priors for screening of cars without complaint: none .85, low charge .08
    assert (screened["true_fault"] == "none").mean() == pytest.approx(0.85, abs=0.05)
    assert (screened["true_fault"] == "undercharge").mean() == pytest.approx(0.08, abs=0.04)


def test_complaints_have_the_published_order(fleet):
    came = fleet.tests.filter(pl.col("purpose").is_in(["before_repair", "claim", "complaint"]))
    shares = dict(came["true_fault"].value_counts(normalize=True).iter_rows())
    # low charge is behind about half of all complaints [US shop field study 2016: 53 %],
    # and no other kind comes near it
    assert 0.3 < shares["undercharge"] < 0.65
    others = [share for kind, share in shares.items() if kind not in {"undercharge", "none"}]
    assert max(others) < shares["undercharge"] / 2


def test_ten_architectures_of_two_refrigerants():
    kinds = {
        (m.refrigerant, m.compressor, m.control_target, m.expansion_device,
         m.internal_heat_exchanger, m.rear_evaporator)
        for m in MODELS
    }  # fmt: skip
    assert len(kinds) >= 8
    assert {m.refrigerant for m in MODELS} == {"R134a", "R1234yf"}
    assert {m.compressor for m in MODELS} == {
        "fixed_clutch", "variable_internal", "variable_external", "electric",
    }  # fmt: skip
    assert {m.expansion_device for m in MODELS} == {"txv", "orifice_tube", "electronic"}
    assert {m.control_target for m in MODELS} == {
        None, "suction_pressure", "evaporator_temperature", "flow",
    }  # fmt: skip
    assert sum(model.fleet_share for model in MODELS[:5]) == pytest.approx(1.0)
    assert len({each.dialect for each in INSTRUMENTS}) == 4


def test_a_leak_left_in_comes_back_and_a_repaired_one_does_not(fleet):
    filled = fleet.repairs.with_columns(day=_days(fleet.repairs, "performed_at")).filter(
        pl.col("true_fault_before") == "undercharge",
        pl.col("action").is_in(["recharge", "leak_repair"]),
    )
    early = filled.filter(pl.col("day") < date(2025, 9, 1))
    later = filled.select("vehicle_id", again="day")
    joined = early.join(later, on="vehicle_id").filter(pl.col("again") > pl.col("day"))
    back = early.with_columns(comes_back=pl.col("repair_id").is_in(joined["repair_id"].to_list()))
    left_in = back.filter(pl.col("true_leak_left_g_per_year") > 0)["comes_back"]
    tight = back.filter(pl.col("true_leak_left_g_per_year") == 0)["comes_back"]
    assert len(left_in) >= 30
    assert len(tight) >= 30
    assert left_in.mean() > 3 * tight.mean()


def test_comebacks_wait_for_the_hot_season(fleet):
    months = _days(fleet.repairs, "performed_at").dt.month()
    assert not months.is_in([12, 1, 2]).any()
    hot = months.is_in([6, 7, 8]).mean()
    assert hot > 0.6


def test_bad_workshops_show_in_what_they_leave(fleet):
    shops = fleet.repairs.group_by("shop_id").agg(
        cured=pl.col("true_cured").mean(),
    )
    leaking = fleet.repairs.filter(true_fault_before="undercharge")
    left = dict(
        leaking.group_by("shop_id")
        .agg(pl.col("true_leak_left_g_per_year").gt(0).mean())
        .iter_rows()
    )
    assert left["new_ferry"] > 3 * left["old_mill"]
    by_shop = {row["shop_id"]: row for row in shops.iter_rows(named=True)}
    assert by_shop["old_mill"]["cured"] > by_shop["low_quay"]["cured"] - 0.1
    assert by_shop["old_mill"]["cured"] > by_shop["new_ferry"]["cured"] + 0.2
    filled = fleet.repairs.filter(pl.col("charged_g").is_not_null())
    nominal = {model.model_id: model.charge_g for model in MODELS}
    share = filled.join(fleet.vehicles.select("vehicle_id", "model_id"), on="vehicle_id").select(
        "shop_id",
        share=pl.col("true_charge_after_g") / pl.col("model_id").replace_strict(nominal),
    )
    mean = dict(share.group_by("shop_id").agg(pl.col("share").mean()).iter_rows())
    assert mean["dry_basin"] == pytest.approx(1.10, abs=0.03)
    assert mean["low_quay"] == pytest.approx(1.0, abs=0.02)


def test_retests_are_skipped_more_where_discipline_is_low(fleet):
    tested = set(fleet.tests.filter(purpose="after_repair")["repair_id"])
    rate = fleet.repairs.with_columns(
        is_tested=pl.col("repair_id").is_in(list(tested))
    ).group_by("shop_id").agg(pl.col("is_tested").mean())  # fmt: skip
    by_shop = dict(rate.iter_rows())
    assert by_shop["old_mill"] > by_shop["mid_plain"] > by_shop["new_ferry"]


def test_claims_reach_the_books_days_to_weeks_later(fleet):
    claims = fleet.repairs.filter(pl.col("claim_id").is_not_null())
    assert 20 < claims.height < fleet.repairs.height
    lag = (claims["reported_at"].str.to_date() - _days(claims, "performed_at")).dt.total_days()
    assert lag.min() >= 3
    assert 14 < lag.median() < 60
    sold = claims.join(fleet.vehicles.select("vehicle_id", "in_service_date"), on="vehicle_id")
    age = (_days(sold, "performed_at") - sold["in_service_date"]).dt.total_days()
    assert age.max() <= 36 * 30.5


def test_cars_enter_late_and_some_are_lost_from_sight(fleet):
    first, last = SIZE.window
    assert fleet.vehicles.filter(pl.col("in_service_date") > first).height > 100
    gone = fleet.vehicles.filter(pl.col("last_seen_date") < last - timedelta(days=500))
    assert gone.height > 30
    tests = fleet.tests.join(fleet.vehicles, on="vehicle_id")
    assert (_days(tests, "started_at") >= tests["in_service_date"]).all()
    assert (_days(tests, "started_at") <= tests["last_seen_date"]).all()
    assert fleet.tests.height == SIZE.tests


def test_bad_batches_are_confined_to_their_months(fleet):
    batches = fleet.vehicles.filter(pl.col("true_batch_id").is_not_null())
    assert batches.height > 10
    spans = batches.group_by("true_batch_id").agg(
        pl.col("build_date").min().alias("first"),
        pl.col("build_date").max().alias("last"),
        pl.col("model_id").n_unique(),
    )
    assert (spans["model_id"] == 1).all()
    assert ((spans["last"] - spans["first"]).dt.total_days() <= 124).all()


def test_mishaps_come_at_the_stated_share():
    plan = plan_fleet(np.random.default_rng(3), FleetSize(600, 2400, habits=Habits(0.05)))
    mishaps = plan.tests.filter(pl.col("true_mishap") != "none")
    assert mishaps.height / plan.tests.height == pytest.approx(0.05, abs=0.015)
    assert set(mishaps["true_mishap"]) == set(MISHAPS)
    none = plan_fleet(np.random.default_rng(3), FleetSize(30, 90, habits=Habits(0.0)))
    assert none.tests["true_mishap"].unique().to_list() == ["none"]


def test_a_fleet_with_nothing_wrong_has_no_faults():
    plan = plan_fleet(np.random.default_rng(3), FleetSize(60, 120, faulty_share=0.0))
    # a needless refill may still leave too much or air in
    refilled = plan.repairs["vehicle_id"].to_list()
    others = plan.tests.filter(~pl.col("vehicle_id").is_in(refilled))
    assert others["true_fault"].unique().to_list() == ["none"]
    assert plan.vehicles["true_batch_id"].null_count() == 60


def test_summers_are_warm_and_basins_dry():
    rng = np.random.default_rng(1)
    noon = [weather(rng, SITE["dry_basin"], date(2026, 7, 20), 15.0) for _ in range(200)]
    spring = [weather(rng, SITE["dry_basin"], date(2026, 4, 22), 9.0) for _ in range(200)]
    shore = [weather(rng, SITE["low_quay"], date(2026, 7, 20), 15.0) for _ in range(200)]
    assert np.mean([w["true_ambient_c"] for w in noon]) > 10 + np.mean(
        [w["true_ambient_c"] for w in spring]
    )
    damp = "true_ambient_humidity_pct"
    assert np.mean([w[damp] for w in shore]) > 15 + np.mean([w[damp] for w in noon])
    assert cooling_degrees_k(SITES[0], date(2026, 1, 15)) == 0.0


@pytest.mark.parametrize(("altitude_m", "expected_kpa"), [(0, 101.325), (1e3, 89.87), (2e3, 79.49)])
def test_air_gets_thinner_with_height(altitude_m, expected_kpa):
    # U.S. Standard Atmosphere 1976, table values, from memory
    assert site_pressure_kpa(altitude_m) == pytest.approx(expected_kpa, rel=0.003)
