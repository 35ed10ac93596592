"""The block grid: every test on even blocks of a few seconds, whatever its sampling rate.

Takes a samples frame (many tests, any order) and gives an ordered one with a test number,
then one row per test and block with channel means. Everything later works on blocks, so
that 0.5 Hz and 10 Hz logs are read alike. Does not belong here: physics, events, windows.

The frame of blocks is ordered by test_number and block_number; functions that look at a
neighbouring row check that it is of the same test.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.channels import channels_in

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

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
    told = samples.filter(pl.col("time_s").is_finite() & pl.col("test_id").is_not_null())
    number = _numbers_of(told["test_id"], tests)
    # in one chunk: later steps ask columns for arrays, which would copy chunks each time; the
    # ids, costly to put together, are written anew
    numbered = (
        told.drop("test_id")
        .with_columns(number, pl.col(channels).cast(pl.Float64).fill_nan(None))
        .rechunk()
        .insert_column(told.columns.index("test_id"), _ids_of(number, tests))
    )
    if _is_in_one_piece(numbered):
        return numbered
    ordered = numbered.sort("test_number", "time_s")
    if _is_in_one_piece(ordered):
        return ordered
    return numbered.sort("test_number", "time_s", *channels)


def _numbers_of(test_id: pl.Series, tests: pl.DataFrame) -> pl.Series:
    """The number of the test at every row; looked up once for each run of equal ids."""
    runs = test_id.rle().struct.unnest()
    numbers = runs["value"].replace_strict(
        tests["test_id"], tests["test_number"], return_dtype=pl.UInt32
    )
    each = np.repeat(numbers.to_numpy(), runs["len"].to_numpy())
    return pl.Series("test_number", each, dtype=pl.UInt32)


def _ids_of(number: pl.Series, tests: pl.DataFrame) -> pl.Series:
    order = tests.sort("test_number")
    return order["test_id"].gather(order["test_number"].search_sorted(number))


def _is_in_one_piece(numbered: pl.DataFrame) -> bool:
    """True means: every test is one run of rows with time increasing."""
    test = numbered["test_number"].to_numpy()
    is_new = np.diff(test.astype(np.int64)) != 0
    is_later = np.diff(numbered["time_s"].to_numpy()) > 0
    if not np.all(is_new | is_later):
        return False
    first = np.flatnonzero(np.append(np.ones(min(test.size, 1), dtype=np.bool_), is_new))
    return bool(np.unique(test[first]).size == first.size)


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
    test = ordered["test_number"].to_numpy()
    number = np.floor(ordered["time_s"].to_numpy() / block_s).astype(np.int64)
    # each test is in one piece and in order of time, and so is each block of it
    is_new = np.diff(number) != 0
    is_new |= np.diff(test.astype(np.int64)) != 0
    begins = np.flatnonzero(np.append(np.ones(min(test.size, 1), dtype=np.bool_), is_new))
    counts = np.diff(np.append(begins, test.size))
    means = {name: means_of_runs(ordered[name], begins) for name in channels}
    blocks = pl.DataFrame(
        {
            "test_number": pl.Series(test[begins], dtype=pl.UInt32),
            "block_number": number[begins],
            "n_samples": counts.astype(np.int32),
            **{name: pl.Series(mean, nan_to_null=True) for name, mean in means.items()},
        }
    ).sort("test_number", "block_number")
    blocks = _bridge_single_nulls(_insert_single_blocks(blocks), channels)
    return blocks.with_columns(start_s=pl.col("block_number") * block_s)


def means_of_runs(series: pl.Series, begins: Integers) -> Floats:
    """Mean of the known values of each run of rows, by where each begins; NaN where none is."""
    readings = series.to_numpy()
    if begins.size == 0:
        return np.zeros(0)
    known = np.isfinite(readings)
    if known.all():
        count = np.diff(np.append(begins, readings.size))
        return np.asarray(np.add.reduceat(readings, begins) / count)
    count = np.add.reduceat(known.astype(np.int64), begins)
    total = np.add.reduceat(np.where(known, readings, 0.0), begins)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


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
