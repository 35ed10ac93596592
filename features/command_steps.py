"""Steps of a logged command: when a fan stage, a clutch or a compressor was switched.

Takes ordered samples (`blocks.order_samples`) and gives one row per step: test_number,
time_s, size_pct. Does not belong here: what a step means (`events`), steps inferred from
pressures (`pressure_edges`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
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
    test, level = levels["test_number"].to_numpy(), levels["level"].to_numpy()
    is_same = np.diff(test) == 0
    middle = level.copy()
    inner, before, after = level[1:-1], level[:-2], level[2:]
    of_three = np.fmax(np.fmin(before, inner), np.fmin(np.fmax(before, inner), after))
    middle[1:-1] = np.where(is_same[1:] & is_same[:-1], of_three, inner)
    change = np.abs(np.diff(middle))
    rows = levels[1:].with_columns(
        level=pl.Series(middle[1:]), before=pl.Series(middle[:-1]), change=pl.Series(change)
    )
    # most commands are still most of the time: few rows, of few tests, are left
    edges = rows.filter(is_same & (change > _LEAST_CHANGE_PCT))
    is_stirred = is_same & np.isin(test[1:], edges["test_number"].unique().to_numpy())
    usual = rows.filter(is_stirred).group_by("test_number").agg(usual=pl.col("change").median())
    return edges.join(usual, on="test_number", maintain_order="left").filter(
        pl.col("change") > _NOISE_MULTIPLE * pl.col("usual")
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
