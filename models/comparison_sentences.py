"""What a comparison says of one group, in words, as an expression over its columns.

Plain words for the owner of a shop: what was seen, what such cars would show anywhere, and
whether chance explains the rest. Does not belong here: arithmetic (`comparisons`).
"""

from __future__ import annotations

import polars as pl

from models.measures import Kind, Measure

_ENDS = {
    "within": "within what chance gives among such shops",
    "worse": "more than chance gives",
    "better": "fewer than chance gives",
    "above": "higher than chance gives",
    "below": "lower than chance gives",
    "too_little": "too few to say anything",
    "no_comparison": "too few others to compare with",
}


def comparison_sentence(measure: Measure) -> pl.Expr:
    """Counts or average, expectation, limits, and what may be said."""
    end = pl.col("verdict_code").replace_strict(_ENDS, default="")
    if measure.kind is Kind.AVERAGE:
        return _of_average(measure, end)
    return pl.format(
        "{} of {} repairs {}; {} were to be expected of such cars, {} to {} by chance: {}.",
        _number(pl.col("observed"), 0),
        pl.col("n_repairs"),
        pl.lit(measure.words),
        _number(pl.col("expected"), 1),
        _number(pl.col("low_998") * pl.col("expected"), 1),
        _number(pl.col("high_998") * pl.col("expected"), 1),
        end,
    )


def _of_average(measure: Measure, end: pl.Expr) -> pl.Expr:
    unit = f" {measure.unit}" if measure.unit != "1" else ""
    return pl.format(
        "{}: {} on average over {} repairs; {} were to be expected of such cars, give or take {} "
        "by chance: {}.",
        pl.lit(measure.words[:1].upper() + measure.words[1:]),
        _with_unit("observed", unit),
        pl.col("n_repairs"),
        _with_unit("expected", unit),
        _number(pl.col("high_998"), 2),
        end,
    )


def _with_unit(name: str, unit: str) -> pl.Expr:
    return pl.concat_str(_number(pl.col(name), 2), pl.lit(unit))


def _number(values: pl.Expr, decimals: int) -> pl.Expr:
    rounded = values.round(decimals)
    return (rounded.cast(pl.Int64) if decimals == 0 else rounded).cast(pl.String)
