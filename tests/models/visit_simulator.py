"""Cars that lose refrigerant day by day and come in for tests: the truth behind coverage.

Step by step in days and grams, with interpolation in a table of subcooling over missing
charge; shares no formula with the estimator, and draws what it is uncertain of from ranges
of its own. Gives frames as the judgement takes them, and the true leak rate and the true
first day outside the band of every car.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from models.drift import DriftInputs
from models.tables import RESIDUALS

EPOCH = datetime(2022, 3, 1, tzinfo=UTC)
FEATURE = "condenser_outlet_subcooling_k"
DAYS_SIMULATED = 365 * 14
SPREAD_K = 1.8
FULL_G = 520.0


@dataclass(frozen=True)
class Regime:
    """One kind of case: noise of a visit, visits, years, and the leak rates drawn from.

    In every fleet a part of the cars does not leak.
    """

    noise_k: float
    n_visits: int
    years: float
    leak_g_per_year: tuple[float, float]
    does_know_filling: bool = True
    healthy_k: float = 8.5
    one_model: bool = False
    sound_share: float = 0.4

    @property
    def label(self) -> str:
        low, high = self.leak_g_per_year
        leak = f"{low:g}-{high:g} g/a"
        known = "" if self.does_know_filling else ", filling unknown"
        known += ", 1 in 4 weighed" if self.one_model else ""
        return (
            f"noise {self.noise_k:g} K, {self.n_visits} visits in {self.years:g} a, {leak}{known}"
        )


@dataclass(frozen=True)
class Simulated:
    """Frames and, by vehicle, the true rate and the true instant of leaving (null: never)."""

    inputs: DriftInputs
    truth: pl.DataFrame
    as_of: datetime


def simulate(regime: Regime, n_cars: int, rng: np.random.Generator) -> Simulated:
    low, high = regime.leak_g_per_year
    rate = np.exp(rng.uniform(np.log(low), np.log(high), n_cars))
    rate[rng.random(n_cars) < regime.sound_share] = 0.0
    reserve = rng.uniform(50, 150, n_cars)
    per_gram = rng.uniform(0.05, 0.2, n_cars)
    if regime.one_model:
        reserve = rng.uniform(60, 130) + rng.normal(0, 8, n_cars)
        per_gram = rng.uniform(0.06, 0.18) * rng.uniform(0.85, 1.15, n_cars)
    own = rng.normal(0, 1.0, n_cars)
    first_day = rng.integers(20, 120, n_cars)
    rows, tests, repairs, truth = [], [], [], []
    band = max(3.0 * SPREAD_K, 2.0)
    last = EPOCH
    for car in range(n_cars):
        name = f"car{car:04d}"
        missing = np.cumsum(np.full(DAYS_SIMULATED, rate[car] / 365.25))
        empty_at = reserve[car] + (regime.healthy_k + own[car]) / per_gram[car]
        course = np.interp(
            missing, [0.0, reserve[car], empty_at], [regime.healthy_k + own[car]] * 2 + [0.0]
        )
        outside = np.flatnonzero(course < regime.healthy_k - band)
        days = _visit_days(regime, int(first_day[car]), rng)
        seen = course[days] + rng.normal(0, regime.noise_k, days.size)
        for number, (day, value) in enumerate(zip(days, seen, strict=True)):
            test_id = f"{name}-t{number:02d}"
            at = EPOCH + timedelta(days=int(day), hours=9)
            tests.append((test_id, name, at))
            rows.append((test_id, name, value))
            last = max(last, at)
        repairs.append((f"r-{name}", name, EPOCH, "recharge", FULL_G, None))
        is_weighed = regime.one_model and car % 4 == 0
        if is_weighed:
            at = EPOCH + timedelta(days=int(days[-1]), hours=12)
            repairs.append((f"s-{name}", name, at, "leak_repair", FULL_G, None))
            repairs[-1] = (*repairs[-1][:5], _recovered(missing[days[-1]], rng))
        gone = EPOCH + timedelta(days=int(outside[0])) if outside.size else None
        truth.append((name, rate[car], gone, is_weighed))
    if not regime.does_know_filling:
        repairs = []
    return Simulated(
        _inputs(rows, tests, repairs, regime.healthy_k),
        pl.DataFrame(
            truth,
            schema={
                "vehicle_id": pl.String,
                "rate": pl.Float64,
                "leaves": pl.Datetime("us", "UTC"),
                "is_weighed": pl.Boolean,
            },
            orient="row",
        ),
        last + timedelta(days=1),
    )


def _recovered(missing_g: float, rng: np.random.Generator) -> float:
    """What a station gets out: filling, share recovered and scales are not exact."""
    filled = FULL_G + rng.normal(0, 15)
    got = (filled - missing_g) * rng.uniform(0.93, 0.97) + rng.normal(0, 18)
    return float(max(got, 0.0))


def _visit_days(regime: Regime, first: int, rng: np.random.Generator) -> np.ndarray:
    days = first + np.sort(rng.choice(int(regime.years * 365), regime.n_visits, replace=False))
    # one visit at each end, so that the years are the years
    days[0], days[-1] = first, first + int(regime.years * 365)
    return days


def _inputs(rows, tests, repairs, healthy_k) -> DriftInputs:
    instant = pl.Datetime("us", "UTC")
    residuals = pl.DataFrame(
        rows,
        schema={"test_id": pl.String, "vehicle_id": pl.String, "observed": pl.Float64},
        orient="row",
    ).with_columns(
        pl.lit("aster").alias("model_id"),
        pl.lit("saturated").alias("regime"),
        pl.lit(FEATURE).alias("feature"),
        pl.lit(healthy_k).alias("expected"),
        pl.lit(SPREAD_K).alias("spread"),
        pl.lit(0.7).alias("standard_uncertainty"),
    )
    test_schema = {"test_id": pl.String, "vehicle_id": pl.String, "started_at": instant}
    context = pl.DataFrame(tests, schema=test_schema, orient="row").with_columns(
        pl.lit(None, pl.String).alias(name) for name in ("purpose", "repair_id", "instrument_id")
    )
    repair_schema = {
        "repair_id": pl.String,
        "vehicle_id": pl.String,
        "performed_at": instant,
        "action": pl.String,
        "charged_g": pl.Float64,
        "recovered_g": pl.Float64,
    }
    done = pl.DataFrame(repairs, schema=repair_schema, orient="row")
    vehicles = context.select("vehicle_id").unique().sort("vehicle_id")
    return DriftInputs(
        RESIDUALS.conform(residuals),
        context,
        done,
        vehicles.with_columns(pl.lit("aster").alias("model_id")),
        pl.DataFrame({"model_id": ["aster"], "charge_g": [FULL_G]}),
    )
