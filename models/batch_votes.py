"""One vote per car and quantity: how far the car strays, for comparing whole batches.

Takes residuals, tests, vehicles and repairs as frames, gives the votes (long) and the
memberships of cars in batches. A car tested ten times votes once: the median of its
deviations over tests and control states, in spreads, which allow for model, conditions and
control state already. A batch of the works is judged by tests before the car's first repair,
a lot of parts by those after it was fitted. Does not belong here: tests of hypotheses
(`batch_warning`).
"""

from __future__ import annotations

import polars as pl

from models.claim_cohorts import COHORT_KINDS
from models.recurrence.cohorts import add_dimensions

# Kinds of batch that the works make; a lot of spare parts is the one that shops fit.
WORKS_KINDS = ("build_month", "build_month_and_plant", "plant")
PART_LOT = "part_lot"


def batch_votes(
    residuals: pl.DataFrame, tests: pl.DataFrame, repairs: pl.DataFrame
) -> pl.DataFrame:
    """One row per vehicle, feature and stage (`as_built`, `repaired`).

    Columns model_id, vehicle_id, stage, feature, vote (spreads), n_tests, site_id (where most
    of its tests were run, null where not noted).
    """
    first = _repairs(repairs).group_by("vehicle_id").agg(pl.col("performed_at").min())
    dated = tests.select("test_id", "vehicle_id", "started_at", "site_id").join(
        first, on="vehicle_id", how="left"
    )
    is_repaired = (pl.col("started_at") >= pl.col("performed_at")).fill_null(value=False)
    stage = pl.when(is_repaired).then(pl.lit("repaired")).otherwise(pl.lit("as_built"))
    return (
        residuals.filter(pl.col("z").is_not_null(), pl.col("reason_code").is_null())
        .select("test_id", "vehicle_id", "model_id", "feature", "z")
        .join(dated.select("test_id", "site_id", stage.alias("stage")), on="test_id")
        .group_by("model_id", "vehicle_id", "stage", "feature")
        .agg(
            vote=pl.col("z").median(),
            n_tests=pl.col("test_id").n_unique(),
            site_id=pl.col("site_id").drop_nulls().mode().sort().first(),
        )
        .sort("model_id", "feature", "stage", "vehicle_id")
    )


def _repairs(repairs: pl.DataFrame) -> pl.DataFrame:
    """Repairs that changed something, with the lot that was fitted."""
    lot = () if PART_LOT in repairs.columns else (pl.lit(None, pl.String).alias(PART_LOT),)
    changed = ~pl.col("action").is_in(("inspect", "none")).fill_null(value=False)
    return (
        repairs.with_columns(*lot)
        .filter(changed)
        .select("vehicle_id", pl.col("performed_at").cast(pl.Datetime("us", "UTC")), PART_LOT)
    )


def batch_members(
    vehicles: pl.DataFrame, models: pl.DataFrame, repairs: pl.DataFrame
) -> pl.DataFrame:
    """Which cars are in which batch: vehicle_id, stage, kind_code, cohort."""
    known = add_dimensions(vehicles, models)
    works = [
        known.select(
            "vehicle_id", stage=pl.lit("as_built"), kind_code=pl.lit(kind),
            cohort=COHORT_KINDS[kind],
        )
        for kind in WORKS_KINDS
    ]  # fmt: skip
    lots = _repairs(repairs).select(
        "vehicle_id", stage=pl.lit("repaired"), kind_code=pl.lit(PART_LOT), cohort=PART_LOT
    )
    return pl.concat([*works, lots]).drop_nulls().unique().sort("kind_code", "cohort", "vehicle_id")
