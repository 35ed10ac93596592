"""Groups of repairs compared by measures: where each lies, and whether that may be said.

Takes `REPAIR_OUTCOMES` with the group each row belongs to (a shop, a part), gives the columns
that `SHOPS` and `PARTS` share. A group is named as standing out only beyond the 99.8 % limits,
with evidence enough and a sure sign; there is no order of groups but that of their names. Does
not belong here: statistics (`compared_rates`, `compared_means`), words (`comparison_sentences`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from models.compared_means import compared_averages
from models.compared_rates import compared_counts
from models.comparison_sentences import comparison_sentence
from models.measures import Kind, Measure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from models.repair_settings import RepairSettings

# a quantity where neither side is worse is named by the side it lies on
SIDES = ("worse", "better", "above", "below")


def compared(
    rows: pl.DataFrame, measures: Sequence[Measure], settings: RepairSettings
) -> pl.DataFrame:
    """One row per group and measure, in order of both.

    Parameters
    ----------
    rows : frame
        `group` (null: belongs to none) and the columns of `REPAIR_OUTCOMES`.
    measures : sequence of Measure
    settings : RepairSettings
    """
    parts = [_by_measure(rows, measure, settings) for measure in measures]
    found = [part for part in parts if part.height]
    return pl.concat(found) if found else pl.DataFrame()


def _by_measure(rows: pl.DataFrame, measure: Measure, settings: RepairSettings) -> pl.DataFrame:
    if measure.kind is Kind.AVERAGE:
        found = compared_averages(rows, measure)
    else:
        found = compared_counts(rows, measure, settings)
    if found.is_empty():
        return found
    evidence = pl.col("n_repairs") if measure.kind is Kind.AVERAGE else pl.col("expected")
    if measure.kind is Kind.SHARE:
        # of what nearly always happens the cases that do not are the evidence
        evidence = pl.min_horizontal("expected", pl.col("n_repairs") - pl.col("expected"))
    enough = evidence >= settings.least_expected
    return (
        found.with_columns(
            pl.lit(measure.code).alias("measure_code"),
            pl.lit(measure.unit).alias("unit"),
            pl.lit(found.height, pl.Int32).alias("n_compared"),
            _position().alias("position_code"),
            enough.alias("is_enough"),
        )
        .with_columns(_verdict(measure, settings, found.height).alias("verdict_code"))
        .with_columns(
            comparison_sentence(measure).alias("sentence"),
            _worse(measure).alias("worse_probability"),
        )
        .drop("above_probability", "is_enough")
    )


def _position() -> pl.Expr:
    value = pl.col("value")
    return (
        pl.when(value > pl.col("high_998"))
        .then(pl.lit("outside_998_high"))
        .when(value < pl.col("low_998"))
        .then(pl.lit("outside_998_low"))
        .when(value > pl.col("high_95"))
        .then(pl.lit("outside_95_high"))
        .when(value < pl.col("low_95"))
        .then(pl.lit("outside_95_low"))
        .otherwise(pl.lit("inside"))
    )


def _worse(measure: Measure) -> pl.Expr:
    above = pl.col("above_probability")
    if measure.adverse == 0:
        return pl.lit(None, pl.Float64)
    return above if measure.adverse > 0 else 1.0 - above


def _verdict(measure: Measure, settings: RepairSettings, n_groups: int) -> pl.Expr:
    up, down = {1: ("worse", "better"), 0: ("above", "below")}[measure.adverse]
    above = pl.col("above_probability")
    if n_groups < settings.least_compared:
        return pl.lit("no_comparison")
    return (
        pl.when(~pl.col("is_enough"))
        .then(pl.lit("too_little"))
        .when((pl.col("position_code") == "outside_998_high") & (above >= settings.least_sure))
        .then(pl.lit(up))
        .when((pl.col("position_code") == "outside_998_low") & (above <= 1.0 - settings.least_sure))
        .then(pl.lit(down))
        .otherwise(pl.lit("within"))
    )
