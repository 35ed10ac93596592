"""Visits: what each car showed on each day since its last service, per quantity and regime.

Takes residuals, what is known of the tests, and repairs; gives one row per visit of a
series (vehicle, feature, regime). A repair that changed something begins a series anew; so
does a change of the instrument at which quantities that share no sensor jump together,
for that is the instrument and not the car. Does not belong here: trends (`trends`, `hinge`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.regimes import WHOLE_TEST
from models.findings import JUDGED_FEATURE
from models.history import CHANGES_NOTHING

if TYPE_CHECKING:
    from models.settings import AssessmentSettings

SERIES = ("vehicle_id", "feature", "regime")
_DAYS_PER_YEAR = 365.25
_SECONDS_PER_YEAR = _DAYS_PER_YEAR * 86400.0
# The difference of two visits has twice the variance of one; the median absolute
# deviation of a normal is 0.67449 sigma.
_MAD_OF_DIFFERENCES = 0.6744897501960817 * 2**0.5
# A jump of so many noises of a difference counts; of two independent ones by chance at a
# stated instant about one in 30,000 [computed, normal law].
_JUMP = 2.5
_LEAST_DIFFERENCES = 20
_MOST_FREEDOM = 40.0


def visit_frame(
    residuals: pl.DataFrame,
    tests: pl.DataFrame,
    repairs: pl.DataFrame,
    settings: AssessmentSettings,
    noise: pl.DataFrame | None = None,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """One row per series and day: time, level, noise of the fleet, why the series begins.

    Parameters
    ----------
    residuals : frame
        RESIDUALS.
    tests : frame
        test_id, vehicle_id, started_at, purpose, repair_id, instrument_id.
    repairs : frame
        repair_id, vehicle_id, performed_at, action; none later than the judgement.
    noise : frame
        What was learned before; None learns it of these residuals.

    Returns
    -------
    visits : frame
        vehicle_id, model_id, feature, regime, visited_at, value (deviation, or observed
        value where `is_residual` is false), observed, spread, noise, noise_freedom,
        break_code; in order of series and time.
    noise : frame
        feature, regime, noise, noise_freedom: how much a car that stays the same differs
        between visits.
    """
    since = _tests_since_repair(tests, repairs)
    visits = _visits(residuals, since, settings.least_visits)
    known = _noise(visits).sort("feature", "regime") if noise is None else noise
    visits = visits.join(known, on=["feature", "regime"], how="left")
    visits = visits.with_columns(
        pl.coalesce("noise", "spread", "uncertainty"),
        pl.col("noise_freedom").fill_null(1.0),
    )
    return _since_instrument(visits), known


def _tests_since_repair(tests: pl.DataFrame, repairs: pl.DataFrame) -> pl.DataFrame:
    """The tests after the last changing repair of their car, with whether there was one.

    What a test of the same visit says of itself outranks the clock.
    """
    changing = repairs.filter(~pl.col("action").fill_null("").is_in(CHANGES_NOTHING))
    last = (
        changing.sort("performed_at", "repair_id")
        .group_by("vehicle_id")
        .agg(pl.col("repair_id").last().alias("last_id"), pl.col("performed_at").last())
    )
    own = pl.col("repair_id").eq(pl.col("last_id")).fill_null(value=False)
    stated = pl.col("purpose").is_in(["before_repair", "after_repair"]).fill_null(value=False)
    by_clock = pl.col("performed_at").is_null() | (pl.col("started_at") > pl.col("performed_at"))
    is_after = pl.when(own & stated).then(pl.col("purpose") == "after_repair").otherwise(by_clock)
    return (
        tests.join(last, on="vehicle_id", how="left")
        .filter(is_after)
        .with_columns(pl.col("performed_at").is_not_null().alias("is_repaired"))
        .select("test_id", "started_at", "instrument_id", "is_repaired")
    )


def _visits(residuals: pl.DataFrame, since: pl.DataFrame, least: int) -> pl.DataFrame:
    """One row per series and day; on deviations where enough of the series has them."""
    # rates of whole tests are counts, which no line describes
    of_regimes = residuals.filter(pl.col("regime") != WHOLE_TEST)
    known = of_regimes.filter(pl.col("observed").is_not_null()).join(since, on="test_id")
    day = pl.col("started_at").dt.truncate("1d")
    has_residual = pl.col("expected").is_not_null()
    counted = known.with_columns(day.alias("day")).with_columns(
        day.filter(has_residual).n_unique().over(SERIES).ge(least).alias("is_residual")
    )
    deviation = pl.col("observed") - pl.col("expected")
    return (
        counted.filter(~pl.col("is_residual") | has_residual)
        .with_columns(pl.when("is_residual").then(deviation).otherwise("observed").alias("value"))
        .group_by(*SERIES, "day")
        .agg(
            pl.col("model_id").first(),
            pl.col("started_at").max().alias("visited_at"),
            pl.col("value", "observed", "spread").median(),
            pl.col("standard_uncertainty").median().alias("uncertainty"),
            pl.col("instrument_id").drop_nulls().last(),
            pl.col("is_residual").first(),
            pl.when(pl.col("is_repaired").first()).then(pl.lit("repair")).alias("break_code"),
        )
        .filter(pl.col("value").is_finite())
        .sort(*SERIES, "visited_at")
        .drop("day")
    )


def _noise(visits: pl.DataFrame) -> pl.DataFrame:
    """How much a car that stays the same differs from visit to visit, per feature and regime.

    From the differences of successive visits of all cars about their median: what a minority
    of drifting cars adds hardly moves it. Null where there are too few.
    """
    step = (
        visits.filter("is_residual")
        .select("feature", "regime", pl.col("value").diff().over(SERIES).alias("step"))
        .drop_nulls()
    )
    about = (pl.col("step") - pl.col("step").median()).abs().median()
    floor = pl.col("feature").replace_strict(
        {name: feature.least_spread for name, feature in JUDGED_FEATURE.items()},
        return_dtype=pl.Float64,
        default=0.0,
    )
    return (
        step.group_by("feature", "regime")
        .agg(
            pl.len().alias("n_steps"),
            (about / _MAD_OF_DIFFERENCES).alias("noise"),
            # a median absolute deviation is worth about 0.37 of its sample
            pl.min_horizontal(0.37 * pl.len().cast(pl.Float64), _MOST_FREEDOM).alias(
                "noise_freedom"
            ),
        )
        .filter(pl.col("n_steps") >= _LEAST_DIFFERENCES)
        .with_columns(pl.max_horizontal("noise", floor / 2).alias("noise"))
        .select("feature", "regime", "noise", "noise_freedom")
    )


def _since_instrument(visits: pl.DataFrame) -> pl.DataFrame:
    """The visits since the last change of instrument at which the car seemed to jump."""
    changed = pl.col("instrument_id").ne(pl.col("instrument_id").shift(1))
    jump = (pl.col("value") - pl.col("value").shift(1)).abs() > _JUMP * 2**0.5 * pl.col("noise")
    suspects = visits.filter((changed & jump).over(SERIES)).select(
        "vehicle_id", "visited_at", "feature"
    )
    if suspects.is_empty():
        return visits
    jumps = suspects.group_by("vehicle_id", "visited_at").agg(pl.col("feature").unique().sort())
    is_joint = [_has_independent(names) for names in jumps["feature"].to_list()]
    breaks = (
        jumps.filter(pl.Series(is_joint, dtype=pl.Boolean))
        .group_by("vehicle_id")
        .agg(pl.col("visited_at").max().alias("broken_at"))
    )
    is_cut = pl.col("broken_at").is_not_null()
    return (
        visits.join(breaks, on="vehicle_id", how="left", maintain_order="left")
        .filter(~is_cut | (pl.col("visited_at") >= pl.col("broken_at")))
        .with_columns(
            pl.when(is_cut).then(pl.lit("instrument")).otherwise("break_code").alias("break_code")
        )
        .drop("broken_at")
    )


def _has_independent(features: list[str]) -> bool:
    """Whether two of the features share no logged channel."""
    channels = [JUDGED_FEATURE[name].channels for name in features if name in JUDGED_FEATURE]
    return any(
        one.isdisjoint(other)
        for place, one in enumerate(channels)
        for other in channels[place + 1 :]
    )


def years_between(first: pl.Expr, last: pl.Expr) -> pl.Expr:
    """Years from one instant to another."""
    return (last - first).dt.total_microseconds() / (_SECONDS_PER_YEAR * 1e6)


def after_years(first: pl.Expr, years: pl.Expr) -> pl.Expr:
    """The instant so many years after another; null where not finite or beyond the calendar."""
    whole = pl.when(years.is_finite() & (years.abs() < 500.0)).then(years)
    return first + pl.duration(microseconds=(whole * _SECONDS_PER_YEAR * 1e6).cast(pl.Int64))
