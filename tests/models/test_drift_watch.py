"""Which drifts make a car `watch`: few of those that stay as they are, most of those that fall."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy.stats import binom
from visit_simulator import Regime, simulate

from models.drift import DriftInputs, find_drifts
from models.drift_watch import drifting_cars
from models.findings import JUDGED
from models.settings import AssessmentSettings
from models.states import State, _with_drift
from models.tables import RESIDUALS

SETTINGS = AssessmentSettings()
FIRST = datetime(2023, 5, 1, 9, tzinfo=UTC)
FEATURES = [f for f in JUDGED if not f.is_for_whole_test]
N_VISITS, YEARS = 8, 3.0


def lines(n_cars, rng, slope_per_year=0.0):
    """Cars whose quantities scatter by half a spread; the high side of each rises in spreads."""
    tests, rows = [], []
    for car in range(n_cars):
        days = np.sort(rng.choice(np.arange(1, int(YEARS * 365)), N_VISITS, replace=False))
        own = rng.normal(0.0, 0.8, len(FEATURES))
        for visit, day in enumerate(days):
            test_id, vehicle_id = f"t{car}-{visit}", f"car{car:04d}"
            tests.append((test_id, vehicle_id, FIRST + timedelta(days=int(day))))
            for place, feature in enumerate(FEATURES):
                spread = max(feature.least_effect / 3.0, feature.least_spread)
                z = own[place] + rng.normal(0.0, 0.5)
                z += slope_per_year * day / 365.0 if feature.name == "high_side_kpa" else 0.0
                rows.append((test_id, vehicle_id, feature.name, 100.0 + z * spread, spread))
    schema = {"test_id": pl.String, "vehicle_id": pl.String}
    residuals = pl.DataFrame(
        rows,
        schema={**schema, "feature": pl.String, "observed": pl.Float64, "spread": pl.Float64},
        orient="row",
    ).with_columns(
        expected=pl.lit(100.0),
        model_id=pl.lit("aster"),
        regime=pl.lit("saturated"),
        standard_uncertainty=pl.lit(0.5),
    )
    instant = pl.Datetime("us", "UTC")
    context = pl.DataFrame(tests, schema={**schema, "started_at": instant}, orient="row")
    nothing = [pl.lit(None, pl.String).alias(n) for n in ("purpose", "repair_id", "instrument_id")]
    repairs = pl.DataFrame(
        schema={"repair_id": pl.String, "vehicle_id": pl.String, "performed_at": instant,
                "action": pl.String}
    )  # fmt: skip
    cars = context.select("vehicle_id").unique().sort("vehicle_id")
    return DriftInputs(
        RESIDUALS.conform(residuals), context.with_columns(nothing), repairs,
        cars.with_columns(model_id=pl.lit("aster")),
        pl.DataFrame({"model_id": ["aster"], "charge_g": [520.0]}),
    )  # fmt: skip


def watched(inputs, as_of):
    return drifting_cars(find_drifts(inputs, SETTINGS, as_of).drifts, SETTINGS, as_of)


def within_the_budget(n_watched, n_cars):
    """Not more than a share at the budget shows in 999 of 1,000 fleets."""
    return n_watched <= binom.ppf(0.999, n_cars, SETTINGS.drift_watch_share)


@pytest.mark.parametrize("n_cars", [150, pytest.param(2000, marks=pytest.mark.slow)])
def test_of_cars_that_stay_as_they_are_at_most_the_stated_share_is_watched(n_cars):
    as_of = FIRST + timedelta(days=int(YEARS * 365) + 1)
    said = watched(lines(n_cars, np.random.default_rng(41)), as_of)
    print(f"{len(said)} of {n_cars} cars that stay, all quantities")  # noqa: T201 - the figures
    assert within_the_budget(len(said), n_cars)


@pytest.mark.parametrize("n_cars", [150, pytest.param(2000, marks=pytest.mark.slow)])
def test_of_cars_that_do_not_leak_few_are_watched_by_their_subcooling(n_cars):
    simulated = simulate(
        Regime(1.0, 8, 2.0, (15, 60), sound_share=1.0), n_cars, np.random.default_rng(42)
    )
    said = watched(simulated.inputs, simulated.as_of)
    print(f"{len(said)} of {n_cars} cars that do not leak")  # noqa: T201 - the figures
    assert within_the_budget(len(said), n_cars)


def test_cars_that_drift_fast_are_watched_with_the_date():
    as_of = FIRST + timedelta(days=int(YEARS * 365) + 1)
    said = watched(lines(40, np.random.default_rng(43), slope_per_year=1.3), as_of)
    assert len(said) >= 30
    assert all("out of band" in sentence and sentence.endswith(".") for sentence in said.values())


def test_only_a_car_in_band_becomes_watch_by_drift():
    drift = "Duct air rises 2.0 K a year, likely out of band by March 2027."
    moved = _with_drift(State("in band", "Nothing out of band."), drift)
    assert moved.name == "watch"
    assert moved.reason.startswith(drift)
    service = State("service", "far")
    assert _with_drift(service, drift) is service
    band = State("in band", "fine")
    assert _with_drift(band, None) is band
