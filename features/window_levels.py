"""What stood in a window: the conditions it was read under, levels, and how it cycled.

Per window the mean of every condition of the catalogue and, of a few channels, the mean,
the lowest and highest level, and for cycles the level at the end of the on-phase: what the
car settles to before it is switched off again. Takes blocks and units; gives columns of
WINDOWS. Does not belong here: features and their uncertainties (`window_values`).
"""

from __future__ import annotations

import polars as pl

from features.catalogue import CONDITIONS
from features.channels import CHANNEL
from features.tables import Column
from features.unit_rows import rows_of_units

LEVEL_CHANNELS = (
    "low_side_kpa", "high_side_kpa", "evaporator_outlet_c", "condenser_outlet_c", "duct_air_c",
)  # fmt: skip
# The share of the on-phase, at its end, that its level is read from (tuning value).
_END_SHARE = 0.2
# The last block of an on-phase may hold the switching; with so many it is left out.
_LEAST_ON_BLOCKS = 3


def _level_columns(channel: str) -> tuple[Column, ...]:
    record = CHANNEL[channel]
    meanings = {
        "mean": f"{record.meaning}; mean over the window",
        "on_phase": f"{record.stem}: mean over the last fifth of the on-phases; null without",
        "least": f"{record.stem}: lowest 5 s mean, averaged over the cycles",
        "greatest": f"{record.stem}: highest 5 s mean, averaged over the cycles",
    }
    return tuple(
        Column(level_name(channel, kind), pl.Float64(), record.unit, meaning)
        for kind, meaning in meanings.items()
    )


def level_name(channel: str, kind: str) -> str:
    """`low_side_kpa`, `least` -> `low_side_least_kpa`; the mean bears the channel's name."""
    stem, unit = channel.rsplit("_", 1)
    return channel if kind == "mean" else f"{stem}_{kind}_{unit}"


LEVEL_COLUMNS: tuple[Column, ...] = (
    *(Column(one.name, pl.Float64(), one.unit, f"{one.meaning}; mean") for one in CONDITIONS),
    Column("n_cycles", pl.Int32(), "1", "whole cycles in it; null for a steady window"),
    Column("period_s", pl.Float64(), "s", "mean period of the cycles"),
    Column("cycles_per_min", pl.Float64(), "1/min", "how often it cycled"),
    Column(
        "on_share", pl.Float64(), "1",
        "share of the time with the compressor at work, or the fan at its higher stage; null "
        "where that is not what cycles",
    ),
    *(column for channel in LEVEL_CHANNELS for column in _level_columns(channel)),
)  # fmt: skip


def read_levels(blocks: pl.DataFrame, units: pl.DataFrame, block_s: float) -> pl.DataFrame:
    """One row per window: window_number and `LEVEL_COLUMNS`.

    `units` needs window_number, kind_code and cycle_code; blocks `is_running` and the
    conditions.
    """
    rows = _complete(rows_of_units(blocks, units.with_row_index("unit")))
    rows = rows.with_columns(on=_is_on()).with_columns(plateau=_is_at_end_of_on())
    cycles = _per_unit(rows)
    is_periodic = pl.col("kind_code").first() == "periodic"
    kinds = [level_name(c, kind) for c in LEVEL_CHANNELS for kind in _KINDS]
    windows = cycles.group_by("window_number", maintain_order=True).agg(
        *(_weighted(name) for name in [one.name for one in CONDITIONS]),
        pl.when(is_periodic).then(pl.len()).cast(pl.Int32).alias("n_cycles"),
        pl.when(is_periodic).then(pl.col("n_blocks").mean() * block_s).alias("period_s"),
        pl.when(is_periodic).then(_weighted("on_share")),
        pl.col(kinds).mean(),
    )
    return windows.with_columns(cycles_per_min=60.0 / pl.col("period_s"))


_KINDS = ("mean", "on_phase", "least", "greatest")


def _complete(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows with every column that is read; null where it was not logged."""
    names = {name for one in CONDITIONS for name in one.expression.meta.root_names()}
    missing = sorted((names | {*LEVEL_CHANNELS, "compressor_on"}) - set(rows.columns))
    return rows.with_columns(pl.lit(None, pl.Float64).alias(name) for name in missing)


def _is_on() -> pl.Expr:
    """True means: in the on-phase of what cycles. Null in steady windows and in swings."""
    fan = pl.col("condenser_fan_pct")
    return (
        pl.when(pl.col("cycle_code") == "compressor")
        .then(pl.col("is_running"))
        .when(pl.col("cycle_code") == "fan")
        .then(fan > (fan.min() + fan.max()).over("unit") / 2)
    )


def _is_at_end_of_on() -> pl.Expr:
    """True means: in the last fifth of the on-phase, the block of the switching apart."""
    n_on = pl.col("on").sum().over("unit")
    last = n_on - (n_on >= _LEAST_ON_BLOCKS).cast(pl.Int64)
    length = (_END_SHARE * n_on).round().cast(pl.Int64).clip(lower_bound=1)
    place = pl.col("on").cast(pl.Int64).cum_sum().over("unit")
    return pl.col("on") & (place > last - length) & (place <= last)


def _per_unit(rows: pl.DataFrame) -> pl.DataFrame:
    """One row per unit: conditions, share of the on-phase, levels."""
    # the share of each block where the switch is logged, else whole blocks
    is_clutch = pl.col("cycle_code") == "compressor"
    on = pl.when(is_clutch & pl.col("compressor_on").is_not_null()).then("compressor_on")
    levels = [
        expression.alias(level_name(channel, kind))
        for channel in LEVEL_CHANNELS
        for kind, expression in zip(
            _KINDS,
            (
                pl.col(channel).mean(),
                pl.col(channel).filter(pl.col("plateau")).mean(),
                pl.col(channel).min(),
                pl.col(channel).max(),
            ),
            strict=True,
        )
    ]
    return rows.group_by("unit", maintain_order=True).agg(
        pl.col("window_number", "kind_code").first(),
        *(one.expression.mean().alias(one.name) for one in CONDITIONS),
        *levels,
        n_blocks=pl.len(),
        on_share=on.otherwise(pl.col("on").cast(pl.Float64)).mean(),
    )


def _weighted(name: str) -> pl.Expr:
    """Mean over the units of a window by their length; null only where all are."""
    weight = pl.col("n_blocks").filter(pl.col(name).is_not_null())
    total = (pl.col(name) * pl.col("n_blocks")).sum()
    return pl.when(weight.sum() > 0).then(total / weight.sum()).alias(name)
