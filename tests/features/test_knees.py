"""The broken line: bends worked out by hand, their standard error, and peaks."""

from __future__ import annotations

import numpy as np
import pytest

from features.event_grid import EventGrid, Stretches
from features.knees import SIDE_CELLS, find_knees, peaks

CELL_S = 2.5


def grid_for(n):
    test = np.zeros(n, dtype=np.int64)
    time_s = (np.arange(n) + 0.5) * CELL_S
    ends = Stretches(np.array([0]), np.array([0]), np.array([n - 1]))
    return EventGrid(CELL_S, test, time_s, {}, ends)


def test_the_bend_of_a_broken_line_is_its_change_of_slope():
    grid = grid_for(60)
    at_s = grid.time_s[30]
    line = 100.0 + 2.0 * grid.time_s - 5.0 * np.maximum(grid.time_s - at_s, 0.0)
    (knees,) = find_knees(grid, line)
    assert knees.bend[30] == pytest.approx(-5.0)
    assert knees.slope_after[30] == pytest.approx(-3.0)
    assert knees.bend[20] == pytest.approx(0.0, abs=1e-9)  # a straight line has none


def test_the_fit_is_that_of_least_squares():
    # numpy's own least squares with the same three terms, cell by cell
    rng = np.random.default_rng(5)
    grid, values = grid_for(40), rng.normal(0.0, 1.0, 40)
    (knees,) = find_knees(grid, values)
    time_s = np.arange(-SIDE_CELLS, SIDE_CELLS + 1) * CELL_S
    terms = np.stack([np.ones_like(time_s), time_s, np.maximum(time_s, 0.0)], axis=1)
    for cell in (10, 17, 25):
        around = values[cell - SIDE_CELLS : cell + SIDE_CELLS + 1]
        _, slope, bend = np.linalg.lstsq(terms, around, rcond=None)[0]
        assert knees.bend[cell] == pytest.approx(bend)
        assert knees.slope_after[cell] == pytest.approx(slope + bend)


def test_the_standard_error_is_the_scatter_of_the_bends_of_noise():
    rng = np.random.default_rng(6)
    grid = grid_for(4000)
    (knees,) = find_knees(grid, rng.normal(0.0, 3.0, 4000))
    assert np.nanstd(knees.bend) == pytest.approx(np.nanmedian(knees.standard_error), rel=0.05)
    # 5 standard errors by noise alone: 6e-7 of the cells
    assert np.nanmax(np.abs(knees.bend) / knees.standard_error) < 5.0


def test_cells_without_a_whole_surrounding_have_no_bend():
    grid = grid_for(30)
    values = np.arange(30.0)
    values[15] = np.nan
    bend = find_knees(grid, values)[0].bend
    assert np.isnan(bend[15 - SIDE_CELLS : 16 + SIDE_CELLS]).all()
    assert np.isfinite(bend[SIDE_CELLS : 15 - SIDE_CELLS]).all()


def test_peaks_stand_alone_within_reach():
    strength = np.array([0.0, 2.0, 3.0, 3.0, 1.0, 0.0, np.nan, 2.0, 0.0, 5.0])
    assert peaks(strength, 1).tolist() == [2, 7, 9]
    assert peaks(strength, 2).tolist() == [2, 9]
