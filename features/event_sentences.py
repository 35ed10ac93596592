"""The sentence of each event: what, by how much, when, what the circuit did, how it is known.

Does not belong here: the figures themselves.
"""

from __future__ import annotations

import polars as pl

from features.event_kinds import EVENT_KIND

_HOW = {
    "pressure": "seen in the pressures",
    "air": "seen in low side and duct air",
    "trust": "from the trust rules",
}


def event_sentence() -> pl.Expr:
    """For example: condenser fan up 50 points at 4:10, high side -290 kPa, low side -12 kPa."""
    minutes = (pl.col("time_s") // 60).cast(pl.Int64).cast(pl.String)
    seconds = (pl.col("time_s") % 60).floor().cast(pl.Int64).cast(pl.String).str.zfill(2)
    constant = pl.format(", time constant {} s", _whole(pl.col("time_constant_s")))
    return pl.concat_str(
        pl.col("kind_code").replace_strict({kind.code: kind.words for kind in EVENT_KIND.values()}),
        _size().fill_null(""),
        pl.lit(" at "),
        minutes,
        pl.lit(":"),
        seconds,
        _how().fill_null(""),
        _response_words("high_side_change_kpa", "high side"),
        constant.fill_null(""),
        _response_words("low_side_change_kpa", "low side"),
    )


def _size() -> pl.Expr:
    """By how many points or revolutions; a compressor is on or off."""
    family = pl.col("kind_code").replace_strict({k.code: k.family for k in EVENT_KIND.values()})
    is_step = (family != "compressor").fill_null(value=False)
    points = pl.format(" {} points", _whole(pl.col("size_pct").abs()))
    speed = pl.format(" {} 1/min", _whole(pl.col("size_rpm").abs()))
    return pl.when(is_step).then(pl.coalesce(points, speed))


def _how() -> pl.Expr:
    words = pl.col("source_code").replace_strict(_HOW, default=None, return_dtype=pl.String)
    sure = pl.col("confidence").round(2).cast(pl.String)
    return pl.format(" ({}, confidence {})", words, sure)


def _response_words(column: str, side: str) -> pl.Expr:
    whole = _whole(pl.col(column))
    sign = pl.when(whole >= 0).then(pl.lit("+")).otherwise(pl.lit("-"))
    words = pl.format(", {} {}{} kPa", pl.lit(side), sign, whole.abs())
    return pl.when(whole.is_not_null()).then(words).otherwise(pl.lit(""))


def _whole(value: pl.Expr) -> pl.Expr:
    return value.round(0).cast(pl.Int64)
