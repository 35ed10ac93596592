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


def test_scatter_of_the_median_of_many_windows():
    # 4,000 tests of 25 windows, each window value scattering by 2: the standard deviation of
    # their medians
    values = np.random.default_rng(5).normal(0.0, 2.0, (4000, 25))
    frame = pl.DataFrame({"between": values.var(axis=1, ddof=1)}).with_columns(n=25, within=0.0)
    claimed = frame.select(
        scatter_uncertainty(pl.col("n"), pl.col("between"), pl.col("within"))
    ).to_series()
    assert claimed.mean() == pytest.approx(np.median(values, axis=1).std(), rel=0.05)


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
