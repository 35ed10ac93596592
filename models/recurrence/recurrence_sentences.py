"""Rows of recurrences in words that a warranty analyst reads, each with its denominator.

Takes frames of `RECURRENCES` and gives the columns verdict_code and sentence. Does not belong
here: deciding what is estimated (`cohort_rows`).
"""

from __future__ import annotations

import polars as pl

from models.recurrence.clocks import CLOCKS

MORE, LESS, ALIKE, FEW = "more_often", "less_often", "as_others", "too_few"
# Whether failures come early or by wear is said when the interval of the shape leaves 1 out.
_NO_RATE = (
    "How many such cars there are is not known, so this is a share of the repairs, no failure rate."
)


def with_words(rows: pl.DataFrame, false_discovery_rate: float) -> pl.DataFrame:
    """The rows with `verdict_code` and `sentence`."""
    verdict = (
        pl.when(pl.col("q_value").is_null())
        .then(pl.lit(FEW))
        .when(pl.col("q_value") > false_discovery_rate)
        .then(pl.lit(ALIKE))
        .when(pl.col("n_repairs") > pl.col("expected_repairs"))
        .then(pl.lit(MORE))
        .otherwise(pl.lit(LESS))
    )
    is_fleet = pl.col("basis_code") != "presented"
    return rows.with_columns(verdict_code=verdict).with_columns(
        sentence=pl.when(is_fleet).then(_rate_sentence()).otherwise(_share_sentence())
    )


def _rate_sentence() -> pl.Expr:
    parts = [_counted(), _at_age(), _against_others(), _kind(), _defects(), _coming_back()]
    return pl.concat_str(parts, ignore_nulls=True).str.strip_chars()


def _share_sentence() -> pl.Expr:
    share = pl.format(
        "{}, {}: {} of the cohort's repairs, {} %.",
        "cohort", "component", "n_repairs", _percent("share_of_repairs"),
    )  # fmt: skip
    against = _against("{} would be its share among the others' repairs at the same ages")
    return pl.concat_str([share, against, pl.lit(" " + _NO_RATE)], ignore_nulls=True)


def _percent(column: str) -> pl.Expr:
    return (100.0 * pl.col(column)).round_sig_figs(2).cast(pl.String).str.strip_suffix(".0")


def _figure(column: str) -> pl.Expr:
    return pl.col(column).round_sig_figs(2).cast(pl.String).str.strip_suffix(".0")


def _counted() -> pl.Expr:
    units = pl.when(pl.col("unit_code") == "vehicle").then(pl.lit("vehicles"))
    return pl.format(
        "{}, {}: {} repairs on {} of {} {}.",
        "cohort", "component", "n_repairs", "n_failed", "n_vehicles",
        units.otherwise(pl.lit("fitted parts")),
    )  # fmt: skip


def _at_age() -> pl.Expr:
    words = pl.col("clock_code").replace_strict(
        {name: clock.words for name, clock in CLOCKS.items()}, return_dtype=pl.String
    )
    age = pl.col("told_at").round(0).cast(pl.Int64)
    return pl.format(
        " By {} {} {} % had failed once (90 % interval {} to {} %).",
        age, words, _percent("failed_share"), _percent("failed_share_low"),
        _percent("failed_share_high"),
    )  # fmt: skip


def _against(what: str) -> pl.Expr:
    verdict = pl.col("verdict_code")
    close = (
        pl.when(verdict == MORE)
        .then(pl.lit("more often"))
        .when(verdict == LESS)
        .then(pl.lit("less often"))
        .otherwise(pl.lit("no difference told"))
    )
    expected = pl.format(" " + what, _figure("expected_repairs"))
    told = pl.concat_str([
        expected,
        pl.coalesce(
            pl.format(", so {} times as many", _figure("ratio")),
            pl.lit(", none of the others had one"),
        ),
        pl.format(" (interval {} to ", _figure("ratio_low")),
        pl.coalesce(_figure("ratio_high"), pl.lit("any number")),
        pl.format("): {}.", close),
    ])  # fmt: skip
    return pl.when(verdict == FEW).then(pl.lit(" Too few to compare.")).otherwise(told)


def _against_others() -> pl.Expr:
    return _against("{} would be expected at the others' rate at the same ages")


def _kind() -> pl.Expr:
    kind = (
        pl.when(pl.col("weibull_shape_high") < 1.0)
        .then(pl.lit("they come early, as defects of build do"))
        .when(pl.col("weibull_shape_low") > 1.0)
        .then(pl.lit("they come with age, as wear and corrosion do"))
        .otherwise(pl.lit("neither early failure nor wear is told"))
    )
    return pl.format(" First failures have Weibull shape {}: {}.", _figure("weibull_shape"), kind)


def _defects() -> pl.Expr:
    return pl.format(
        " Told better by a defect that {} % of them bear (interval {} to {} %).",
        _percent("defective_share"), _percent("defective_share_low"),
        _percent("defective_share_high"),
    )  # fmt: skip


def _coming_back() -> pl.Expr:
    again = pl.format(" {} came back for it", "n_again")
    differ = pl.when(pl.col("vehicle_variance_p_value") < 0.01).then(
        pl.lit(", and cars differ beyond chance: some bring it again and again")
    )
    is_any = pl.col("n_again") > 0
    return pl.when(is_any).then(pl.concat_str([again, differ.otherwise(pl.lit("")), pl.lit(".")]))
