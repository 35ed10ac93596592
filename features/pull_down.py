"""Does the duct air still fall towards its level? What pull-down is told by.

Takes blocks; adds `is_falling` and `fall_per_min`, from the duct air or, without it, from
the suction side. Does not belong here: whether the compressor is at its limit meanwhile
(`control_limits`), the shape of the fall.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

if TYPE_CHECKING:
    from features.settings import DerivationSettings

# Signals in order of preference, and how many of its units stand for one kelvin of duct air:
# 1 K of evaporation is some 10 kPa of R-134a or R-1234yf near 0 degC (printed tables).
_SIGNALS = {
    "duct_air_c": 1.0,
    "evaporator_outlet_c": 1.0,
    "compressor_suction_c": 1.0,
    "low_side_kpa": 10.0,
}
_LEAST_COVERAGE = 0.5
_SLOPE_OVER_S = 60.0


def add_falling(blocks: pl.DataFrame, settings: DerivationSettings, block_s: float) -> pl.DataFrame:
    """The blocks with fall_per_min (units of a kelvin of duct air) and is_falling.

    The slope is the difference of the means over half a minute after and before, so that
    single readings do not count; at the ends of a test the nearest one stands in.
    """
    half = max(round(_SLOPE_OVER_S / block_s / 2), 1)
    signal = _signal(blocks.columns)
    before = signal.rolling_mean(half, min_samples=1)
    after = before.shift(-half)
    fall_per_min = (before - after) * 60.0 / (half * block_s)
    filled = fall_per_min.forward_fill(half).backward_fill(half).over("test_number")
    return blocks.with_columns(fall_per_min=filled).with_columns(
        is_falling=pl.col("fall_per_min") > settings.pull_down_slope_k_per_min
    )


def _signal(columns: list[str]) -> pl.Expr:
    """The first signal that covers the test, in kelvin of duct air."""
    chosen = pl.lit(None, pl.Float64)
    for name, per_kelvin in reversed(_SIGNALS.items()):
        if name in columns:
            covers = pl.col(name).is_not_null().mean().over("test_number") >= _LEAST_COVERAGE
            chosen = pl.when(covers).then(pl.col(name) / per_kelvin).otherwise(chosen)
    return chosen
