"""Control regimes: what the compressor and its control are doing, block by block.

A regulated car holds its low side and its duct where the control wants them; a saturated
one shows what its hardware can do. Comparing the two is comparing different things, so
every value that is judged names its regime. Takes blocks, the cars' compressors and the
compressor's switching; adds `regime`, null where it cannot be told whether the compressor
works, `regime_reason` and `is_past_start`. Does not belong here: the evidence
(`compressor_work`, `control_limits`, `pull_down`), spans in words (`regime_spans`).
"""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

import polars as pl

from features.compressor_work import Switching, add_compressor_work, works
from features.control_limits import add_control_limits
from features.pull_down import add_falling
from features.regime_reasons import Reason

if TYPE_CHECKING:
    from features.settings import DerivationSettings


class Regime(StrEnum):
    """The control regimes. A regime that cannot be told is null."""

    OFF = "off"
    STARTING = "starting"
    PULL_DOWN = "pull_down"
    REGULATING = "regulating"
    SATURATED = "saturated"
    CYCLING = "cycling"
    RUNNING = "running"


# The row of rates over the whole log in the table of features; no regime of a block.
WHOLE_TEST = "whole_test"

# Settled control states: the ones that values may be read in.
CONTINUOUS = (Regime.REGULATING, Regime.SATURATED, Regime.RUNNING)


def add_regimes(
    blocks: pl.DataFrame,
    tests: pl.DataFrame,
    switching: Switching,
    settings: DerivationSettings,
    block_s: float,
) -> pl.DataFrame:
    """The blocks with regime, regime_reason, is_past_start and the figures behind them.

    Needs test_number, start_s and the channels; `tests` needs test_number, compressor,
    altitude_m and noted_barometric_kpa. The row count and order stay. `is_past_start` is
    False until the circuit had time to settle after a start. The figures (asked_s,
    top_ratio, fall_per_min, low_gauge_kpa) are those that `regime_spans` quotes.
    """
    worked = add_compressor_work(blocks, tests, switching, settings, block_s)
    judged = add_falling(add_control_limits(worked, tests, settings, block_s), settings, block_s)
    since_start_s = pl.col("start_s") - pl.col("run_start_s")
    return (
        judged.with_columns(since_start_s=since_start_s)
        .with_columns(is_pull_down=_is_pull_down(settings))
        .with_columns(regime=_regime(settings))
        .with_columns(
            regime_reason=_reason(),
            is_past_start=(pl.col("since_start_s") >= settings.settle_after_start_s).fill_null(
                value=False
            ),
        )
        .drop(
            "compressor", "is_cycling", "run_start_s", "off_code", "is_at_limit",
            "limit_code", "is_falling", "is_pull_down", "since_start_s",
        )
    )  # fmt: skip


def _is_pull_down(settings: DerivationSettings) -> pl.Expr:
    """True means: at its limit since the start, and the air still falls.

    It ends for good when the control takes over or the air falls no more. A control that is
    not seen counts as not yet there, and air that falls is not yet held.
    """
    is_seen = pl.col("limit_code").ne_missing(Reason.AIR_HELD.code)
    takes_over = ~pl.col("is_at_limit").fill_null(value=True) & is_seen
    levels_off = ~pl.col("is_falling").fill_null(value=False)
    counts = works() & (pl.col("since_start_s") >= settings.starting_s)
    ended = counts & (takes_over | levels_off | pl.col("is_cycling"))
    return ~ended.fill_null(value=False).cum_max().over("test_number", "run_start_s")


def _regime(settings: DerivationSettings) -> pl.Expr:
    regimes = (
        (~works(), Regime.OFF),
        (pl.col("is_cycling"), Regime.CYCLING),
        (pl.col("since_start_s") < settings.starting_s, Regime.STARTING),
        (pl.col("is_pull_down"), Regime.PULL_DOWN),
        (pl.col("is_at_limit").is_null(), Regime.RUNNING),
        (pl.col("is_at_limit"), Regime.SATURATED),
    )
    told = pl.lit(Regime.REGULATING.value)
    for condition, regime in reversed(regimes):
        told = pl.when(condition).then(pl.lit(regime.value)).otherwise(told)
    return pl.when(works().is_not_null()).then(told)


def _reason() -> pl.Expr:
    """The code of the reason, by the regime."""
    codes = {
        Regime.OFF: pl.col("off_code"),
        Regime.STARTING: pl.lit(Reason.FIRST_MINUTE.code),
        Regime.CYCLING: pl.lit(Reason.SWITCHED_AGAIN.code),
        Regime.PULL_DOWN: pl.lit(Reason.AIR_STILL_FALLS.code),
        Regime.RUNNING: pl.lit(Reason.CONTROL_UNSEEN.code),
    }
    told = pl.col("limit_code")
    for regime, code in codes.items():
        told = pl.when(pl.col("regime") == regime.value).then(code).otherwise(told)
    return pl.when(pl.col("regime").is_null()).then(pl.lit(Reason.WORK_UNSEEN.code)).otherwise(told)
