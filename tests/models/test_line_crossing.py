"""Crossing of a line: coverage by simulation, openness where there is no slope."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from models.line_crossing import crossing_times, fit_lines


def series(rng, slope, count=8, rows=1500, noise=1.0):
    times = np.sort(rng.uniform(0, 3, (rows, count)), axis=1)
    return times, slope * times + rng.normal(0, noise, (rows, count))


def test_p_of_the_slope_is_that_of_scipy_where_the_fleet_says_nothing():
    times, values = series(np.random.default_rng(1), 0.5, rows=10)
    lines = fit_lines(times, values, np.ones(10), np.zeros(10))
    for row in range(10):
        expected = stats.linregress(times[row], values[row])
        assert lines.slope[row] == pytest.approx(expected.slope)
        assert lines.slope_p[row] == pytest.approx(expected.pvalue)


@pytest.mark.parametrize(("slope", "edge"), [(2.0, 8.0), (-2.0, -8.0), (0.6, 3.0)])
def test_interval_holds_the_true_crossing_in_nine_of_ten(slope, edge):
    times, values = series(np.random.default_rng(2), slope)
    freedom = np.full(1500, 30.0)
    lines = fit_lines(times, values, np.ones(1500), freedom)
    found = crossing_times(lines, np.full(1500, edge), 0.9)
    truth = edge / slope
    held = np.mean((found.earliest <= truth) & (truth <= found.latest))
    # three standard errors of 0.9 over 1,500 cases are 2.3 points; dropping the stretch
    # before a sound car was ever seen costs nothing, so more than nine of ten is right too
    assert 0.877 <= held <= 0.96


def test_without_a_slope_the_interval_is_open_and_with_one_away_it_is_never():
    times, values = series(np.random.default_rng(3), 0.0)
    lines = fit_lines(times, values, np.ones(1500), np.full(1500, 30.0))
    found = crossing_times(lines, np.full(1500, 5.0), 0.9)
    assert np.mean(np.isinf(found.latest)) >= 0.93
    times, values = series(np.random.default_rng(4), -5.0, rows=50)
    lines = fit_lines(times, values, np.ones(50), np.full(50, 30.0))
    found = crossing_times(lines, np.full(50, 5.0), 0.9)
    assert np.all(np.isinf(found.likely))
    assert np.all(np.isinf(found.earliest))


def test_a_car_already_outside_is_dated_back():
    times = np.tile(np.arange(8.0), (1, 1)) / 2
    lines = fit_lines(times, 6.0 + 2.0 * times, np.full(1, 0.5), np.full(1, 30.0))
    found = crossing_times(lines, np.full(1, 5.0), 0.9)
    assert found.likely[0] == pytest.approx(-0.5)
    assert found.earliest[0] < -0.5 < found.latest[0] < 0.5
