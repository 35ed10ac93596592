"""Does the low side move as at full stroke? Told from the whole run, not from its level.

A compressor at full stroke leaves the low side to the circuit: it rises with the high side
and falls as the engine turns faster, and does nothing else. One whose stroke or speed is
controlled holds the low side against both, or moves it when neither moves. Takes blocks with
`compressor`, `is_running` and `run_start_s`; adds `follows` (share of the movement at full
stroke), `off_full_stroke` and `unexplained` (relative), and `lifted_kpa`. Does not belong
here: what follows for the regime (`control_limits`).
"""

from __future__ import annotations

import polars as pl

FIGURES = ("follows", "off_full_stroke", "unexplained", "lifted_kpa")
# How the low side answers at full stroke: by the balance of what the evaporator boils (more
# the colder it is) and what the compressor draws (more with speed and suction density, less
# with the pressure ratio) some 0.3 % per 1 % of either (tuning value).
_PER_HIGH_SIDE = 0.28
_PER_ENGINE_SPEED = -0.31
# The run is judged once the circuit has left its start behind: one that is steered from
# outside has then taken back its stroke, an electric one is seen to slow down (tuning values).
_START_OVER_S = {"variable_external": 150.0}
_START_OVER_ELSE_S = 90.0
# A shorter rest of a run says nothing (tuning value).
_LEAST_S = 120.0
# `follows` is told where its standard error, the blocks taken as independent, is below this.
_LARGEST_ERROR = 0.25
# Where no start was seen a low side that stays may be one that is held as well as one that
# nothing moves: then the high side or the engine must have moved it by so much (relative;
# tuning value).
_LEAST_DRIVEN = 0.002
# A valve lets the low side fall a little as the high side rises (common practice), by some
# 3 kPa for 100 (tuning value), and holds it lowest where it holds it (share of the run).
_VALVE_FALL = 0.03
_HELD_SHARE = 0.2
_SMOOTH_BLOCKS = 5


def add_full_stroke(blocks: pl.DataFrame, block_s: float) -> pl.DataFrame:
    """The blocks with the figures of their run; null where nothing can be said.

    `off_full_stroke` is the standard deviation of the low side about what full stroke would
    make of the high side and the engine, `unexplained` the same about a share `follows` of it,
    both relative. `lifted_kpa` is how far the low side stands above where its valve held it.
    Row count and order stay.
    """
    if not {"low_side_kpa", "high_side_kpa"} <= set(blocks.columns):
        return blocks.with_columns(pl.lit(None, pl.Float64).alias(name) for name in FIGURES)
    numbered = blocks.with_row_index("full_stroke_row").with_columns(
        starts_seen=pl.col("run_start_s") > pl.col("start_s").min().over("test_number")
    )
    settled = numbered.filter(
        pl.col("compressor") != "fixed_clutch",
        pl.col("is_running"),
        pl.col("start_s") - pl.col("run_start_s") >= _start_over_s(),
    ).select(
        "full_stroke_row",
        "test_number",
        "run_start_s",
        "starts_seen",
        low=pl.col("low_side_kpa").log(),
        driven=_driven(blocks.columns),
        level_kpa=_level_kpa(),
    )
    runs = _runs(settled, block_s)
    lifted = settled.join(runs, on=_RUN).select(
        "full_stroke_row", lifted_kpa=pl.col("level_kpa") - pl.col("held_kpa")
    )
    return (
        numbered.join(runs.drop("held_kpa"), on=_RUN, how="left", maintain_order="left")
        .join(lifted, on="full_stroke_row", how="left", maintain_order="left")
        .drop("full_stroke_row", "starts_seen")
    )


_RUN = ("test_number", "run_start_s")


def _driven(columns: list[str]) -> pl.Expr:
    """What full stroke would make of the low side, as a logarithm up to a constant."""
    by_high = _PER_HIGH_SIDE * pl.col("high_side_kpa").log()
    if "engine_rpm" not in columns:
        return by_high
    is_driven = (pl.col("compressor") != "electric") & (pl.col("engine_rpm") > 0.0)
    speed = pl.when(is_driven).then(pl.col("engine_rpm")).log()
    return by_high + _PER_ENGINE_SPEED * speed.fill_null(0.0)


def _start_over_s() -> pl.Expr:
    told = pl.col("compressor").replace_strict(
        _START_OVER_S, default=_START_OVER_ELSE_S, return_dtype=pl.Float64
    )
    return told.fill_null(_START_OVER_ELSE_S)


def _level_kpa() -> pl.Expr:
    level = pl.col("low_side_kpa") + _VALVE_FALL * pl.col("high_side_kpa")
    return level.rolling_median(_SMOOTH_BLOCKS, min_samples=1, center=True).over("test_number")


def _runs(settled: pl.DataFrame, block_s: float) -> pl.DataFrame:
    """One row per run that is long enough: the figures and the level its valve held."""
    both = settled.filter(pl.col("low").is_finite() & pl.col("driven").is_finite())
    runs = both.group_by(_RUN).agg(
        pl.col("starts_seen").first(),
        n=pl.len(),
        moved=pl.var("low", ddof=0),
        driven=pl.var("driven", ddof=0),
        together=pl.cov("low", "driven", ddof=0),
        held_kpa=pl.col("level_kpa").quantile(_HELD_SHARE),
    )
    follows = pl.when(pl.col("driven") > 0).then(pl.col("together") / pl.col("driven"))
    rest = (pl.col("moved") - follows * pl.col("together")).clip(lower_bound=0.0)
    off = (pl.col("moved") - 2.0 * pl.col("together") + pl.col("driven")).clip(lower_bound=0.0)
    is_sure = rest / (pl.col("driven") * pl.col("n")) < _LARGEST_ERROR**2
    speaks = pl.col("starts_seen") | (pl.col("driven") > _LEAST_DRIVEN**2)
    return runs.filter(pl.col("n") * block_s >= _LEAST_S).select(
        *_RUN,
        "held_kpa",
        follows=pl.when(is_sure).then(follows),
        off_full_stroke=pl.when(speaks).then(off.sqrt()),
        unexplained=rest.sqrt(),
    )
