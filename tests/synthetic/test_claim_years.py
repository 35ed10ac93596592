"""The simulated claim histories: lives as ordered, frames as the registry has them."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import polars as pl
import pytest
from scipy.stats import kstest, weibull_min

from pipeline.registry_tables import REGISTRY_TABLES
from synthetic.claim_order import BadLot, Batch, ClaimOrder, Component
from synthetic.claim_years import simulate_claim_years

_AS_OF = date(2026, 1, 1)


def _order(**changes):
    stated = {"n_vehicles": 4000, "seed": 1, "leaving_per_year": 0.0}
    return ClaimOrder(**(stated | changes))


def _first_lives(years, component):
    of_it = (pl.col("component") == component) & (pl.col("failure_number") == 1)
    return years.failures.filter(of_it)["months_in_service"].to_numpy()


def test_frames_are_those_of_the_registry():
    years = simulate_claim_years(_order())
    for name in ("vehicles", "repairs", "volumes", "models"):
        frame, table = getattr(years, name), REGISTRY_TABLES[name]
        assert table.conform(frame).height == frame.height > 0
        assert all(frame.schema[column] == table.schema[column] for column in frame.columns)
    for name in ("vehicle_id", "repair_id"):
        frame = years.vehicles if name == "vehicle_id" else years.repairs
        assert frame[name].is_unique().all()
    assert years.volumes["vehicles_built"].sum() == years.vehicles.height


def test_first_lives_follow_the_weibull_law_that_was_ordered():
    component = Component("fan", 1.7, 6.0)
    years = simulate_claim_years(_order(components=(component,), last_build=date(2022, 6, 1)))
    # three years and more after: (36/6)^1.7 leaves exp(-21) of the cars without a failure
    lives = _first_lives(years, "fan")
    assert lives.size == 4000
    assert kstest(lives, weibull_min(1.7, scale=6.0).cdf).pvalue > 1e-4


def test_repeat_failures_of_one_hazard_add_up_to_its_integral():
    component = Component("fan", 1.5, 10.0, remedy="as_before")
    years = simulate_claim_years(_order(components=(component,), vehicle_variation=0.7))
    ages = years.failures["months_in_service"].to_numpy()
    expected = 4000 * (12.0 / 10.0) ** 1.5
    # variance of a mixed Poisson count: mean + 0.7 mean^2 per car
    mean = (12.0 / 10.0) ** 1.5
    deviation = np.sqrt(4000 * (mean + 0.7 * mean**2))
    assert abs((ages <= 12.0).sum() - expected) < 4 * deviation


def test_a_bad_batch_fails_as_much_more_often_as_ordered_and_only_it():
    batch = Batch("fan", date(2022, 3, 1), date(2022, 4, 30), hazard_factor=3.0)
    years = simulate_claim_years(
        _order(n_vehicles=40_000, components=(Component("fan", 1.0, 100.0),), batches=(batch,))
    )
    early = years.failures.filter(
        (pl.col("months_in_service") < 6.0) & (pl.col("failure_number") == 1)
    ).join(years.vehicles.select("vehicle_id", "build_date"), on="vehicle_id")
    is_bad = pl.col("build_date").is_between(batch.first_build, batch.last_build)
    share = {
        name: early.filter(kind).height / years.vehicles.filter(kind).height
        for name, kind in (("bad", is_bad), ("good", ~is_bad))
    }
    assert share["good"] == pytest.approx(1 - np.exp(-0.06), abs=0.006)
    assert share["bad"] == pytest.approx(1 - np.exp(-0.18), abs=0.03)


def test_a_defect_strikes_its_share_of_the_batch():
    batch = Batch("fan", date(2022, 1, 1), date(2022, 12, 31), defective_share=0.2)
    years = simulate_claim_years(
        _order(n_vehicles=20_000, components=(Component("fan", 2.0, 4000.0),), batches=(batch,))
    )
    cars = years.vehicles.filter(pl.col("build_date") <= batch.last_build).height
    assert years.failures["is_defect"].sum() == pytest.approx(0.2 * cars, rel=0.1)


def test_lives_count_in_km_and_in_degree_days_where_ordered():
    parts = (Component("fan", 3.0, 60_000.0, "km"), Component("seal", 3.0, 900.0, "cooling"))
    years = simulate_claim_years(_order(components=parts))
    months = years.failures.with_columns(pl.col("failed_at").dt.month().alias("month"))
    seals = months.filter(pl.col("component") == "seal")
    assert seals.height > 500
    # the regions reach 18 degC between April and October only
    assert seals["month"].is_between(4, 10).all()
    assert months.filter(pl.col("component") == "fan")["month"].n_unique() == 12
    distance = years.failures.join(years.truth_vehicles, on="vehicle_id").filter(
        (pl.col("component") == "fan") & (pl.col("failure_number") == 1)
    )
    km = distance["months_in_service"] * (365.25 / 12) * distance["km_per_day"]
    assert km.median() < 60_000 * np.log(2) ** (1 / 3) * 1.05


def test_files_hold_what_was_reported_by_their_day_and_the_truth_goes_on():
    order = _order(lag_days=60.0, follow_until=date(2027, 1, 1), records_from=date(2023, 1, 1))
    years = simulate_claim_years(order)
    as_of = datetime(2026, 1, 1, tzinfo=UTC)
    assert years.repairs["reported_at"].max() <= as_of
    assert years.repairs["performed_at"].min() >= datetime(2023, 1, 1, tzinfo=UTC)
    assert years.failures["performed_at"].max() > as_of
    late = years.failures.filter(
        (pl.col("performed_at") <= as_of) & (pl.col("reported_at") > as_of)
    )
    assert late.height > 0
    lag = years.failures["reported_at"] - years.failures["performed_at"]
    assert lag.mean().total_seconds() / 86400 == pytest.approx(60.0, rel=0.1)


def test_cars_that_left_are_seen_no_more_and_fail_no_more():
    years = simulate_claim_years(_order(leaving_per_year=0.3))
    seen = years.vehicles["last_seen_date"].drop_nulls()
    assert (seen < _AS_OF).mean() > 0.3
    late = years.repairs.join(years.vehicles, on="vehicle_id").filter(
        pl.col("performed_at").dt.date() > pl.col("last_seen_date")
    )
    assert late.height == 0


def test_parts_of_a_bad_lot_fail_again_sooner():
    part = Component("fan", 1.0, 20.0)
    years = simulate_claim_years(
        _order(components=(part,), bad_lots=(BadLot("fan", "lot_3", 4.0),), lag_days=0.0)
    )
    again = years.repairs.sort("vehicle_id", "performed_at").with_columns(
        (pl.col("performed_at").shift(-1) - pl.col("performed_at"))
        .over("vehicle_id")
        .alias("held_for")
    )
    held = again.drop_nulls("held_for").group_by(pl.col("part_lot") == "lot_3").len()
    counts = dict(held.iter_rows())
    assert counts[True] > 1.5 * counts[False] / 11


def test_cold_failures_wait_for_a_warm_day():
    years = simulate_claim_years(_order(noticed_when_warm=True))
    assert years.repairs["performed_at"].dt.month().is_in([12, 1, 2]).sum() == 0


def test_the_same_order_gives_the_same_frames_and_another_seed_others():
    once, again = (simulate_claim_years(_order()) for _ in range(2))
    assert once.repairs.equals(again.repairs)
    assert once.vehicles.equals(again.vehicles)
    assert not once.repairs.equals(simulate_claim_years(_order(seed=2)).repairs)
