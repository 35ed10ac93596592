"""Starts and stops of the compressor: when a run began, how long it stayed undisturbed.

Takes blocks and events; gives one row per test, which the transient quantities count their
time from. Does not belong here: finding events (`events`), quantities.
"""

from __future__ import annotations

import polars as pl

from features.event_kinds import STARTS, STOPS

# A start follows a stop of so long at least, or the beginning of the log; a stop counts when
# the compressor then rests for as long as the pressures need to tell a time constant.
_LEAST_PAUSE_S = 30.0
_LEAST_REST_S = 45.0
# What is switched in the first minute, a fan's second stage for one, is part of the start.
_WITH_START_S = 60.0
# Standard uncertainty of an event's time: a command by one sample, an edge by half a block.
_COMMAND_S = 0.5
_EDGE_S = 2.0


def find_starts(blocks: pl.DataFrame, events: pl.DataFrame, block_s: float) -> pl.DataFrame:
    """The first start of each test that has one.

    Columns: test_number, start_s, start_uncertainty_s, run_end_s (the compressor stops, or the
    log ends), quiet_start_s and quiet_end_s (no event between them: from the last of the
    start's own minute to the next, or the end of the run).
    """
    ends = _log_ends(blocks, block_s)
    switched = _switchings(events)
    is_start = (pl.col("kind_code") == "compressor_on") & (
        pl.col("pause_s").is_null() | (pl.col("pause_s") > _LEAST_PAUSE_S)
    )
    starts = (
        switched.filter(is_start)
        .group_by("test_number", maintain_order=True)
        .agg(start_s=pl.col("time_s").first(), source_code=pl.col("source_code").first())
        .with_columns(
            start_uncertainty_s=pl.when(pl.col("source_code") == "command")
            .then(_COMMAND_S)
            .otherwise(_EDGE_S)
        )
    )
    is_later = pl.col("time_s") > pl.col("start_s") + _WITH_START_S
    is_own = pl.col("time_s").is_between(pl.col("start_s"), pl.col("start_s") + _WITH_START_S)
    is_stop = pl.col("kind_code").is_in(STOPS) & (pl.col("time_s") > pl.col("start_s"))
    after = (
        events.join(starts, on="test_number")
        .group_by("test_number")
        .agg(
            stop_s=pl.col("time_s").filter(is_stop).min(),
            event_s=pl.col("time_s").filter(is_later).min(),
            settled_s=pl.col("time_s").filter(is_own).max(),
        )
    )
    return (
        starts.join(after, on="test_number", how="left")
        .join(ends, on="test_number", how="left")
        .select(
            "test_number",
            "start_s",
            "start_uncertainty_s",
            run_end_s=pl.min_horizontal("stop_s", "log_end_s"),
            quiet_start_s=pl.coalesce("settled_s", "start_s"),
            quiet_end_s=pl.min_horizontal("stop_s", "event_s", "log_end_s"),
        )
        .sort("test_number")
    )


def find_stops(blocks: pl.DataFrame, events: pl.DataFrame, block_s: float) -> pl.DataFrame:
    """The last stop of each test after which the compressor rests.

    Columns: test_number, stop_s, rest_end_s (it starts again, or the log ends).
    """
    timed = _switchings(events).join(_log_ends(blocks, block_s), on="test_number", how="left")
    next_s = pl.col("time_s").shift(-1).over("test_number")
    return (
        timed.with_columns(rest_end_s=pl.min_horizontal(next_s, "log_end_s"))
        .filter(
            pl.col("kind_code").is_in(STOPS)
            & (pl.col("rest_end_s") - pl.col("time_s") >= _LEAST_REST_S)
        )
        .group_by("test_number", maintain_order=True)
        .agg(stop_s=pl.col("time_s").last(), rest_end_s=pl.col("rest_end_s").last())
        .sort("test_number")
    )


def _switchings(events: pl.DataFrame) -> pl.DataFrame:
    """Switchings of the compressor in order, each with the time since the one before."""
    return (
        events.filter(pl.col("kind_code").is_in([*STARTS, *STOPS]))
        .sort("test_number", "time_s")
        .with_columns(pause_s=pl.col("time_s").diff().over("test_number"))
    )


def _log_ends(blocks: pl.DataFrame, block_s: float) -> pl.DataFrame:
    return blocks.group_by("test_number").agg(log_end_s=pl.col("start_s").max() + block_s)
