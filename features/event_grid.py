"""The fine grid on which events are timed: a few channels of every test at even instants.

Blocks (`blocks`) are made for windows of a minute; an event wants its moment within a few
seconds. Takes ordered samples and gives arrays: every test on cells of half a block, means
over a cell placed at its middle, whatever the sampling rate. Between two tests, and in place
of a long gap, lie empty cells, so that no look to either side finds a stranger. Does not
belong here: what is found on the grid (`knees`, `grid_moves`, `event_responses`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from features.blocks import means_of_runs

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl
    from numpy.typing import NDArray

    Booleans = NDArray[np.bool_]
    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

# Empty cells between two stretches: no look to either side reaches further than this.
MARGIN_CELLS = 32
# Between two cells with readings so near each other, a curve is drawn straight.
_LONGEST_HOLE_CELLS = 3.0


@dataclass(frozen=True)
class Stretches:
    """Unbroken stretches of logs in their order on the grid: test, first and last cell."""

    test: Integers
    first: Integers
    last: Integers


@dataclass(frozen=True)
class EventGrid:
    """Cells of all tests in one row: test number and middle of each cell, channels by name.

    `test` is -1 in the empty cells, where every channel is NaN.
    """

    cell_s: float
    test: Integers
    time_s: Floats
    values: dict[str, Floats]
    stretches: Stretches

    def cells(self, duration_s: float) -> int:
        """Number of cells that cover a duration, at least one."""
        return max(1, round(duration_s / self.cell_s))

    def last_cell(self, place: Integers) -> Integers:
        """The last cell of the stretch that each cell lies in."""
        at = np.searchsorted(self.stretches.first, place, side="right") - 1
        return self.stretches.last[at]

    def places(self, test: Integers, time_s: Floats) -> Integers:
        """The cells that hold instants of tests; beyond the ends of a stretch its nearest."""
        begins_s = self.time_s[self.stretches.first]
        order = np.lexsort((begins_s, self.stretches.test))
        earliest, latest = float(np.min(begins_s)), float(np.nanmax(self.time_s))
        span = latest - earliest + 2.0 * self.cell_s
        keys = self.stretches.test[order] * span + (begins_s[order] - earliest)
        since_s = np.clip(time_s + 0.5 * self.cell_s - earliest, 0.0, span - self.cell_s)
        at = np.searchsorted(keys, test * span + since_s, side="right") - 1
        at = np.where(self.stretches.test[order][np.maximum(at, 0)] == test, at, at + 1)
        chosen = order[np.clip(at, 0, order.size - 1)]
        first, last = self.stretches.first[chosen], self.stretches.last[chosen]
        cells = np.floor((time_s - self.time_s[first]) / self.cell_s + 0.5)
        return first + np.clip(cells, 0, last - first).astype(np.int64)


def make_event_grid(ordered: pl.DataFrame, channels: Sequence[str], cell_s: float) -> EventGrid:
    """The wanted channels that the samples have, on cells of `cell_s` seconds."""
    sample_test = ordered["test_number"].to_numpy().astype(np.int64)
    sample_s = ordered["time_s"].to_numpy()
    number = np.floor(sample_s / cell_s).astype(np.int64)
    is_new = np.diff(sample_test, prepend=-1) != 0
    starts = np.flatnonzero(is_new | (np.diff(number, prepend=0) > MARGIN_CELLS))
    ends = np.append(starts[1:], sample_test.size) - 1
    sizes = number[ends] - number[starts] + 1
    first = MARGIN_CELLS + np.cumsum(sizes + MARGIN_CELLS) - sizes - MARGIN_CELLS
    total = MARGIN_CELLS + int(np.sum(sizes + MARGIN_CELLS))
    test, time_s = np.full(total, -1, dtype=np.int64), np.full(total, np.nan)
    inside = np.repeat(first, sizes) + _counted(sizes)
    test[inside] = np.repeat(sample_test[starts], sizes)
    time_s[inside] = (np.repeat(number[starts], sizes) + _counted(sizes) + 0.5) * cell_s
    place = np.repeat(first - number[starts], ends - starts + 1) + number
    begins = np.flatnonzero(np.diff(place, prepend=-1))
    held = place[begins]
    at_s = np.add.reduceat(sample_s, begins) / np.diff(np.append(begins, place.size))
    means = {
        name: means_of_runs(ordered[name], begins) for name in channels if name in ordered.columns
    }
    values = _on_cells(means, (held, at_s), time_s, cell_s)
    stretches = Stretches(sample_test[starts], first, first + sizes - 1)
    return EventGrid(cell_s, test, time_s, values, stretches)


def _counted(sizes: Integers) -> Integers:
    """0, 1, 2 ... anew for each size."""
    return np.arange(int(sizes.sum())) - np.repeat(np.cumsum(sizes) - sizes, sizes)


def _on_cells(
    means: dict[str, Floats], where: tuple[Integers, Floats], time_s: Floats, cell_s: float
) -> dict[str, Floats]:
    """The channels on all cells; one drawing serves all that no cell lacks."""
    held, at_s = where
    whole = _drawing(held, at_s, time_s, cell_s)
    values = {}
    for name, mean in means.items():
        drawn = whole.drawn(mean, time_s.size)
        is_lacking = np.isnan(mean)
        if is_lacking.any():
            # only in its stretches is what stands beside a missing mean drawn otherwise
            is_there = _in_stretches_of(held[is_lacking], time_s)
            known = is_there[held] & ~is_lacking
            own = _drawing(held[known], at_s[known], np.where(is_there, time_s, np.nan), cell_s)
            drawn = np.where(is_there, own.drawn(mean[known], time_s.size), drawn)
        values[name] = drawn
    return values


def _in_stretches_of(cells: Integers, time_s: Floats) -> Booleans:
    """True means: a cell of a stretch (cells between empty ones) that holds any of the cells."""
    stretch = np.cumsum(np.isnan(time_s))
    holds_any = np.zeros(stretch[-1] + 1, dtype=np.bool_)
    holds_any[stretch[cells]] = True
    return np.asarray(holds_any[stretch])


@dataclass(frozen=True)
class _Drawing:
    """How means over cells become values at their middles, straight from mean to mean.

    Per wanted cell the mean before and the mean after it, and the share of the latter.
    """

    wanted: Integers
    before: Integers
    after: Integers
    share: Floats

    def drawn(self, mean: Floats, size: int) -> Floats:
        """Means, one per cell with a reading, as values of all cells."""
        out = np.full(size, np.nan)
        out[self.wanted] = mean[self.before] + self.share * (mean[self.after] - mean[self.before])
        return out


def _drawing(held: Integers, at_s: Floats, time_s: Floats, cell_s: float) -> _Drawing:
    """From the cells with a reading and its instant; a cell far from any is not drawn."""
    # stretches lie far apart on the grid: the place of a reading serves as its time
    own = held + (at_s - time_s[held]) / cell_s
    wanted = np.flatnonzero(np.isfinite(time_s))
    if held.size == 0:
        return _Drawing(held, held, held, at_s)
    before = _last_before(held, own, wanted, time_s.size)
    after = np.minimum(before + 1, own.size - 1)
    before = np.maximum(before, 0)
    hole = own[after] - own[before]
    from_before, to_after = wanted - own[before], own[after] - wanted
    is_drawn = (from_before >= 0.0) & (to_after >= 0.0) & (hole <= _LONGEST_HOLE_CELLS + 1.0)
    near = is_drawn | (np.minimum(np.abs(from_before), np.abs(to_after)) < 1.0)
    # at the ends of a stretch and beside a hole the nearest mean stands for its cell, and no
    # other, which may be that of another test
    nearest = np.where(np.abs(from_before) > np.abs(to_after), after, before)
    before, after = np.where(is_drawn, before, nearest), np.where(is_drawn, after, nearest)
    share = np.where(is_drawn, from_before / np.where(hole > 0.0, hole, 1.0), 0.0)
    return _Drawing(wanted[near], before[near], after[near], share[near])


def _last_before(held: Integers, own: Floats, wanted: Integers, size: int) -> Integers:
    """Number of the last mean no later than each wanted cell; -1 before the first.

    Cells are numbers: counting them is cheaper than a search.
    """
    is_held = np.zeros(size, dtype=np.int64)
    is_held[held] = 1
    last = np.cumsum(is_held)[wanted] - 1
    return np.asarray(np.where(own[np.maximum(last, 0)] > wanted, last - 1, last))


def mean_between(grid: EventGrid, channel: str, first: Integers, last: Integers) -> Floats:
    """Mean of a channel over the cells from first to last, NaN where none of them is known."""
    values = grid.values.get(channel)
    if values is None:
        return np.full(first.size, np.nan)
    known = np.isfinite(values)
    total = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    count = np.concatenate([[0], np.cumsum(known)])
    n = count[last + 1] - count[first]
    return np.where(n > 0, (total[last + 1] - total[first]) / np.maximum(n, 1), np.nan)
