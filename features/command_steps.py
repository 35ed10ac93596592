"""Steps of a logged command: when a fan stage, a clutch or a compressor was switched.

Takes ordered samples (`blocks.order_samples`) and gives one row per step: test_number,
time_s, size_pct. Does not belong here: what a step means (`events`), steps inferred from
pressures (`pressure_edges`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.blocks import is_same_test

if TYPE_CHECKING:
    from features.settings import DerivationSettings

STEPS_SCHEMA = {"test_number": pl.UInt32(), "time_s": pl.Float64(), "size_pct": pl.Float64()}

# A change between two samples counts as part of a step above this many times the usual
# change (the noise of a measured duty cycle), and above this many points.
_NOISE_MULTIPLE = 8.0
_LEAST_CHANGE_PCT = 0.5
_SWITCHED_PCT = 50.0
# An electric compressor at rest still draws for its electronics (common practice, no source).
_LEAST_RUNNING_POWER_W = 50.0


def fan_steps(ordered: pl.DataFrame, settings: DerivationSettings) -> pl.DataFrame:
    """Steps of the condenser fan command of at least `least_fan_step_pct` points."""
    if "condenser_fan_pct" not in ordered.columns:
        return pl.DataFrame(schema=STEPS_SCHEMA)
    return _steps(ordered, pl.col("condenser_fan_pct"), settings.least_fan_step_pct, settings)


def compressor_steps(ordered: pl.DataFrame, settings: DerivationSettings) -> pl.DataFrame:
    """Starts (+100) and stops (-100) of the compressor as commanded."""
    is_on = is_commanded_on(ordered.columns, settings)
    if is_on is None:
        return pl.DataFrame(schema=STEPS_SCHEMA)
    return _steps(ordered, is_on.cast(pl.Float64) * 100.0, _SWITCHED_PCT, settings)


def is_commanded_on(columns: list[str], settings: DerivationSettings) -> pl.Expr | None:
    """True means: the logged command says the compressor runs; None when none is logged.

    The switch where logged, else the displacement command, else the electric power.
    """
    answers = {
        "compressor_on": pl.col("compressor_on") >= 0.5,
        "compressor_command_pct": pl.col("compressor_command_pct") > settings.off_command_pct,
        "compressor_power_w": pl.col("compressor_power_w") > _LEAST_RUNNING_POWER_W,
    }
    logged = [answer for name, answer in answers.items() if name in columns]
    return pl.coalesce(logged) if logged else None


def _steps(
    ordered: pl.DataFrame, level_pct: pl.Expr, least_pct: float, settings: DerivationSettings
) -> pl.DataFrame:
    levels = ordered.select("test_number", "time_s", level=level_pct).filter(
        pl.col("level").is_not_null()
    )
    return _merge_edges(_edges(levels), settings.merge_events_s).filter(
        pl.col("size_pct").abs() >= least_pct
    )


def _edges(levels: pl.DataFrame) -> pl.DataFrame:
    """Rows at which the level changes, median of three against single wrong samples."""
    level = pl.col("level")
    is_inside = is_same_test(1) & is_same_test(-1)
    middle = (
        pl.sum_horizontal(level.shift(1), level, level.shift(-1))
        - pl.max_horizontal(level.shift(1), level, level.shift(-1))
        - pl.min_horizontal(level.shift(1), level, level.shift(-1))
    )
    change = (pl.col("level") - pl.col("before")).abs()
    rows = (
        levels.with_columns(level=pl.when(is_inside).then(middle).otherwise(level))
        .with_columns(before=pl.when(is_same_test(1)).then(level.shift(1)))
        .filter(pl.col("before").is_not_null())
    )
    usual = rows.group_by("test_number").agg(usual=change.median())
    # most commands are still most of the time: few rows are left before the join
    return (
        rows.filter(change > _LEAST_CHANGE_PCT)
        .join(usual, on="test_number", maintain_order="left")
        .filter(change > _NOISE_MULTIPLE * pl.col("usual"))
    )


def _merge_edges(edges: pl.DataFrame, merge_s: float) -> pl.DataFrame:
    """One row per group of edges of one sign less than `merge_s` apart: first to last level.

    What goes down and up again within that time is two steps, not none.
    """
    sign = (pl.col("level") - pl.col("before")).sign()
    is_near = is_same_test(1) & (pl.col("time_s").diff() < merge_s) & (sign == sign.shift(1))
    merged = (
        edges.with_columns(group=(~is_near.fill_null(value=False)).cum_sum())
        .group_by("group", maintain_order=True)
        .agg(
            pl.col("test_number", "time_s").first(),
            size_pct=pl.col("level").last() - pl.col("before").first(),
        )
    )
    return merged.select(pl.col(name).cast(dtype) for name, dtype in STEPS_SCHEMA.items())
