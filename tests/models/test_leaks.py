"""Leak rates: published figures behind the prior, weighed services by hand, what models teach."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy import stats

from models.leak_priors import PUBLISHED
from models.leaks import learn_priors, weighed_rates, weighed_services
from models.settings import AssessmentSettings

SETTINGS = AssessmentSettings()
NEW = datetime(2022, 1, 1, tzinfo=UTC)
MODELS = pl.DataFrame({"model_id": ["aster"], "charge_g": [520.0]})


def cars(*names, in_service=None):
    return pl.DataFrame(
        {
            "vehicle_id": list(names),
            "model_id": ["aster"] * len(names),
            "in_service_date": [in_service] * len(names),
        },
        schema_overrides={"in_service_date": pl.Date},
    )


def repairs(*rows):
    schema = {
        "repair_id": pl.String,
        "vehicle_id": pl.String,
        "performed_at": pl.Datetime("us", "UTC"),
        "action": pl.String,
        "charged_g": pl.Float64,
        "recovered_g": pl.Float64,
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def rated(done, vehicles):
    return weighed_rates(weighed_services(done, MODELS, vehicles), SETTINGS)


def law(kind):
    return stats.lognorm(s=kind.log_sigma, scale=math.exp(kind.log_mean))


def test_the_prior_has_the_published_means():
    regular, gross = PUBLISHED.kinds
    # Schwarz & Harnisch 2003: 52.4 g/a, 300 cars in use
    assert law(regular).mean() == pytest.approx(52.4)
    # CARB 06-342: 257 g/a, heavy-duty
    assert law(gross).mean() == pytest.approx(257.0)


def test_the_published_range_of_standing_cars_is_likely_under_the_prior():
    # Siegl and others 2002: 28 cars, 0.01 to 0.36 g/day
    regular = law(PUBLISHED.kinds[0])
    assert regular.cdf(0.36 * 365) > 0.9
    assert 1e-4 < regular.cdf(0.01 * 365) < 0.1
    # Schwarz & Harnisch 2003: means of makes between 28.8 and 81.9 g/a
    assert regular.cdf(28.8) > 0.2
    assert regular.cdf(81.9) < 0.9


def test_a_weighed_service_worked_by_hand():
    # 520 g filled, 380 g recovered two years later: 520 - 380 / 0.95 = 120 g in two years
    done = repairs(
        ("r1", "car1", NEW, "recharge", 520.0, None),
        ("r2", "car1", NEW + timedelta(days=730.5), "leak_repair", 520.0, 380.0),
    )
    row = rated(done, cars("car1")).row(0, named=True)
    assert row["lost_g"] == pytest.approx(120.0)
    assert row["years"] == pytest.approx(2.0)
    # 25 g over two years: 12.5 g/a about 60, weighed with the published law on an even grid
    rate = np.linspace(0.05, 400, 8000)
    density = sum(k.share * law(k).pdf(rate) for k in PUBLISHED.kinds)
    shares = np.cumsum(density * stats.norm.pdf(rate, 60.0, 12.5))
    middle, low, high = np.interp([0.5, 0.05, 0.95], shares / shares[-1], rate)
    assert row["rate_g_per_year"] == pytest.approx(middle, rel=0.01)
    assert row["rate_low_g_per_year"] == pytest.approx(low, rel=0.01)
    assert row["rate_high_g_per_year"] == pytest.approx(high, rel=0.01)
    assert low < 60.0 < high


def test_a_new_car_counts_from_its_first_day_in_service():
    done = repairs(("r2", "car1", NEW + timedelta(days=365.25), "recharge", 520.0, 418.0))
    row = rated(done, cars("car1", in_service=date(2022, 1, 1))).row(0, named=True)
    assert row["lost_g"] == pytest.approx(80.0)
    assert row["years"] == pytest.approx(1.0)
    assert rated(done, cars("car1")).is_empty()


def test_an_empty_circuit_tells_only_the_least():
    done = repairs(
        ("r1", "car1", NEW, "recharge", 520.0, None),
        ("r2", "car1", NEW + timedelta(days=365.25), "leak_repair", 520.0, 5.0),
    )
    row = rated(done, cars("car1")).row(0, named=True)
    assert row["is_empty"]
    assert row["rate_low_g_per_year"] > 450
    assert row["rate_high_g_per_year"] > 1000


def test_a_rate_is_never_below_nothing_and_short_periods_tell_none():
    done = repairs(
        ("r1", "car1", NEW, "recharge", 520.0, None),
        ("r2", "car1", NEW + timedelta(days=400), "recharge", 520.0, 510.0),
        ("r3", "car1", NEW + timedelta(days=420), "recharge", 520.0, 400.0),
    )
    found = rated(done, cars("car1"))
    assert found.height == 1
    assert 0 < found["rate_low_g_per_year"][0] < found["rate_high_g_per_year"][0] < 40


def taught(per_gram, reserve, n_services, seed=1):
    rng = np.random.default_rng(seed)
    lost = rng.uniform(60, 180, n_services)
    names = [f"car{i}" for i in range(n_services)]
    at = NEW + timedelta(days=500)
    services = pl.DataFrame(
        {
            "vehicle_id": names,
            "model_id": ["aster"] * n_services,
            "until_at": [at] * n_services,
            "lost_g": lost + rng.normal(0, 25, n_services),
        }
    ).with_columns(pl.col("until_at").cast(pl.Datetime("us", "UTC")))
    # missing charge beyond the reserve, by hand, not below zero subcooling
    fall = np.clip((lost - reserve) * per_gram, 0, 9.0) + rng.normal(0, 1.2, n_services)
    residuals = pl.DataFrame(
        {
            "vehicle_id": names,
            "tested_at": [at - timedelta(days=10)] * n_services,
            "feature": ["condenser_outlet_subcooling_k"] * n_services,
            "regime": ["saturated"] * n_services,
            "observed": 9.0 - fall,
            "expected": [9.0] * n_services,
            "spread": [1.2] * n_services,
        }
    ).with_columns(pl.col("tested_at").cast(pl.Datetime("us", "UTC")))
    return learn_priors(services, residuals, SETTINGS)


def test_services_teach_reserve_and_kelvins_per_gram():
    [(key, prior)] = taught(0.12, 90.0, 60).items()
    assert key == ("aster", "condenser_outlet_subcooling_k", "saturated")
    deviation = math.sqrt(prior.kelvin_log_variance)
    assert abs(prior.kelvin_log_mean - math.log(0.12)) < 2.5 * deviation
    assert abs(prior.reserve_log_mean - math.log(90.0)) < 2.5 * math.sqrt(
        prior.reserve_log_variance
    )
    assert prior.is_learned
    assert deviation < 0.5 * math.sqrt(PUBLISHED.kelvin_log_variance)


def test_few_services_teach_nothing():
    assert taught(0.12, 90.0, 4) == {}
