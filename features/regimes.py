"""Control regimes: what the compressor and its control are doing, block by block.

A regulated car holds its low side and its duct where the control wants them; a saturated
one shows what its hardware can do. Comparing the two is comparing different things, so
every value that is judged names its regime. Takes blocks, the cars' compressors and the
compressor's cycles; adds `regime`, null where it cannot be told whether the compressor
runs. Does not belong here: windows, events.
"""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

import polars as pl

from features.command_steps import is_commanded_on
from features.cycles import chain_spans

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

# A shorter stop is an event, not the end of a run: the circuit stays warm (tuning value).
_LONGEST_PAUSE_S = 30.0
# The command is smoothed over this many blocks before it is compared (tuning value).
_COMMAND_BLOCKS = 6


def add_regimes(
    blocks: pl.DataFrame,
    tests: pl.DataFrame,
    compressor_cycles: pl.DataFrame,
    settings: DerivationSettings,
) -> pl.DataFrame:
    """The blocks with their regime.

    Needs test_number, start_s; `tests` needs test_number and compressor. The row count and
    order stay.
    """
    spans = chain_spans(compressor_cycles).select("test_number", "start_s", "reign_end_s")
    return (
        blocks.join(
            tests.select("test_number", "compressor"), on="test_number", maintain_order="left"
        )
        .join_asof(spans, on="start_s", by="test_number", check_sortedness=False)
        .with_columns(
            is_running=_is_running(blocks.columns, settings),
            is_cycling=(pl.col("start_s") < pl.col("reign_end_s")).fill_null(value=False),
        )
        .with_columns(run_start_s=_run_start_s())
        .with_columns(regime=_regime(blocks.columns, settings))
        .drop("compressor", "is_running", "is_cycling", "reign_end_s", "run_start_s")
    )


def _is_running(columns: list[str], settings: DerivationSettings) -> pl.Expr:
    """True means: the compressor runs, by its command where logged, else by the pressures."""
    commanded = is_commanded_on(columns, settings)
    answers = [] if commanded is None else [commanded]
    if {"low_side_kpa", "high_side_kpa"} <= set(columns):
        answers.append(
            pl.col("high_side_kpa") > settings.running_pressure_ratio * pl.col("low_side_kpa")
        )
    return pl.coalesce(answers) if answers else pl.lit(None, pl.Boolean)


def _run_start_s() -> pl.Expr:
    """When the present run began: the first running block of the test or after a real stop."""
    works = pl.col("is_running") | pl.col("is_cycling")
    last_s = pl.when(works).then(pl.col("start_s")).forward_fill().shift(1)
    pause_s = pl.col("start_s") - last_s
    begins = works & (pause_s.is_null() | (pause_s > _LONGEST_PAUSE_S))
    return pl.when(begins).then(pl.col("start_s")).forward_fill().over("test_number")


def _regime(columns: list[str], settings: DerivationSettings) -> pl.Expr:
    works = pl.col("is_running") | pl.col("is_cycling")
    since_start_s = pl.col("start_s") - pl.col("run_start_s")
    return (
        pl.when(works.is_null())
        .then(None)
        .when(~works)
        .then(pl.lit(Regime.OFF.value))
        .when(since_start_s < settings.starting_s)
        .then(pl.lit(Regime.STARTING.value))
        .when(since_start_s < settings.settle_after_start_s)
        .then(pl.lit(Regime.PULL_DOWN.value))
        .when(pl.col("is_cycling"))
        .then(pl.lit(Regime.CYCLING.value))
        .otherwise(_control_state(columns, settings))
    )


def _control_state(columns: list[str], settings: DerivationSettings) -> pl.Expr:
    """Saturated, regulating, or running where the control state cannot be told."""
    is_fixed = pl.col("compressor").eq_missing("fixed_clutch")
    state = pl.lit(Regime.RUNNING.value)
    if "compressor_command_pct" in columns:
        is_saturated = _is_command_saturated(settings)
        state = (
            pl.when(is_saturated.is_null())
            .then(state)
            .when(is_saturated)
            .then(pl.lit(Regime.SATURATED.value))
            .otherwise(pl.lit(Regime.REGULATING.value))
        )
    return pl.when(is_fixed).then(pl.lit(Regime.SATURATED.value)).otherwise(state)


def _is_command_saturated(settings: DerivationSettings) -> pl.Expr:
    command = pl.col("compressor_command_pct")
    highest = pl.when(pl.col("is_running")).then(command).quantile(0.99, "linear")
    threshold = pl.max_horizontal(
        settings.saturated_share * highest, pl.lit(settings.saturated_least_command_pct)
    )
    smooth = command.rolling_mean(_COMMAND_BLOCKS, min_samples=1)
    return (smooth >= threshold).over("test_number")
