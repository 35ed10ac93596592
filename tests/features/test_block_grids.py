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
