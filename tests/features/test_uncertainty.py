"""Scatter of means and medians against simulated series."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from features.uncertainty import mean_variance, scatter_uncertainty


def autocorrelated(lag_one, n_series, length, rng):
    values = np.empty((n_series, length))
    values[:, 0] = rng.normal(size=n_series)
    for k in range(1, length):
        fresh = rng.normal(size=n_series) * np.sqrt(1 - lag_one**2)
        values[:, k] = lag_one * values[:, k - 1] + fresh
    return values


@pytest.mark.parametrize("lag_one", [0.0, 0.3, 0.6])
def test_variance_of_the_mean_of_autocorrelated_values(lag_one):
    # series long enough for the lag-one autocorrelation to be estimated well: the mean of
    # the estimated variances is the variance of the means, within 15 %
    values = autocorrelated(lag_one, 2000, 200, np.random.default_rng(3))
    frame = pl.DataFrame(
        {
            "variance": values.var(axis=1, ddof=1),
            "squared_steps": (np.diff(values, axis=1) ** 2).mean(axis=1),
            "count": np.full(2000, 200),
        }
    )
    estimated = frame.select(mean_variance(*(pl.col(name) for name in frame.columns))).to_series()
    assert estimated.mean() == pytest.approx(values.mean(axis=1).var(), rel=0.15)


def claimed(values, within):
    frame = pl.DataFrame({"between": values.var(axis=1, ddof=1)}).with_columns(
        n=values.shape[1], within=pl.lit(within, pl.Float64)
    )
    return frame.select(
        scatter_uncertainty(pl.col("n"), pl.col("between"), pl.col("within"))
    ).to_series()


@pytest.mark.parametrize("within", [None, 4.0], ids=["cycles", "windows"])
def test_scatter_of_the_median_of_many(within):
    # 4,000 tests of 25 values, each scattering by 2: the standard deviation of their medians
    values = np.random.default_rng(5).normal(0.0, 2.0, (4000, 25))
    found = np.median(values, axis=1).std()
    # of windows, one in thirty is taken for drift by chance: the median tells of the others
    assert claimed(values, within).median() == pytest.approx(found, rel=0.05)


def test_drift_does_not_average_out():
    # 4,000 tests that wander: ten windows of noise 0.1 on a random walk that steps by 0.5; how
    # far the medians lie from where the car comes to rest, at least a half of that is claimed
    rng = np.random.default_rng(6)
    walk = rng.normal(0.0, 0.5, (4000, 10)).cumsum(axis=1)
    found = claimed(walk + rng.normal(0.0, 0.1, walk.shape), 0.01)
    off = np.median(walk, axis=1) - walk[:, -1]
    assert np.sqrt((found**2).mean()) > 0.5 * off.std()
    # with the noise's share alone, as of independent windows, it would be a tenth of it
    assert 0.1 * 1.2533 / np.sqrt(10) < 0.1 * off.std()


def test_a_single_window_knows_only_its_own_scatter():
    frame = pl.DataFrame({"n": [1], "between": [None], "within": [0.04]}).cast(
        {"between": pl.Float64}
    )
    found = frame.select(scatter_uncertainty(pl.col("n"), pl.col("between"), pl.col("within")))
    assert found.item() == pytest.approx(0.2)


def test_a_constant_has_no_scatter():
    frame = pl.DataFrame({"variance": [0.0], "squared_steps": [0.0], "count": [12]})
    found = frame.select(mean_variance(*(pl.col(name) for name in frame.columns)))
    assert found.item() == 0.0
