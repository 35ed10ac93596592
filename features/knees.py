"""Knees: where a curve changes its slope all at once, by a broken line fitted to every cell.

At each cell a line with a bend there is fitted by least squares to so many cells on either
side (the two-phase regression with a common point of Hinkley 1971, J. Am. Stat. Assoc.
66:736, here at every place in turn; formula from memory, checked by hand in the tests). Its
bend, over the standard error that the log's own noise gives it, is the test statistic; its
slope afterwards tells a new movement from one that levels off. Does not belong here: what
makes a knee (`pressure_edges`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from features.event_grid import EventGrid

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

# Cells on either side of a bend: 10 s at cells of 2.5 s. Longer, and the answer to a fan bends
# back within it; shorter, and the noise counts (tuned on simulated cars).
SIDE_CELLS = 4
# 1 sd of normal noise from the median absolute second difference: 1.4826 / sqrt(1 + 4 + 1)
_SECOND_DIFFERENCE_TO_SD = 0.6053


@dataclass(frozen=True)
class Knees:
    """Of every cell: bend and slope afterwards [1/s times the unit], and the bend's error."""

    bend: Floats
    slope_after: Floats
    standard_error: Floats


def find_knees(
    grid: EventGrid, values: Floats, sides_cells: Sequence[int] = (SIDE_CELLS,)
) -> list[Knees]:
    """The broken line at every cell, for each number of cells on either side.

    NaN where a cell on either side is empty.
    """
    noise = _noise(grid, values)
    found = []
    for side_cells in sides_cells:
        slope, bend = _weights(grid.cell_s, side_cells)
        bends = _slid(values, bend)
        error = noise * float(np.sqrt(np.sum(bend**2)))
        found.append(Knees(bends, _slid(values, slope) + bends, error))
    return found


def _weights(cell_s: float, side_cells: int) -> tuple[Floats, Floats]:
    """What each cell weighs in the slope before and in the bend, by least squares."""
    time_s = np.arange(-side_cells, side_cells + 1) * cell_s
    design = np.stack([np.ones_like(time_s), time_s, np.maximum(time_s, 0.0)], axis=1)
    solved = np.linalg.pinv(design)
    return solved[1], solved[2]


def _slid(values: Floats, weights: Floats) -> Floats:
    return np.convolve(values, weights[::-1], mode="same")


def _noise(grid: EventGrid, values: Floats) -> Floats:
    """Standard deviation of the noise of a cell, by test, at every cell."""
    second = np.full(values.size, np.nan)
    second[1:-1] = np.abs(values[2:] - 2.0 * values[1:-1] + values[:-2])
    medians = (
        pl.DataFrame({"test": grid.test, "second": second})
        .filter(pl.col("second").is_not_nan())
        .group_by("test")
        .agg(pl.col("second").median())
    )
    # the first place is that of the cells of no test, numbered -1
    by_test = np.full(int(grid.test.max(initial=-1)) + 2, np.nan)
    by_test[medians["test"].to_numpy() + 1] = medians["second"].to_numpy()
    return by_test[grid.test + 1] * _SECOND_DIFFERENCE_TO_SD


def peaks(strength: Floats, reach: int) -> Integers:
    """Places of a positive strength that no other within reach exceeds; of equals the first."""
    place = np.flatnonzero(strength > 0.0)
    kept = np.ones(place.size, dtype=np.bool_)
    for step in range(1, reach + 1):
        # empty cells are NaN and exceed nothing
        kept &= ~(strength[np.maximum(place - step, 0)] >= strength[place])
        kept &= ~(strength[np.minimum(place + step, strength.size - 1)] > strength[place])
    return place[kept]
