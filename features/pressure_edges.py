"""Edges of the two pressures: compressor and fan events where no command was logged.

The signs tell them apart: a compressor that starts pulls the low side down and pushes the
high side up, one that stops does the opposite; a condenser fan moves the high side and
leaves the low side where it is or moves it a little the same way. Takes a frame of blocks
and gives one row per edge: test_number, time_s, is_rise (of the high side). Does not
belong here: commands (`command_steps`), what is made of an edge (`events`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import polars as pl

from features.blocks import is_same_test

if TYPE_CHECKING:
    from features.settings import DerivationSettings

EDGES_SCHEMA = {"test_number": pl.UInt32(), "time_s": pl.Float64(), "is_rise": pl.Boolean()}

# A fan leaves the low side alone: it moves less than this share of the high side (tuning value).
_FAN_LOW_SIDE_SHARE = 0.15
# Blower and intake move both sides alike, and the low side more than this share (tuning value).
_AIR_LOW_SIDE_SHARE = 0.3
# A speed change of the engine between two blocks explains an edge from here on (tuning value).
_ENGINE_STEP_RPM = 100.0
# 1 sd of normal noise from the median absolute second difference: 1.4826 / sqrt(1 + 4 + 1)
_SECOND_DIFFERENCE_TO_SD = 0.6053
# Noise of m3 - 2 m2 + m1 of means over two blocks each, in sd of one block: sqrt((1 + 4 + 1) / 2)
_KNEE_NOISE = 1.732
_NEIGHBOURS = 3


def compressor_edges(blocks: pl.DataFrame, settings: DerivationSettings) -> pl.DataFrame:
    """Starts (the high side rises) and stops (it falls) of the compressor by both pressures.

    Both sides must move in opposite directions within two blocks, each beyond its setting.
    """
    if not _are_both_sides_logged(blocks):
        return pl.DataFrame(schema=EDGES_SCHEMA)
    low, high = (pl.col(name) - pl.col(name).shift(2) for name in ("low_side_kpa", "high_side_kpa"))
    strength = pl.min_horizontal(
        low.abs() / settings.clutch_low_side_edge_kpa,
        high.abs() / settings.clutch_high_side_edge_kpa,
    )
    is_opposed = is_same_test(2) & _is_unbroken(2) & (low * high < 0)
    candidates = blocks.with_columns(
        strength=pl.when(is_opposed).then(strength), is_rise=high > 0, time_s=_time_of_step()
    )
    return candidates.filter(_is_peak("strength") & (pl.col("strength") >= 1.0)).select(
        pl.col(name).cast(dtype) for name, dtype in EDGES_SCHEMA.items()
    )


def fan_edges(blocks: pl.DataFrame, settings: DerivationSettings) -> pl.DataFrame:
    """Rises (fan down) and falls (fan up) of the high side that only a fan explains.

    The edge is a knee: means over ten seconds (two blocks) before, before that, and after.
    A ramp has no knee; where a response levels off, knee and change disagree in sign.
    """
    if not _are_both_sides_logged(blocks):
        return pl.DataFrame(schema=EDGES_SCHEMA)
    high, low = _knee("high_side_kpa"), _knee("low_side_kpa")
    judged = blocks.with_columns(
        noise=_noise("high_side_kpa").over("test_number"),
        low_noise=_noise("low_side_kpa").over("test_number"),
    ).with_columns(
        knee=pl.when(_is_unbroken_around()).then(high.knee), change=high.change, low=low.change
    )
    threshold = pl.max_horizontal(
        settings.least_high_side_edge_kpa,
        settings.edge_noise_multiple * _KNEE_NOISE * pl.col("noise"),
    )
    candidates = judged.with_columns(
        strength=pl.when(_is_a_fan(blocks.columns)).then(pl.col("knee").abs() / threshold),
        is_rise=pl.col("change") > 0,
        time_s=_time_of_knee(),
    )
    return candidates.filter(_is_peak("strength") & (pl.col("strength") >= 1.0)).select(
        pl.col(name).cast(dtype) for name, dtype in EDGES_SCHEMA.items()
    )


def _are_both_sides_logged(blocks: pl.DataFrame) -> bool:
    return {"low_side_kpa", "high_side_kpa"} <= set(blocks.columns)


class _Knee(NamedTuple):
    """Change of level and change of slope at a block."""

    change: pl.Expr
    knee: pl.Expr


def _knee(channel: str) -> _Knee:
    """Both from means over two blocks: after, just before, and before that."""
    value = pl.col(channel)
    after = (value + value.shift(-1)) / 2
    before = (value.shift(1) + value.shift(2)) / 2
    earlier = (value.shift(3) + value.shift(4)) / 2
    return _Knee(after - before, after - 2 * before + earlier)


def _is_a_fan(columns: list[str]) -> pl.Expr:
    """True means: knee and change agree, and the low side moves as under a fan."""
    change, low = pl.col("change"), pl.col("low")
    along = low * change.sign()
    against_limit = pl.max_horizontal(3.0 * pl.col("low_noise"), _FAN_LOW_SIDE_SHARE * change.abs())
    along_limit = pl.max_horizontal(3.0 * pl.col("low_noise"), _AIR_LOW_SIDE_SHARE * change.abs())
    is_fan = (pl.col("knee") * change > 0) & (along >= -against_limit) & (along <= along_limit)
    if "engine_rpm" not in columns:
        return is_fan
    step_rpm = (pl.col("engine_rpm").shift(-1) - pl.col("engine_rpm").shift(2)).abs()
    return is_fan & (step_rpm < _ENGINE_STEP_RPM).fill_null(value=True)


def _noise(channel: str) -> pl.Expr:
    value = pl.col(channel)
    second = value - 2 * value.shift(1) + value.shift(2)
    return second.abs().median() * _SECOND_DIFFERENCE_TO_SD


def _is_unbroken(rows: int) -> pl.Expr:
    """True means: no block is missing between this row and the one `rows` earlier."""
    step = pl.col("block_number") - pl.col("block_number").shift(rows)
    return (step == rows).fill_null(value=False)


def _is_unbroken_around() -> pl.Expr:
    step = pl.col("block_number").shift(-1) - pl.col("block_number").shift(4)
    return is_same_test(-1) & is_same_test(4) & (step == 5).fill_null(value=False)


def _is_peak(name: str) -> pl.Expr:
    """True means: the largest of its neighbourhood (the first of equals)."""
    value = pl.col(name)
    around = range(1, _NEIGHBOURS + 1)
    earlier = [pl.when(is_same_test(k)).then(value.shift(k)) for k in around]
    later = [pl.when(is_same_test(-k)).then(value.shift(-k)) for k in around]
    is_first = value > pl.max_horizontal(earlier).fill_null(0.0)
    return is_first & (value >= pl.max_horizontal(later).fill_null(0.0))


def _time_of_step() -> pl.Expr:
    """Time within the middle one of three blocks at which a sudden step splits its mean so."""
    value = pl.col("high_side_kpa")
    done = (value.shift(1) - value.shift(2)) / (value - value.shift(2))
    width_s = pl.col("start_s") - pl.col("start_s").shift(1)
    return pl.col("start_s").shift(1) + (1.0 - done.clip(0.0, 1.0)) * width_s


def _time_of_knee() -> pl.Expr:
    """When the high side began to leave its level, within the block before the knee or at it.

    A ramp that begins a share u of a block before the knee's block raises the block before
    by u^2 / 2 and the knee's block by u + 1 / 2 of a block's climb; solved for u.
    """
    value = pl.col("high_side_kpa")
    level = (value.shift(2) + value.shift(3) + value.shift(4)) / 3
    share = ((value.shift(1) - level) / (value - level)).clip(0.0, 1.0).fill_nan(0.0)
    width_s = pl.col("start_s") - pl.col("start_s").shift(1)
    return pl.col("start_s") - width_s * (share + (share**2 + share).sqrt()).clip(0.0, 1.0)
