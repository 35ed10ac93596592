"""Blocks as arrays: laid by hand, and a clock that jumps by years costs no memory."""

from __future__ import annotations

import numpy as np
import polars as pl

from features.block_grids import lay_grids


def laid(test_number, block_number, values):
    blocks = pl.DataFrame(
        {"test_number": test_number, "block_number": block_number, "duct_air_c": values},
        schema={"test_number": pl.UInt32, "block_number": pl.Int64, "duct_air_c": pl.Float64},
    )
    return list(lay_grids(blocks, ["duct_air_c"], 5.0))


def test_a_missing_block_is_not_known():
    [grid] = laid([0, 0, 0], [4, 5, 7], [1.0, 2.0, 4.0])
    np.testing.assert_equal(grid.values["duct_air_c"], [[1.0, 2.0, np.nan, 4.0]])
    assert grid.start_s.tolist() == [20.0]


def test_what_comes_after_hours_is_another_occasion():
    # an epoch among seconds: 1e9 s later
    [grid] = laid([0, 0, 0, 1, 1], [0, 1, 200_000_000, 0, 1], [1.0, 2.0, 3.0, 5.0, 6.0])
    assert grid.values["duct_air_c"].tolist() == [[1.0, 2.0], [5.0, 6.0]]


def test_memory_goes_by_what_was_logged_and_not_by_its_clock():
    # a clock that jumps by 1e9 s once, and one that jumps by 50 minutes after every reading
    jumps_once = np.concatenate([np.arange(100), 200_000_000 + np.arange(100)])
    jumps_always = 600 * np.arange(2000)
    test = np.repeat([0, 1], [jumps_once.size, jumps_always.size])
    number = np.concatenate([jumps_once, jumps_always])
    grids = laid(test.tolist(), number.tolist(), np.ones(number.size).tolist())
    known = np.concatenate([np.isfinite(each.values["duct_air_c"]).sum(axis=1) for each in grids])
    assert known.tolist() == [100, 2]
    assert sum(each.values["duct_air_c"].size for each in grids) < number.size
