"""The fine grid: means at the right instants, holes, gaps and neighbours, places of instants."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from features.event_grid import MARGIN_CELLS, make_event_grid, mean_between


def samples(time_s, values, test=0):
    return pl.DataFrame(
        {"test_number": [test] * len(time_s), "time_s": time_s, "engine_rpm": values},
        schema={"test_number": pl.UInt32, "time_s": pl.Float64, "engine_rpm": pl.Float64},
    )


def grid_of(*frames):
    return make_event_grid(pl.concat(frames), ["engine_rpm", "blower_pct"], 2.5)


@pytest.mark.parametrize("interval_s", [0.1, 0.37, 1.0, 2.0])
def test_a_ramp_is_drawn_where_it_runs(interval_s):
    time_s = np.arange(0.0, 100.0, interval_s)
    grid = grid_of(samples(time_s, 3.0 * time_s))
    inside = grid.test == 0
    drawn = grid.values["engine_rpm"][inside][1:-1]
    assert drawn == pytest.approx(3.0 * grid.time_s[inside][1:-1], abs=1e-9)
    assert "blower_pct" not in grid.values


def test_a_short_hole_is_bridged_and_a_long_one_is_not():
    time_s = np.arange(0.0, 100.0)
    short = np.where((time_s >= 40) & (time_s < 46), np.nan, time_s)
    long = np.where((time_s >= 40) & (time_s < 60), np.nan, time_s)
    assert np.isfinite(grid_of(samples(time_s, short)).values["engine_rpm"]).sum() == 40
    lost = 40 - np.isfinite(grid_of(samples(time_s, long)).values["engine_rpm"]).sum()
    assert 4 <= lost <= 8


def test_neighbours_and_gaps_are_kept_apart():
    time_s = np.arange(0.0, 50.0)
    gapped = np.concatenate([time_s, 1e6 + time_s])
    grid = grid_of(samples(time_s, time_s, 3), samples(gapped, gapped, 1))
    assert grid.test.size < 6 * MARGIN_CELLS + 100
    assert grid.stretches.test.tolist() == [3, 1, 1]
    between = grid.test == -1
    assert np.isnan(grid.values["engine_rpm"][between]).all()


def test_places_find_the_cell_that_holds_an_instant():
    time_s = np.arange(0.0, 50.0)
    gapped = np.concatenate([time_s, 1e6 + time_s])
    grid = grid_of(samples(time_s, time_s, 3), samples(gapped, gapped, 1))
    asked = np.array([0.1, 24.9, 1e6 + 20.1, -50.0, 2e6, 500.0])
    found = grid.places(np.array([1, 3, 1, 1, 1, 1]), asked)
    assert grid.test[found].tolist() == [1, 3, 1, 1, 1, 1]
    assert grid.time_s[found] == pytest.approx([1.25, 23.75, 1e6 + 21.25, 1.25, 1e6 + 48.75, 48.75])


def test_means_between_cells():
    time_s = np.arange(0.0, 50.0)
    grid = grid_of(samples(time_s, np.where(time_s < 25, 10.0, 30.0)))
    first, last = grid.stretches.first, grid.stretches.last
    assert mean_between(grid, "engine_rpm", first, last)[0] == pytest.approx(20.0, abs=0.2)
    assert np.isnan(mean_between(grid, "blower_pct", first, last)[0])
