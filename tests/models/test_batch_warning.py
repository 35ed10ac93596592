"""Batches by their tests: those that stray are found, mere names are not."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy.stats import binom, mannwhitneyu

from models.batch_warning import batch_chance, find_batch_warnings
from models.early_warning_words import WITHIN_RESERVE
from models.settings import AssessmentSettings
from tests.models.invented_batches import Plan, invent, shuffled

SETTINGS = AssessmentSettings()
SUBCOOLING = "condenser_outlet_subcooling_k"
EMPTY_RECEIVERS = {SUBCOOLING: -4.0, "expansion_inlet_subcooling_k": -3.0}


def _warned(invented, records=None):
    found = find_batch_warnings(invented.residuals, records or invented.records, SETTINGS)
    return found.filter(state_code="warned")


def test_rank_sum_is_that_of_scipy():
    rng = np.random.default_rng(1)
    values = np.round(rng.normal(size=60), 1)
    inside = np.arange(60) < 20
    values[inside] += 1.0
    oracle = mannwhitneyu(values[inside], values[~inside], method="asymptotic").pvalue
    # twice, for the second test beside it
    assert batch_chance(values, inside)[0] == pytest.approx(2 * oracle, rel=1e-6)


def test_a_batch_that_strays_is_found_and_told_with_its_size():
    invented = invent(1, Plan(n_bad=40, shift=EMPTY_RECEIVERS))
    warned = _warned(invented).filter(feature=SUBCOOLING)
    assert warned["cohort"].is_in(["2024-06", "2024-07", "2024-08"]).any()
    row = warned.sort("p_value").to_dicts()[0]
    assert row["shift_low"] < -4.0 < row["shift_high"] or row["shift"] == pytest.approx(-4, abs=1)
    assert "spreads lower than in other cars of the model" in row["sentence"]
    assert "not a proven defect" in row["sentence"]


@pytest.mark.parametrize("shift", [0.0, 0.7, 1.5, 3.0])
def test_larger_shifts_are_surer(shift):
    shift_of = [
        _chance(invent(2, Plan(n_bad=40, shift={SUBCOOLING: -by}))) for by in (shift, shift + 0.7)
    ]
    assert shift_of[1] <= shift_of[0]


def _chance(invented):
    found = find_batch_warnings(invented.residuals, invented.records, SETTINGS)
    return found.filter(feature=SUBCOOLING, kind_code="build_month")["p_value"].min()


def test_some_of_a_batch_are_found_too():
    # four of thirteen cars far off: the batch as a whole is hardly shifted
    values = np.random.default_rng(3).normal(size=200)
    inside = np.arange(200) < 13
    values[:4] = 6.0
    values[4:8] -= 0.7
    plain = mannwhitneyu(values[inside], values[~inside]).pvalue
    values[:6] = 6.0
    assert batch_chance(values, inside)[0] < 0.01 < plain


def test_an_instrument_that_reads_off_makes_no_bad_batch():
    # shop 0 reads 3 spreads high and tested all cars of one month
    invented = invent(4, Plan(bad_site={SUBCOOLING: 3.0}))
    in_month = invented.records.vehicles.filter(
        pl.col("build_date").dt.strftime("%Y-%m") == "2024-03"
    )["vehicle_id"]
    tests = invented.records.tests
    shop = tests.filter(site_id="s0")["vehicle_id"]
    residuals = invented.residuals.with_columns(
        pl.when(
            pl.col("vehicle_id").is_in(in_month.implode())
            & ~pl.col("vehicle_id").is_in(shop.implode())
            & (pl.col("feature") == SUBCOOLING)
        )
        .then(pl.col("z") + 3.0)
        .otherwise("z")
        .alias("z")
    )
    at_shop = pl.when(pl.col("vehicle_id").is_in(in_month.implode())).then(pl.lit("s0"))
    moved = type(invented.records)(
        **{
            **vars(invented.records),
            "tests": tests.with_columns(at_shop.otherwise("site_id").alias("site_id")),
        }
    )
    found = find_batch_warnings(residuals, moved, SETTINGS)
    row = found.filter(kind_code="build_month", cohort="2024-03", feature=SUBCOOLING)
    assert row["shift"][0] > 1.5
    assert row["state_code"][0] != "warned"


def test_a_car_tested_often_votes_once():
    invented = invent(5, Plan())
    one = invented.residuals["vehicle_id"][0]
    again = invented.residuals.filter(vehicle_id=one).with_columns(test_id=pl.lit("again"))
    context = invented.records.tests
    repeated = context.filter(vehicle_id=one).with_columns(test_id=pl.lit("again"))
    tests = pl.concat([context, repeated])
    records = type(invented.records)(**{**vars(invented.records), "tests": tests})
    before = find_batch_warnings(invented.residuals, invented.records, SETTINGS)
    after = find_batch_warnings(pl.concat([invented.residuals, again]), records, SETTINGS)
    assert after.drop("n_tests").equals(before.drop("n_tests"))
    assert after["n_tests"].sum() > before["n_tests"].sum()


def test_small_batches_are_too_few_and_nothing_gives_nothing():
    invented = invent(6, Plan(n_cars=30))
    found = find_batch_warnings(invented.residuals, invented.records, SETTINGS)
    small = found.filter(pl.col("n_vehicles") < 8)
    assert small.height
    assert (small["state_code"] == "too_few").all()
    assert small["p_value"].is_null().all()
    assert find_batch_warnings(invented.residuals.clear(), invented.records, SETTINGS).is_empty()


def test_what_cannot_be_seen_is_said():
    invented = invent(7, Plan())
    found = find_batch_warnings(invented.residuals, invented.records, SETTINGS)
    quiet = found.filter(feature=SUBCOOLING, state_code="quiet")
    assert quiet.height
    assert quiet["sentence"].str.contains(WITHIN_RESERVE, literal=True).all()


def _mere_names(n: int) -> int:
    hits = 0
    for number in range(n):
        # a bad batch is there, but nobody knows who is in it
        plan = Plan(n_bad=20, shift=EMPTY_RECEIVERS)
        invented = invent(1000 + number, plan)
        hits += _warned(invented, shuffled(invented.records, number)).height > 0
    return hits


def test_shuffled_labels_stand_out_no_more_often_than_stated():
    # 12 fleets at 5 %: 1 in 1,000 has more than 4
    assert _mere_names(12) <= binom.ppf(0.999, 12, SETTINGS.batch_error_rate)


@pytest.mark.slow
def test_shuffled_labels_in_a_thousand_fleets():
    hits = _mere_names(1000)
    print(f"shuffled batches: warned of in {hits} of 1,000 fleets")  # noqa: T201 - the figure
    assert hits <= binom.ppf(0.999, 1000, SETTINGS.batch_error_rate)
