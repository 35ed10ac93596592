"""What came of a repair, in words, as an expression over the columns of `REPAIR_OUTCOMES`.

Does not belong here: arithmetic, words about shops (`shop_sentences`).
"""

from __future__ import annotations

import polars as pl

from models.assessments import FAR_BEYOND, FINDING

_NOT_COMPARED = {
    "no_before_test": "No test tells the state before.",
    "no_after_test": "Not tested after.",
    "nothing_in_common": "The tests before and after share no quantity that could be judged.",
    "air_not_known": "The air at the condenser is not known in both tests: they are not compared.",
    "air_too_different": "The air before and after differs too much to compare the tests.",
}


def outcome_sentence() -> pl.Expr:
    """Tests, charge and what followed, as short sentences."""
    parts = (_tests(), _charge(), _refill(), _followup())
    return pl.concat_str(parts, separator=" ", ignore_nulls=True)


def _tests() -> pl.Expr:
    was_out = pl.col("before_verdict_code").is_in([FINDING, FAR_BEYOND])
    compared = pl.col("comparison_code").eq("comparable")
    return (
        pl.when(~compared)
        .then(pl.col("comparison_code").replace_strict(_NOT_COMPARED, default=None))
        .when(pl.col("is_back_in_band"))
        .then(pl.lit("Out of band before, in band after."))
        .when(~pl.col("is_back_in_band"))
        .then(pl.lit("Out of band before, still out of band after."))
        .when(was_out)
        .then(pl.lit("Out of band before; the test after cannot tell."))
        .otherwise(pl.lit("Nothing was found out of band before."))
    )


def _charge() -> pl.Expr:
    grams = pl.col("charge_error_g").abs().round(0).cast(pl.Int64)
    return (
        pl.when("is_overcharged")
        .then(pl.format("Charged {} g over specification.", grams))
        .when("is_undercharged")
        .then(pl.format("Charged {} g under specification.", grams))
        .when(pl.col("charge_error_g").is_not_null())
        .then(pl.lit("Charged to specification."))
    )


def _refill() -> pl.Expr:
    return (
        pl.when("is_topup_again")
        .then(pl.lit("Refilled with no leak found, and filled again later."))
        .when("is_topup")
        .then(pl.lit("Refilled with no leak found."))
    )


def _followup() -> pl.Expr:
    days = pl.col("followup_days").round(0).cast(pl.Int64)
    return (
        pl.when(pl.col("followup_code") == "came_back")
        .then(pl.format("Another repair {} d later.", days))
        .when(pl.col("followup_code") == "left")
        .then(pl.format("Last seen {} d later; whether it held is not known.", days))
    )
