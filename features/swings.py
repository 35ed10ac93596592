"""Swings: a circuit that oscillates by itself, as under a hunting expansion valve.

A hunting valve swings the suction line by several kelvin in 20 to 120 s (common practice,
no source). Such a car never holds still, but the mean over whole swings does, and to have
no value of it would hide the very fault. Takes blocks with their regime and events; gives
the start of each swing, which `cycles.find_cycles` then chains like switchings. Does not
belong here: whether a chain is regular enough (`periodic`), swings made by fan or clutch.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.blocks import is_same_test
from features.regimes import CONTINUOUS
from features.settling import is_quiet

if TYPE_CHECKING:
    from features.settings import DerivationSettings

SWING = "swing"
# A swing is counted about a centred mean over so long (tuning value).
_MEAN_OVER_S = 180.0
# Signals in order of preference, and the setting of the least swing in each.
_SIGNALS = {
    "evaporator_outlet_c": "least_swing_k",
    "compressor_suction_c": "least_swing_k",
    "low_side_kpa": "least_swing_kpa",
}
_LEAST_COVERAGE = 0.5
# A sine of 25 s has cos(360 deg * 5 / 25) = 0.31 from one block of 5 s to the next.
_LEAST_LAG_ONE = 0.25


def find_swings(
    blocks: pl.DataFrame, events: pl.DataFrame, settings: DerivationSettings, block_s: float
) -> pl.DataFrame:
    """One row per swing of a settled test: test_number, time_s of its rise, kind_code.

    A rise counts when the signal has been below its mean by the least swing and is now
    above it by as much; what does not follow from block to block is noise and makes none.
    Near events there are none.
    """
    timed = blocks.with_columns(end_s=pl.col("start_s") + block_s)
    quiet = pl.Series(is_quiet(timed, events, settings.settle_after_event_s))
    is_settled = pl.col("regime").is_in([regime.value for regime in CONTINUOUS])
    is_settled &= pl.col("is_past_start")
    signal = _signal(blocks.columns, settings)
    side = (
        timed.select(
            "test_number",
            "start_s",
            value=pl.when(is_settled & quiet).then(signal),
        )
        .with_columns(away=_away(block_s), lag_one=_lag_one().over("test_number"))
        .filter((pl.col("away").abs() >= 1.0) & (pl.col("lag_one") >= _LEAST_LAG_ONE))
    )
    rises = is_same_test(1) & (pl.col("away") > 0) & (pl.col("away").shift(1) < 0)
    return side.filter(rises).select("test_number", time_s="start_s", kind_code=pl.lit(SWING))


def _signal(columns: list[str], settings: DerivationSettings) -> pl.Expr:
    """The first signal that covers the test, in multiples of its least swing."""
    chosen = pl.lit(None, pl.Float64)
    for name, least in reversed(_SIGNALS.items()):
        if name in columns:
            covers = pl.col(name).is_not_null().mean().over("test_number") >= _LEAST_COVERAGE
            chosen = pl.when(covers).then(pl.col(name) / getattr(settings, least)).otherwise(chosen)
    return chosen


def _lag_one() -> pl.Expr:
    """Autocorrelation from block to block, by von Neumann's ratio; about 0 for noise."""
    value = pl.col("value")
    return 1.0 - (value.diff() ** 2).mean() / (2.0 * value.var())


def _away(block_s: float) -> pl.Expr:
    """Distance of three blocks' mean from the centred mean; three, so that noise makes less."""
    length = max(round(_MEAN_OVER_S / block_s), 2)
    value = pl.col("value")
    mean = value.rolling_mean(length, min_samples=max(length // 2, 1), center=True)
    smooth = value.rolling_mean(3, min_samples=2, center=True)
    return (smooth - mean).over("test_number")
