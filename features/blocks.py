"""The block grid: every test on even blocks of a few seconds, whatever its sampling rate.

Takes a samples frame (many tests, any order) and gives an ordered one with a test number,
then one row per test and block with channel means. Everything later works on blocks, so
that 0.5 Hz and 10 Hz logs are read alike. Does not belong here: physics, events, windows.

The frame of blocks is ordered by test_number and block_number; functions that look at a
neighbouring row check that it is of the same test.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from features.channels import channels_in

# A block must hold two samples of a slow logger, or jitter leaves every other block empty.
_LEAST_SAMPLES_PER_BLOCK = 2.0


def number_tests(samples: pl.DataFrame) -> pl.DataFrame:
    """One row per test, ordered by test_id: test_id, test_number (counted from 0).

    Order by id, never by appearance, makes all results independent of the row order.
    """
    tests = samples.lazy().select(pl.col("test_id").drop_nulls().unique().sort()).collect()
    return tests.with_row_index("test_number").select("test_id", "test_number")


def order_samples(samples: pl.DataFrame, tests: pl.DataFrame) -> pl.DataFrame:
    """The samples with `test_number`, each test in one piece and in order of time.

    Rows without a time or a test are dropped; rows of equal time are ordered by their
    values, so that their input order is immaterial. Tests keep their order of arrival
    where they arrive in one piece: sorting millions of rows would buy nothing.
    """
    channels = channels_in(samples)
    numbered = samples.filter(
        pl.col("time_s").is_finite() & pl.col("test_id").is_not_null()
    ).with_columns(
        pl.col("test_id")
        .replace_strict(tests["test_id"], tests["test_number"], return_dtype=pl.UInt32)
        .alias("test_number"),
        pl.col(channels).cast(pl.Float64).fill_nan(None),
    )
    # in one chunk: later steps ask columns for arrays, which would copy chunks each time
    numbered = numbered.rechunk()
    if _is_in_one_piece(numbered):
        return numbered
    ordered = numbered.sort("test_number", "time_s")
    if _is_in_one_piece(ordered):
        return ordered
    return numbered.sort("test_number", "time_s", *channels)


def _is_in_one_piece(numbered: pl.DataFrame) -> bool:
    """True means: every test is one run of rows with time increasing."""
    test = numbered["test_number"].to_numpy()
    is_new = np.diff(test.astype(np.int64)) != 0
    is_later = np.diff(numbered["time_s"].to_numpy()) > 0
    n_runs = int(is_new.sum()) + min(test.size, 1)
    return bool(np.all(is_new | is_later)) and n_runs == np.unique(test).size


def block_lengths(ordered: pl.DataFrame, block_s: float) -> pl.DataFrame:
    """Block length of each test: test_number, block_s.

    The given length doubled until a block holds two samples at the test's median interval.
    """
    interval_s = pl.col("time_s").diff().median()
    doublings = (
        (_LEAST_SAMPLES_PER_BLOCK * pl.col("interval_s") / block_s)
        .log(2)
        .ceil()
        .clip(0, 20)
        .fill_null(0)
    )
    return (
        ordered.group_by("test_number", maintain_order=True)
        .agg(interval_s.alias("interval_s"))
        .select("test_number", block_s=block_s * 2.0**doublings)
    )


def make_blocks(ordered: pl.DataFrame, block_s: float) -> pl.DataFrame:
    """Channel means per test and block of `block_s` seconds.

    Columns: test_number, block_number (from the first sample), start_s, n_samples and the
    channels. A single empty block between two others is added, and a single null between
    two values takes their mean; longer gaps stay.
    """
    channels = channels_in(ordered)
    block_number = (pl.col("time_s") / block_s).floor().cast(pl.Int64).alias("block_number")
    blocks = ordered.group_by("test_number", block_number, maintain_order=True).agg(
        pl.len().cast(pl.Int32).alias("n_samples"), pl.col(channels).mean()
    )
    blocks = blocks.sort("test_number", "block_number")
    blocks = _bridge_single_nulls(_insert_single_blocks(blocks), channels)
    return blocks.with_columns(start_s=pl.col("block_number") * block_s)


def is_same_test(rows: int) -> pl.Expr:
    """True means: the row `rows` earlier (later when negative) is of the same test."""
    same = pl.col("test_number") == pl.col("test_number").shift(rows)
    return same.fill_null(value=False)


def _insert_single_blocks(blocks: pl.DataFrame) -> pl.DataFrame:
    holes = blocks.filter(
        is_same_test(-1) & (pl.col("block_number").shift(-1) - pl.col("block_number") == 2)
    ).select("test_number", pl.col("block_number") + 1, n_samples=pl.lit(0, pl.Int32))
    if holes.is_empty():
        return blocks
    return pl.concat([blocks, holes], how="diagonal").sort("test_number", "block_number")


def _bridge_single_nulls(blocks: pl.DataFrame, channels: list[str]) -> pl.DataFrame:
    holed = [name for name in channels if 0 < blocks[name].null_count() < blocks.height]
    is_inside = is_same_test(1) & is_same_test(-1)
    return blocks.with_columns(
        pl.when(pl.col(name).is_null() & is_inside)
        .then((pl.col(name).shift(1) + pl.col(name).shift(-1)) / 2)
        .otherwise(pl.col(name))
        .alias(name)
        for name in holed
    )
