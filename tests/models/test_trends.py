"""Slopes and orders against scipy, and Kendall's own small case by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from models.trends import mann_kendall_p, theil_sen


@pytest.mark.parametrize("count", [4, 5, 8, 13, 40])
def test_slope_and_interval_are_those_of_scipy(count):
    rng = np.random.default_rng(count)
    times = np.sort(rng.uniform(0, 4, (20, count)), axis=1)
    values = -0.7 * times + rng.normal(0, 1, (20, count))
    found = theil_sen(times, values, 0.9)
    for row in range(20):
        slope, _, low, high = stats.theilslopes(values[row], times[row], 0.9)
        assert found.slope[row] == pytest.approx(slope)
        assert found.low[row] == pytest.approx(low)
        assert found.high[row] == pytest.approx(high)


@pytest.mark.parametrize("count", [4, 7, 12, 29])
def test_p_values_without_ties_are_the_exact_ones_of_scipy(count):
    values = np.random.default_rng(count).normal(size=(30, count))
    found = mann_kendall_p(values)
    order = np.arange(count)
    for row in range(30):
        expected = stats.kendalltau(order, values[row], method="exact").pvalue
        assert found[row] == pytest.approx(expected)


def test_p_values_with_ties_are_the_asymptotic_ones_of_scipy():
    values = np.random.default_rng(5).integers(0, 6, (30, 15)).astype(float)
    found = mann_kendall_p(values)
    for row in range(30):
        expected = stats.kendalltau(np.arange(15), values[row], method="asymptotic").pvalue
        assert found[row] == pytest.approx(expected)


def test_four_visits_in_falling_order_are_two_of_twenty_four():
    assert mann_kendall_p(np.array([[4.0, 3.0, 2.0, 1.0]]))[0] == pytest.approx(2 / 24)


def test_equal_values_show_no_trend():
    assert mann_kendall_p(np.full((1, 6), 3.0))[0] == 1.0
