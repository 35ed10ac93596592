"""Estimators against published figures and worked examples."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.stats import poisson

from models.recurrence.contrasts import Exposed, contrast_means, contrast_rates
from models.recurrence.defects import Ages, fit_defects
from models.recurrence.heterogeneity import (
    extra_variation,
    gaps_differ,
    laplace_trend,
)
from models.recurrence.mean_cumulative import mean_cumulative_of_ages
from models.recurrence.product_limit import product_limit, risk_table
from models.recurrence.weibull import counts_of_ages, fit_weibull

# Failures of air-conditioning equipment of 14 aircraft, hours between failures: Proschan,
# Technometrics 5 (1963) 375; as in the tests of scipy's anderson_ksamp.
AIRCRAFT = [
    np.array(hours.split(), dtype=float)
    for hours in (
        "194 15 41 29 33 181",
        "413 14 58 37 100 65 9 169 447 184 36 201 118",
        "34 31 18 18 67 57 62 7 22 34",
        "90 10 60 186 61 49 14 24 56 20 79 84 44 59 29 118 25 156 310 76 26 44 23 62",
        "130 208 70 101 208",
        "74 57 48 29 502 12 70 21 29 386 59 27",
        "55 320 56 104 220 239 47 246 176 182 33",
        (
            "23 261 87 7 120 14 62 47 225 71 246 21 42 20 5 12 120 11 3 14 71 11 14 11 16"
            " 90 1 16 52 95"
        ),
        "97 51 11 4 141 18 142 68 77 80 1 16 106 206 82 54 31 216 46 111 39 63 18 191 18 163 24",
        "50 44 102 72 22 39 3 15 197 188 79 88 46 5 5 36 22 139 210 97 30 23 13 14",
        "359 9 12 270 603 3 104 2 438",
        "50 254 5 283 35 12",
        "487 18 100 7 98 5 85 91 43 230 3 130",
        "102 209 14 57 54 32 67 59 134 152 27 14 230 66 61 34",
    )
]


def _nist_units():
    ages = np.array([54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + [500] * 10, dtype=float)
    return ages, np.arange(20) < 10


def test_weibull_of_the_handbook():
    # NIST/SEMATECH e-Handbook 8.4.1.3: scale 606.528, shape 1.7208, log-likelihood -75.135
    ages, failed = _nist_units()
    fit = fit_weibull(counts_of_ages(np.zeros(20), ages, failed))
    assert fit.scale[0] == pytest.approx(606.528, abs=5e-4)
    assert fit.shape[0] == pytest.approx(1.7208, abs=5e-5)
    assert fit.log_likelihood[0] == pytest.approx(-75.135, abs=5e-4)


def test_ends_of_profile_intervals_lie_where_the_likelihood_says():
    ages, failed = _nist_units()
    fit = fit_weibull(counts_of_ages(np.zeros(20), ages, failed))
    shapes = np.geomspace(0.6, 4.0, 1500)[:, None]
    scales = np.geomspace(300.0, 1600.0, 1500)[None, :]
    # the likelihood written out over a grid; half the 90 % point of chi-square(1) is 1.3528
    total = np.zeros((1500, 1500))
    for age, has_failed in zip(ages, failed, strict=True):
        total -= (age / scales) ** shapes
        if has_failed:
            total += np.log(shapes / age) + shapes * np.log(age / scales)
    inside = total >= total.max() - 1.35277
    rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    assert fit.shape_interval[0] == pytest.approx(shapes[rows[[0, -1]], 0], rel=2e-3)
    assert fit.scale_interval()[0] == pytest.approx(scales[0, columns[[0, -1]]], rel=2e-3)
    share = -np.expm1(-((300.0 / scales) ** shapes))[inside]
    assert fit.failed_share_interval(300.0)[0] == pytest.approx(
        [share.min(), share.max()], rel=3e-3
    )
    by_share = scales * (-np.log(0.9)) ** (1.0 / shapes)
    found = by_share[inside]
    assert fit.quantile_interval(0.1)[0] == pytest.approx([found.min(), found.max()], rel=3e-3)


def test_product_limit_of_the_handbook():
    # data of NIST 8.2.1.5: 20 units, failures and removals, the rest at 200; values computed
    failures, removed = [10, 32, 56, 98, 122, 181], [50, 100, 125, 150]
    ages = np.array([*failures, *removed, *([200] * 10)], dtype=float)
    failed = np.arange(20) < 6
    table = risk_table(np.zeros(20), ages, failed)
    survival = product_limit(table.failures, table.at_risk)
    assert survival.share == pytest.approx(
        [0.95, 0.90, 0.847059, 0.794118, 0.737395, 0.670359], abs=1e-6
    )
    # Greenwood by hand at 32: .9 * sqrt(1/(20*19) + 1/(19*18))
    assert survival.standard_error[1] == pytest.approx(0.9 * np.sqrt(1 / 380 + 1 / 342))


def test_a_car_counts_from_its_entry_on():
    table = risk_table(np.array([0.0, 5.0, 8.0]), np.array([6.0, 9.0, 9.0]), np.array([True] * 3))
    assert table.ages.tolist() == [6.0, 9.0]
    assert table.at_risk.tolist() == [2.0, 2.0]


# Example of the documentation of `reliability` 0.9.0: repair times, the last ends the watch.
SYSTEMS = [[5, 10, 15, 17], [6, 13, 17, 19], [12, 20, 25, 26], [13, 15, 24], [16, 22, 25, 28]]


def test_mean_cumulative_repairs_of_the_documented_example():
    car = np.repeat(np.arange(5), [len(system) - 1 for system in SYSTEMS])
    age = np.concatenate([system[:-1] for system in SYSTEMS]).astype(float)
    ends = np.array([system[-1] for system in SYSTEMS], dtype=float)
    ages, found = mean_cumulative_of_ages(car, age, np.zeros(5), ends)
    mean = dict(zip(ages, found.mean[0], strict=True))
    told = {5: 0.2, 10: 0.6, 17: 2.0, 20: 2.33333, 22: 2.66667, 25: 3.66667}
    assert {at: mean[at] for at in told} == pytest.approx(told, abs=5e-6)
    # its variance at the first repair is .032; later ones there take repairs of one car as
    # independent of each other (.718148 in the end), which the robust variance does not
    assert found.variance[0, 0] == pytest.approx(0.032)
    apart = (found.repairs / found.at_risk**2 * (1.0 - 1.0 / found.at_risk)).sum()
    assert apart == pytest.approx(0.718148, abs=5e-7)


def test_valve_seats():
    # Nelson & Doganaksoy (1989): 41 engines, 48 replacements; the data from memory, held
    # against four values of the function; its standard error at 653 days from the definition
    frame = pl.read_csv(Path(__file__).parent / "valve_seats.csv", infer_schema_length=0)
    days = [[float(day) for day in (text or "").split()] for text in frame["replaced_days"]]
    car = np.repeat(np.arange(41), [len(each) for each in days])
    age, ends = np.concatenate(days), frame["last_day"].cast(pl.Float64).to_numpy()
    ages, found = mean_cumulative_of_ages(car, age, np.zeros(41), ends)
    assert age.size == 48
    mean = dict(zip(ages, found.mean[0], strict=True))
    told = {61: 0.0244, 202: 0.2927, 497: 0.8085, 653: 1.5427}
    assert {at: mean[at] for at in told} == pytest.approx(told, abs=5e-5)


def _by_definition(car, age, entries, exits):
    """Mean and robust variance as Lawless & Nadeau write them, car by car."""
    ages = np.unique(age)
    watched = (entries[:, None] < ages) & (ages <= exits[:, None])
    repairs = np.zeros(watched.shape)
    np.add.at(repairs, (car, np.searchsorted(ages, age)), 1.0)
    at_risk = watched.sum(axis=0)
    rise = repairs.sum(axis=0) / at_risk
    away = np.cumsum(watched / at_risk * (repairs - rise), axis=1)
    return np.cumsum(rise), (away**2).sum(axis=0)


def test_robust_variance_is_its_definition_with_late_entries_and_ties():
    rng = np.random.default_rng(11)
    for _ in range(100):
        n = int(rng.integers(2, 40))
        entries = np.round(rng.exponential(3.0, n) * (rng.random(n) < 0.5), 1)
        exits = entries + np.round(rng.exponential(10.0, n), 1) + 0.1
        car = rng.integers(0, n, 60)
        age = np.round(entries[car] + (exits - entries)[car] * rng.random(60), 1)
        age = np.clip(age, entries[car] + 0.1, exits[car])
        _, found = mean_cumulative_of_ages(car, age, entries, exits)
        mean, variance = _by_definition(car, age, entries, exits)
        assert found.mean[0] == pytest.approx(mean, rel=1e-9)
        assert found.variance[0] == pytest.approx(variance, rel=1e-7, abs=1e-12)


def test_aircraft_have_gaps_of_different_laws_as_published():
    # Scholz & Stephens (1987): 3.288, p = .0041 (their interpolation)
    statistic, p_value = gaps_differ(AIRCRAFT)
    assert statistic == pytest.approx(3.288, abs=5e-4)
    assert p_value == pytest.approx(0.0041, abs=3e-4)


def test_pooled_aircraft_fake_a_falling_hazard_and_single_ones_do_not():
    # the lesson of Proschan (1963); pooled shape .929 computed
    pooled = np.concatenate(AIRCRAFT)
    fit = fit_weibull(counts_of_ages(np.zeros(pooled.size), pooled, np.ones(pooled.size, bool)))
    assert fit.shape[0] == pytest.approx(0.929, abs=5e-4)
    counts = np.array([gaps.size for gaps in AIRCRAFT], dtype=float)
    hours = np.array([gaps.sum() for gaps in AIRCRAFT])
    # car by car there is no trend towards fewer failures; the last failure ends the watch
    car = np.repeat(np.zeros(14, int), [gaps.size - 1 for gaps in AIRCRAFT])
    at = np.concatenate([np.cumsum(gaps)[:-1] for gaps in AIRCRAFT])
    ends = np.concatenate([np.full(gaps.size - 1, gaps.sum()) for gaps in AIRCRAFT])
    trend = laplace_trend(car, at, (np.zeros(at.size), ends), 1)
    assert trend.statistic[0] > -1.0
    # rates of whole aircraft against the one rate: more variation than chance
    expected = hours * counts.sum() / hours.sum()
    variance, trial = extra_variation(
        np.array([((counts - expected) ** 2 - counts).sum()]), np.array([(expected**2).sum()])
    )
    assert variance[0] > 0.02
    assert trial.p_value[0] < 0.01


def test_defects_of_circuits():
    # integrated circuits of Meeker (1987), data from memory: 28 failures of 4156 by 1370 hours;
    # the share published is .0067
    failed = np.array(
        [.1, .1, .15, .6, .8, .8, 1.2, 2.5, 3, 4, 4, 6, 10, 10, 12.5, 20, 20, 43, 43, 48, 48, 54,
         74, 84, 94, 168, 263, 593]
    )  # fmt: skip
    ones, rest = np.ones(28), np.array([4128.0])
    found = fit_defects(Ages(failed, ones, np.array([1370.0]), rest, np.empty(0), np.empty(0)))
    assert found.share == pytest.approx(0.0067, abs=5e-5)
    assert found.share_low < 0.0067 < found.share_high
    assert found.p_value < 1e-4


def test_two_counts_compare_as_the_binomial_says():
    # 12 repairs in 100 car-months against 20 in 400: given 32, binomial(32, 1/5)
    exposed = Exposed(np.array([[100.0], [400.0]]), np.array([[12.0], [20.0]]), np.zeros(2, int))
    found = contrast_rates(exposed, np.ones(2))
    assert found.expected == pytest.approx([5.0, 48.0])
    assert found.ratio == pytest.approx([2.4, 20.0 / 48.0])
    tail = sum(
        float(np.prod(np.arange(32 - k + 1, 33) / np.arange(1, k + 1))) * 0.2**k * 0.8 ** (32 - k)
        for k in range(12, 33)
    )
    assert found.p_value[0] == pytest.approx(2.0 * tail, rel=1e-6)
    assert found.low[0] < 2.4 < found.high[0]


def test_cohorts_that_do_not_differ_stand_out_no_more_often_than_stated():
    rng = np.random.default_rng(5)
    p_values = []
    for _ in range(400):
        at_risk = np.full((10, 24), 300.0)
        counts = rng.poisson(at_risk * 0.002).astype(float)
        found = contrast_rates(Exposed(at_risk, counts, np.zeros(10, int)), np.ones(10))
        p_values.append(found.p_value)
    share = (np.concatenate(p_values) <= 0.05).mean()
    # 4,000 cohorts in groups of ten; exact tests keep below the level
    assert share <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 4000)
    assert share > 0.02


def test_a_repair_that_only_one_cohort_had_is_told_without_a_ratio():
    exposed = Exposed(np.array([[100.0], [900.0]]), np.array([[9.0], [0.0]]), np.zeros(2, int))
    found = contrast_rates(exposed, np.ones(2))
    assert found.expected[0] == 0.0
    assert np.isnan(found.ratio[0])
    assert found.p_value[0] == pytest.approx(2 * 0.1**9, rel=1e-6)
    assert found.low[0] > 5.0
    assert poisson.sf(8, 1.0) > found.p_value[0]


def test_difference_of_means_allows_for_cars_that_hang_together():
    difference, low, high, p_value = contrast_means(
        (np.array([0.5]), np.array([0.3])), (np.array([0.004]), np.array([0.0025]))
    )
    # sqrt(.0065) = .0806; 1.6449 of them
    assert (difference[0], low[0], high[0]) == pytest.approx((0.2, 0.0674, 0.3326), abs=1e-4)
    assert p_value[0] == pytest.approx(0.0131, abs=2e-4)
