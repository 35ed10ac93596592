"""Transients of the pressures: at the start, after a stop, at a fan event, as a clutch cycles.

Frame functions, one row per test that has the quantity; standard uncertainties in columns
"u:...". Does not belong here: the duct air and the undershoot (`transient_pull_down`),
records (`transient_records`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.event_kinds import STARTS, STOPS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.block_grids import Grid

    Floats = NDArray[np.float64]

_FIRST_S = 10.0
_LEAST_SAMPLES = 4
# Behind a stop: the first block may still hold the running compressor; a ratio nearer to one
# than this is the difference of two gauges.
_AFTER_STOP_S = 5.0
_LOOKED_AT_S = 240.0
_LEAST_OVER_ONE = 0.08
_LEAST_BLOCKS = 4
# The ratio's excess must fall to this share, or its time constant is a guess (tuning value).
_LARGEST_LEFT = 0.6
_FAN_BEFORE_S = 10.0
_FAN_FROM_S, _FAN_TO_S = 5.0, 40.0
# A swing is not read while the fan is switched again sooner than this.
_LEAST_ALONE_S = 15.0
# So long after the compressor was switched the high side moves by that.
_COMPRESSOR_SHADOW_S = 60.0


def start_rates(
    ordered: pl.DataFrame, starts: pl.DataFrame, channels: tuple[str, ...]
) -> pl.DataFrame:
    """Slopes of the pressures over the first 10 s of the run: start_low_side_kpa_per_s, ..."""
    names = [name for name in channels if name in ordered.columns]
    since_s = pl.col("time_s") - pl.col("start_s")
    is_first = since_s.is_between(0.0, _FIRST_S) & (pl.col("time_s") < pl.col("run_end_s"))
    return (
        ordered.select("test_number", "time_s", *names)
        .filter(_may_be_first(ordered, starts))
        .join(
            starts.select("test_number", "start_s", "start_uncertainty_s", "run_end_s"),
            on="test_number",
        )
        .filter(is_first)
        .with_columns(since_s=since_s)
        .group_by("test_number", maintain_order=True)
        .agg(expression for name in names for expression in _line(name))
    )


def _may_be_first(ordered: pl.DataFrame, starts: pl.DataFrame) -> pl.Series:
    """True means: within the first seconds of a run; by table, which a join need not carry."""
    number = ordered["test_number"].to_numpy()
    start_s = np.full(int(number.max(initial=0)) + 1, np.nan)
    mine = starts.filter(pl.col("test_number") < start_s.size)
    start_s[mine["test_number"].to_numpy()] = mine["start_s"].to_numpy()
    since_s = ordered["time_s"].to_numpy() - start_s[number]
    return pl.Series((since_s >= 0.0) & (since_s <= _FIRST_S))


def _line(name: str) -> tuple[pl.Expr, pl.Expr]:
    """Slope of a channel over time and its standard error, from its known samples."""
    value, time_s = pl.col(name), pl.col("since_s").filter(pl.col(name).is_not_null())
    known = value.drop_nulls()
    n = known.len()
    square_s2 = ((time_s - time_s.mean()) ** 2).sum()
    slope = ((time_s - time_s.mean()) * known).sum() / square_s2
    rest = ((known - known.mean()) ** 2).sum() - slope**2 * square_s2
    error = (rest.clip(lower_bound=0.0) / (n - 2) / square_s2).sqrt()
    # a start that is known to some seconds may have been read before or after its steepest
    by_start = slope.abs() * pl.col("start_uncertainty_s").first() / _FIRST_S
    is_told = (n >= _LEAST_SAMPLES) & (square_s2 > 0)
    stem = f"start_{name.removesuffix('_kpa')}_kpa_per_s"
    return (
        pl.when(is_told).then(slope).alias(stem),
        pl.when(is_told).then((error**2 + by_start**2).sqrt()).alias(f"u:{stem}"),
    )


def equalisation(blocks: pl.DataFrame, stops: pl.DataFrame) -> pl.DataFrame:
    """Time constant with which the pressure ratio falls to one after the last stop.

    A straight line through ln(ratio - 1), each value weighted by its square, which is what a
    constant noise of the ratio asks for.
    """
    if not {"low_side_kpa", "high_side_kpa"} <= set(blocks.columns):
        return pl.DataFrame(schema={"test_number": pl.UInt32()})
    over = pl.col("high_side_kpa") / pl.col("low_side_kpa") - 1.0
    since_s = pl.col("start_s") - pl.col("stop_s")
    inside = since_s.is_between(_AFTER_STOP_S, _LOOKED_AT_S) & (
        pl.col("start_s") < pl.col("rest_end_s") - _AFTER_STOP_S
    )
    resting = (
        blocks.select("test_number", "start_s", over=over)
        .join(stops, on="test_number")
        .filter(inside & (pl.col("over") > _LEAST_OVER_ONE))
        .with_columns(since_s=since_s, weight=pl.col("over") ** 2, log_over=pl.col("over").log())
    )
    return resting.group_by("test_number", maintain_order=True).agg(*_time_constant())


def _time_constant() -> tuple[pl.Expr, pl.Expr]:
    weight, time_s, log_over = (pl.col(name) for name in ("weight", "since_s", "log_over"))
    total = weight.sum()
    off_s = time_s - (weight * time_s).sum() / total
    off = log_over - (weight * log_over).sum() / total
    square = (weight * off_s**2).sum()
    slope = (weight * off_s * off).sum() / square
    rest = (weight * (off - slope * off_s) ** 2).sum() / (pl.len() - 2)
    # neighbouring blocks of a smooth curve miss the line together: half of them count
    error = (2.0 * rest / square).sqrt()
    left = pl.col("over").last() / pl.col("over").first()
    is_told = (pl.len() >= _LEAST_BLOCKS) & (slope < 0) & (left <= _LARGEST_LEFT)
    return (
        pl.when(is_told).then(-1.0 / slope).alias("stop_equalisation_s"),
        pl.when(is_told).then(error / slope**2).alias("u:stop_equalisation_s"),
    )


def fan_swings(grid: Grid, fan: pl.DataFrame) -> pl.DataFrame:
    """Fall of the high side at each rise of the fan (`lone_fan_rises`): one row per event.

    Columns: test_number, time_s, swing_kpa (median of the 10 s before minus the lowest block
    of the 5th to 40th second after, or up to the next event), fall_s (until then).
    """
    row = grid.place(fan["test_number"].to_numpy().astype(np.int64))
    fan, row = fan.filter(row >= 0), row[row >= 0]
    if "high_side_kpa" not in grid.values or not row.size:
        return pl.DataFrame(schema=SWINGS_SCHEMA)
    time_s = fan["time_s"].to_numpy()
    next_s = fan["next_s"].fill_null(np.inf).to_numpy()
    since_s, high = _around(grid, row, time_s)
    half_s = grid.block_s / 2.0
    before = (since_s <= -half_s) & (since_s >= -_FAN_BEFORE_S - half_s)
    end_s = np.minimum(_FAN_TO_S, next_s - time_s)[:, None] - half_s
    after = (since_s >= _FAN_FROM_S) & (since_s <= end_s)
    level = _median_where(high, before)
    filled = np.where(after & np.isfinite(high), high, np.inf)
    lowest, place = filled.min(axis=1), np.argmin(filled, axis=1)
    swing = np.where(np.isfinite(lowest), level - lowest, np.nan)
    columns = {
        "test_number": fan["test_number"],
        "time_s": time_s,
        "swing_kpa": swing,
        "fall_s": since_s[np.arange(row.size), place],
    }
    found = pl.DataFrame(columns, schema=SWINGS_SCHEMA).fill_nan(None)
    return found.drop_nulls("swing_kpa")


def _around(grid: Grid, row: NDArray[np.int64], time_s: Floats) -> tuple[Floats, Floats]:
    """Times since events, and the high side then, in the blocks around each; NaN off the log."""
    first = np.floor((time_s - grid.start_s[row] - _FAN_BEFORE_S) / grid.block_s) - 1.0
    n_around = int(np.ceil((_FAN_BEFORE_S + _FAN_TO_S) / grid.block_s)) + 3
    block = first.astype(np.int64)[:, None] + np.arange(n_around)[None, :]
    since_s = grid.start_s[row, None] + grid.block_s * (block + 0.5) - time_s[:, None]
    is_there = (block >= 0) & (block < grid.n_blocks)
    high = grid.values["high_side_kpa"][row[:, None], np.clip(block, 0, grid.n_blocks - 1)]
    return since_s, np.where(is_there, high, np.nan)


SWINGS_SCHEMA = {
    "test_number": pl.UInt32(),
    "time_s": pl.Float64(),
    "swing_kpa": pl.Float64(),
    "fall_s": pl.Float64(),
}


def lone_fan_rises(events: pl.DataFrame) -> pl.DataFrame:
    """The fan's rises that no switching of the compressor precedes, and no event follows, soon.

    Adds next_s, the time of the next event.
    """
    fan = events.filter(pl.col("kind_code") == "fan_up")
    is_switching = pl.col("kind_code").is_in([*STARTS, *STOPS])
    switched = events.filter(is_switching).select("test_number", "time_s", switched_s="time_s")
    timed = (
        fan.sort("test_number", "time_s")
        .join_asof(
            switched.sort("test_number", "time_s"),
            on="time_s",
            by="test_number",
            check_sortedness=False,
        )
        .join(_next_events(events), on=("test_number", "time_s"), how="left")
    )
    since_s = (pl.col("time_s") - pl.col("switched_s")).fill_null(float("inf"))
    until_s = (pl.col("next_s") - pl.col("time_s")).fill_null(float("inf"))
    return timed.filter((since_s >= _COMPRESSOR_SHADOW_S) & (until_s >= _LEAST_ALONE_S))


def _next_events(events: pl.DataFrame) -> pl.DataFrame:
    """Time of the next event of any kind after each: test_number, time_s, next_s."""
    times = events.select("test_number", "time_s").unique().sort("test_number", "time_s")
    return times.with_columns(next_s=pl.col("time_s").shift(-1).over("test_number"))


def _median_where(values: Floats, chosen: NDArray[np.bool_]) -> Floats:
    use = chosen & np.isfinite(values)
    order = np.sort(np.where(use, values, np.inf), axis=1)
    count, place = use.sum(axis=1), np.arange(values.shape[0])
    low, high = (order[place, np.maximum(count - more, 0) // 2] for more in (1, 0))
    return np.where(count > 0, (low + high) / 2.0, np.nan)


def clutch_cycling(
    ordered: pl.DataFrame, events: pl.DataFrame, cycles: pl.DataFrame
) -> pl.DataFrame:
    """Cycles of the compressor: rate, share of on-time, low side at cut-out and cut-in.

    Takes cycles from one switching-on to the next (`cycles.find_cycles`). The low side turns
    where the clutch switches: its extremes of each cycle are what the control switches at.
    """
    offs = events.filter(pl.col("kind_code").is_in(STOPS)).select(
        "test_number", "time_s", off_s="time_s"
    )
    timed = (
        cycles.sort("test_number", "start_s")
        .with_columns(time_s="start_s")
        .join_asof(
            offs.sort("test_number", "time_s"),
            on="time_s",
            by="test_number",
            strategy="forward",
            check_sortedness=False,
        )
        .drop("time_s")
        .filter(pl.col("off_s") < pl.col("end_s"))
    )
    period_s = pl.col("end_s") - pl.col("start_s")
    share = (pl.col("off_s") - pl.col("start_s")) / period_s
    pressures = _cut_pressures(ordered, timed)
    return (
        timed.join(pressures, on=("test_number", "start_s"), how="left")
        .group_by("test_number", maintain_order=True)
        .agg(
            (60.0 / period_s.mean()).alias("clutch_cycles_per_min"),
            (60.0 * _error(period_s) / period_s.mean() ** 2).alias("u:clutch_cycles_per_min"),
            share.mean().alias("clutch_on_share"),
            _error(share).alias("u:clutch_on_share"),
            *(
                expression
                for name in ("clutch_cut_out_low_side_kpa", "clutch_cut_in_low_side_kpa")
                for expression in (
                    pl.col(name).median(),
                    _error(pl.col(name)).alias(f"u:{name}"),
                )
            ),
        )
    )


def _error(value: pl.Expr) -> pl.Expr:
    """Standard error of the mean over cycles; there are three at least."""
    return value.std() / value.count().sqrt()


def _cut_pressures(ordered: pl.DataFrame, cycles: pl.DataFrame) -> pl.DataFrame:
    """Lowest and highest low side of each cycle: at cut-out, at cut-in."""
    names = ("clutch_cut_out_low_side_kpa", "clutch_cut_in_low_side_kpa")
    schema = {
        "test_number": pl.UInt32(),
        "start_s": pl.Float64(),
        **dict.fromkeys(names, pl.Float64()),
    }
    if "low_side_kpa" not in ordered.columns or cycles.is_empty():
        return pl.DataFrame(schema=schema)
    spans = cycles.select("test_number", "start_s", "end_s", time_s="start_s")
    inside = (
        ordered.select("test_number", "time_s", "low_side_kpa")
        .join(spans.select("test_number").unique(), on="test_number", how="semi")
        .join_asof(spans, on="time_s", by="test_number", check_sortedness=False)
        .filter(pl.col("time_s") < pl.col("end_s"))
    )
    low = pl.col("low_side_kpa")
    return inside.group_by("test_number", "start_s", maintain_order=True).agg(
        low.min().alias(names[0]), low.max().alias(names[1])
    )
