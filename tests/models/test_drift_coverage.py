"""Do the 90 % intervals of leak rate and leave-band date hold nine truths of ten?

The slow test prints the coverage of each regime over some thousand simulated cars each
(`pytest -m slow -s tests/models/test_drift_coverage.py`); the short ones take a few hundred.
The truth comes from `visit_simulator`, day by day in grams.
"""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest
from visit_simulator import Regime, simulate

from models.drift import find_drifts
from models.settings import AssessmentSettings

SETTINGS = AssessmentSettings()
LONG_AGO, NEVER = datetime(1900, 1, 1, tzinfo=UTC), datetime(2999, 1, 1, tzinfo=UTC)
PLANS = ((1.0, 4, 1.0), (1.5, 4, 2.0), (1.0, 8, 2.0), (1.5, 8, 3.0), (1.0, 12, 4.0), (1.5, 12, 4.0))
LEAKS = ((15, 60), (60, 300))
REGIMES = [
    *(Regime(*plan, leak) for plan in PLANS for leak in LEAKS),
    *(Regime(1.5, 8, 3.0, leak, does_know_filling=False) for leak in LEAKS),
]
WEIGHED = [Regime(*plan, (15, 300), one_model=True) for plan in PLANS[1:]]
HOLDS = pl.col("holds").mean()


def dates(regime: Regime, n_cars: int, seed: int) -> pl.DataFrame:
    """One row per car: does it leak, does its interval hold the truth, was a date told."""
    simulated = simulate(regime, n_cars, np.random.default_rng(seed))
    found = find_drifts(simulated.inputs, SETTINGS, simulated.as_of)
    truth = simulated.truth.with_columns(pl.col("leaves").fill_null(NEVER))
    start = pl.col("leaves_band_from").fill_null(LONG_AGO)
    end = pl.col("leaves_band_until").fill_null(NEVER)
    return found.drifts.join(truth, on="vehicle_id").select(
        (pl.col("rate") > 0).alias("leaks"),
        pl.col("leaves").is_between(start, end).alias("holds"),
        pl.col("leaves_band_from").is_not_null().alias("is_told"),
        (pl.col("outlook_code") == "dated").alias("is_dated"),
        pl.col("leaves_band_until").is_null().alias("is_open"),
    )


def rates(regime: Regime, n_cars: int, seed: int) -> pl.DataFrame:
    """One row per leak rate told of a leaking car: does its interval hold the truth."""
    simulated = simulate(regime, n_cars, np.random.default_rng(seed))
    found = find_drifts(simulated.inputs, SETTINGS, simulated.as_of)
    low, high = pl.col("rate_low_g_per_year"), pl.col("rate_high_g_per_year")
    told = found.leaks.filter(pl.col("rate_g_per_year").is_not_null())
    return (
        told.join(simulated.truth, on="vehicle_id")
        .filter(pl.col("rate") > 0)
        .select(
            "source_code",
            pl.col("rate").is_between(low, high).alias("holds"),
            (high / low).alias("ratio"),
        )
    )


def test_leave_band_dates_hold_the_truth_in_nine_of_ten():
    cars = pl.concat(dates(regime, 60, 100 + k) for k, regime in enumerate(REGIMES))
    # of a car whose subcooling rises nothing is claimed
    leaking, sound = cars.filter(pl.col("leaks") & pl.col("is_told")), cars.filter(~pl.col("leaks"))
    covered, told = leaking["holds"].mean(), leaking["is_dated"].mean()
    print(f"{covered:.3f} of {leaking.height} leaking cars held, {told:.2f} dated")  # noqa: T201 - the figures
    print(f"{sound['is_dated'].sum()} of {sound.height} sound cars dated")  # noqa: T201 - the figures
    assert leaking.height > 400
    # three standard errors of 0.9 over 500 cases are 4 points
    assert 0.86 <= covered <= 0.95
    assert told > 0.3
    assert sound["is_dated"].mean() <= 0.02
    assert sound["holds"].mean() >= 0.98


def test_leak_rates_hold_the_truth_in_nine_of_ten():
    # cars of one fleet share what its services taught: several fleets tell more than large ones
    told = pl.concat(
        rates(regime, 130, 300 + 10 * k + fleet)
        for k, regime in enumerate(WEIGHED)
        for fleet in range(2)
    )
    for source, part in told.group_by("source_code"):
        print(f"{source}: {part['holds'].mean():.3f} of {part.height} held")  # noqa: T201 - the figures
        assert part.height >= 60
        assert 0.8 <= part["holds"].mean() <= 0.99
    assert told["source_code"].n_unique() == 2


@pytest.mark.slow
def test_coverage_by_regime():
    cars, told, lines = [], [], [""]
    for number, regime in enumerate(REGIMES):
        held = dates(regime, 200, 1000 + number)
        cars.append(held)
        sound, every = held.filter(~pl.col("leaks")), held.filter("leaks")
        leaking = every.filter("is_told")
        of_dated = leaking.filter("is_dated")["holds"].mean()
        lines.append(
            f"date, {regime.label}: {leaking['holds'].mean():.3f} of {leaking.height} held "
            f"({every.height - leaking.height} without a claim); "
            f"dated {leaking['is_dated'].mean():.2f}"
            f"{'' if of_dated is None else f' (of these {of_dated:.3f} held)'}, "
            f"open {leaking['is_open'].mean():.2f}; sound cars dated "
            f"{sound['is_dated'].sum()} of {sound.height}"
        )
    everyone = pl.concat(cars)
    sound = everyone.filter(~pl.col("leaks"))
    leaking = everyone.filter(pl.col("leaks") & pl.col("is_told"))
    lines.append(f"date, all leaking cars: {leaking['holds'].mean():.3f} of {leaking.height} held")
    for number, regime in enumerate(WEIGHED):
        # many small fleets: all cars of one share what its services taught
        part = pl.concat(rates(regime, 175, 3000 + 20 * number + fleet) for fleet in range(8))
        told.append(part)
        by_source = part.group_by("source_code").agg(HOLDS, pl.len(), pl.col("ratio").median())
        lines += [
            f"rate by {source}, {regime.label}: {share:.3f} of {count} held, "
            f"high over low end {ratio:.1f}"
            for source, share, count, ratio in by_source.sort("source_code").iter_rows()
        ]
    of_rates = pl.concat(told).group_by("source_code").agg(HOLDS, pl.len()).sort("source_code")
    lines += [f"rate by {s}, all: {share:.3f} of {n} held" for s, share, n in of_rates.rows()]
    print("\n".join(lines))  # noqa: T201 - the figures
    assert leaking.height >= 1000
    assert 0.87 <= leaking["holds"].mean() <= 0.93
    assert sound["is_dated"].mean() <= 0.01
    for _, share, count in of_rates.iter_rows():
        assert count >= 1000
        assert 0.87 <= share <= 0.93
