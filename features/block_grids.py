"""Blocks laid out as arrays: a row per test, a column per block, so that tests are read at once.

Takes a frame of blocks; gives `Grid` records of tests of similar length, a few at a time, so
that one long log costs no memory for the short ones. Blocks that are missing are NaN; what
comes after a pause of hours is another occasion and is left out. Does not belong here: what
is read from the arrays (`explained`, `transient_pull_down`, ...).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

# Cells of one array at most; with some twenty arrays this is a few tens of megabytes.
_MOST_CELLS = 20_000
# Nobody pauses a test for so long: a clock that was set, or a second test in the file.
_LONGEST_PAUSE_S = 3600.0
# Many shorter pauses are left out from where a test would need so many blocks for each one that
# holds a reading, an hour of pauses aside: memory goes by what was logged, not by its clock.
_MOST_BLOCKS_PER_READ = 20


@dataclass(frozen=True)
class Grid:
    """Some tests on an even grid: `values` by column name, arrays of test by block.

    `start_s` is the time at which the first block of each test begins.
    """

    test_number: Integers
    start_s: Floats
    block_s: float
    values: Mapping[str, Floats]

    @property
    def n_tests(self) -> int:
        """Number of tests."""
        return int(self.test_number.size)

    @property
    def n_blocks(self) -> int:
        """Blocks of the longest test."""
        return int(next(iter(self.values.values())).shape[1])

    @property
    def middle_s(self) -> Floats:
        """Time of the middle of every block, test by block, since the start of the log."""
        place = np.arange(self.n_blocks) + 0.5
        return self.start_s[:, None] + self.block_s * place[None, :]

    def place(self, test_numbers: Integers) -> Integers:
        """Row of each test number; -1 where the test is not of this grid."""
        order = np.argsort(self.test_number)
        found = np.searchsorted(self.test_number[order], test_numbers)
        row = order[np.clip(found, 0, self.n_tests - 1)]
        return np.where(self.test_number[row] == test_numbers, row, -1)


def lay_grids(blocks: pl.DataFrame, names: Sequence[str], block_s: float) -> Iterator[Grid]:
    """The tests of a frame of blocks, ordered by test and block, as grids of similar length.

    Columns used: test_number, block_number and the names; those that are absent are left out.
    """
    if blocks.is_empty():
        return
    blocks = blocks.filter(_is_before_long_pauses(block_s))
    number = blocks["test_number"].to_numpy().astype(np.int64)
    block = blocks["block_number"].to_numpy()
    first = np.flatnonzero(np.concatenate([[True], np.diff(number) != 0]))
    n_rows = np.diff(np.append(first, number.size))
    begins = block[first]
    span = block[first + n_rows - 1] - begins + 1
    arrays = {
        name: blocks[name].to_numpy().astype(np.float64) for name in names if name in blocks.columns
    }
    for tests in _alike(span):
        rows, counts = first[tests], n_rows[tests]
        test = np.repeat(np.arange(tests.size), counts)
        row = np.arange(test.size) - np.repeat(np.cumsum(counts) - counts, counts) + rows[test]
        place = block[row] - begins[tests][test]
        values = {"n_samples": np.full((tests.size, int(span[tests].max())), np.nan)}
        for name, array in arrays.items():
            laid = np.full_like(values["n_samples"], np.nan)
            laid[test, place] = array[row]
            values[name] = laid
        yield Grid(number[rows], begins[tests] * block_s, block_s, values)


def _is_before_long_pauses(block_s: float) -> pl.Expr:
    number = pl.col("block_number")
    is_pause = number.diff() > _LONGEST_PAUSE_S / block_s
    room = _LONGEST_PAUSE_S / block_s + _MOST_BLOCKS_PER_READ * pl.int_range(pl.len())
    ends = is_pause.fill_null(value=False) | (number - number.first() > room)
    return (ends.cum_sum() == 0).over("test_number")


def _alike(span: Integers) -> Iterator[Integers]:
    """Places of tests, in parts of similar length that fit into the cells allowed."""
    order = np.argsort(span, kind="stable")
    start = 0
    while start < order.size:
        end = start + 1
        while end < order.size and (end + 1 - start) * int(span[order[end]]) <= _MOST_CELLS:
            end += 1
        yield order[start:end]
        start = end
