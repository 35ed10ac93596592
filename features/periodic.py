"""Periodic windows: chains of whole cycles that are regular enough to read means from.

A car whose clutch or fan cycles never holds still, but the mean over whole cycles does.
Takes cycles (`cycles.find_cycles`) and blocks with their regime; gives units, one per
cycle, like `windows`. Does not belong here: finding events and cycles.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.blocks import is_same_test
from features.windows import UNITS_SCHEMA

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from features.regimes import Regime
    from features.settings import DerivationSettings

# A cycle of fewer blocks has no readable mean.
_LEAST_BLOCKS_PER_CYCLE = 2
# Two-sided 10 % point of the normal distribution for the Mann-Kendall statistic.
_TREND_LIMIT = 1.645
# A long chain is read in pieces, so that one odd cycle does not spoil it (tuning value).
_CYCLES_PER_WINDOW = 5
# Channels whose cycle means must hold still, and the setting of their largest drift.
_TREND_CHANNELS = {
    "low_side_kpa": "low_side_slope_kpa_per_min",
    "high_side_kpa": "high_side_slope_kpa_per_min",
    "duct_air_c": "duct_slope_k_per_min",
}


def find_periodic_units(
    blocks: pl.DataFrame,
    cycles: pl.DataFrame,
    regimes: Sequence[Regime],
    settings: DerivationSettings,
    block_s: float,
) -> pl.DataFrame:
    """One unit per cycle of every window of cycles that is regular and without trend.

    A chain is cut where a cycle does not lie in one of the regimes from end to end, and
    then read in windows of a few cycles.
    """
    placed = _place_on_blocks(blocks, cycles, regimes, block_s)
    if placed.is_empty():
        return pl.DataFrame(schema=UNITS_SCHEMA)
    chained = _cut_into_windows(placed)
    period_s = pl.col("end_s") - pl.col("start_s")
    regular = (
        chained.group_by("window_number", maintain_order=True)
        .agg(
            pl.col("start_s", *_trend_channels(placed)),
            n_cycles=pl.len(),
            variation=period_s.std() / period_s.mean(),
        )
        .filter(
            (pl.col("n_cycles") >= settings.least_cycles)
            & (pl.col("variation") < settings.largest_period_variation)
        )
    )
    moves = np.zeros(regular.height, dtype=np.bool_)
    for name in _trend_channels(placed):
        moves |= _have_trend(regular, name, settings)
    level = regular.filter(~moves)["window_number"].to_list()
    return (
        chained.filter(pl.col("window_number").is_in(level))
        .with_columns(kind_code=pl.lit("periodic"))
        .select(pl.col(name).cast(dtype) for name, dtype in UNITS_SCHEMA.items())
    )


def drop_overlapping(units: pl.DataFrame, others: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """The units of windows that share no block with a window of the others."""
    spans = pl.concat(others).select(pl.col("first_row").alias("begin"), "last_row").sort("begin")
    if units.is_empty() or spans.is_empty():
        return units
    windows = units.group_by("window_number", maintain_order=True).agg(
        pl.col("first_row").min(), pl.col("last_row").max()
    )
    # of the spans that begin before a window ends, how far the furthest reaches
    before = np.searchsorted(spans["begin"].to_numpy(), windows["last_row"].to_numpy(), "right")
    reach = np.concatenate([[-1], spans["last_row"].cum_max().to_numpy()])[before]
    free = windows.filter(pl.Series(reach) < pl.col("first_row"))
    return units.filter(pl.col("window_number").is_in(free["window_number"].to_list()))


def _trend_channels(frame: pl.DataFrame) -> list[str]:
    return [name for name in _TREND_CHANNELS if name in frame.columns]


def _cut_into_windows(placed: pl.DataFrame) -> pl.DataFrame:
    """The cycles with window_number: consecutive cycles of one regime, a few at a time."""
    follows = (
        is_same_test(1)
        & (pl.col("start_s") == pl.col("end_s").shift(1))
        & (pl.col("regime") == pl.col("regime").shift(1))
    )
    place = pl.int_range(pl.len()).over("chain") // _CYCLES_PER_WINDOW
    return placed.with_columns(chain=(~follows).cum_sum()).with_columns(
        window_number=pl.struct("chain", place.alias("piece")).rle_id().cast(pl.Int64)
    )


def mann_kendall(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """The Mann-Kendall statistic of each row: about standard normal when it has no trend.

    NaN where a value of the row is. Source: Mann 1945, Econometrica 13:245, with continuity
    correction; no tie correction.
    """
    n = values.shape[-1]
    earlier, later = np.triu_indices(n, 1)
    score = np.sign(values[..., later] - values[..., earlier]).sum(axis=-1)
    variance = n * (n - 1) * (2 * n + 5) / 18.0
    return np.asarray(np.sign(score) * np.maximum(np.abs(score) - 1.0, 0.0) / np.sqrt(variance))


def _place_on_blocks(
    blocks: pl.DataFrame, cycles: pl.DataFrame, regimes: Sequence[Regime], block_s: float
) -> pl.DataFrame:
    """The cycles with their rows, regime and means, where the regime is one throughout."""
    trends = _trend_channels(blocks)
    known = cycles.select("test_number", "start_s", "end_s").with_row_index("cycle")
    inside = (
        blocks.select(
            "test_number",
            "regime",
            "is_past_start",
            *trends,
            time_s=pl.col("start_s") + block_s / 2,
        )
        .with_row_index("row")
        .join_asof(
            known.with_columns(time_s="start_s").sort("test_number", "time_s"),
            on="time_s",
            by="test_number",
            check_sortedness=False,
        )
        .filter(pl.col("time_s") < pl.col("end_s"))
    )
    return (
        inside.group_by("cycle", maintain_order=True)
        .agg(
            pl.col("test_number", "start_s", "end_s", "regime").first(),
            pl.col(trends).mean(),
            n_regimes=pl.col("regime").n_unique(),
            is_past_start=pl.col("is_past_start").all(),
            n_blocks=pl.len(),
            first_row=pl.col("row").min(),
            last_row=pl.col("row").max(),
        )
        .filter(
            (pl.col("n_regimes") == 1)
            & pl.col("is_past_start")
            & pl.col("regime").is_in([regime.value for regime in regimes])
            & (pl.col("n_blocks") >= _LEAST_BLOCKS_PER_CYCLE)
            # no gap inside: every block of the cycle is there, but for its two ends
            & ((pl.col("n_blocks") + 1) * block_s >= pl.col("end_s") - pl.col("start_s"))
        )
    )


def _have_trend(
    windows: pl.DataFrame, channel: str, settings: DerivationSettings
) -> NDArray[np.bool_]:
    """True means: the cycle means rise or fall, by more than a steady window may drift.

    False where any of them is unknown: the channel is then not read either.
    """
    largest = float(getattr(settings, _TREND_CHANNELS[channel]))
    found = np.zeros(windows.height, dtype=np.bool_)
    for n_cycles in windows["n_cycles"].unique():
        place = np.flatnonzero((windows["n_cycles"] == n_cycles).to_numpy())
        of_size = windows[place]
        means, minutes = (
            of_size[name].explode().cast(pl.Float64).to_numpy().reshape(place.size, n_cycles)
            for name in (channel, "start_s")
        )
        minutes = (minutes - minutes.mean(axis=1, keepdims=True)) / 60.0
        slope = (minutes * means).sum(axis=1) / (minutes**2).sum(axis=1)
        # a NaN exceeds nothing
        found[place] = (np.abs(mann_kendall(means)) > _TREND_LIMIT) & (np.abs(slope) > largest)
    return found
