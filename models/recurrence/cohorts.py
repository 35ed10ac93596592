"""Cohorts: by what cars and fitted parts may be set apart, and what a cohort is called.

`add_dimensions` takes the vehicles and models of the registry and gives one row per vehicle
with one text column per dimension; null means not known and makes a cohort of its own.
Does not belong here: how long anything was watched (`exposure`).
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True)
class Dimension:
    """One way to set cohorts apart: its name, what it says, and whether it is of a part."""

    name: str
    meaning: str
    is_of_part: bool = False


DIMENSIONS: tuple[Dimension, ...] = (
    Dimension("model", "vehicle model"),
    Dimension("architecture", "label of like circuits"),
    Dimension("plant", "where it was built"),
    Dimension("region", "where it runs"),
    Dimension("fleet", "the fleet it belongs to"),
    Dimension("build_year", "year it was built in"),
    Dimension("build_quarter", "quarter it was built in"),
    Dimension("build_month", "month it was built in"),
    Dimension("part_number", "part fitted at a repair", is_of_part=True),
    Dimension("supplier", "supplier of the part fitted", is_of_part=True),
    Dimension("part_lot", "lot of the part fitted", is_of_part=True),
)
DIMENSION = {dimension.name: dimension for dimension in DIMENSIONS}
VEHICLE_DIMENSIONS = tuple(each.name for each in DIMENSIONS if not each.is_of_part)
PART_DIMENSIONS = tuple(each.name for each in DIMENSIONS if each.is_of_part)

# How cohorts are cut when nobody says how: along each line by itself, and build periods
# within a model, where a batch shows.
FOUND_BY: tuple[tuple[str, ...], ...] = (
    ("model",),
    ("architecture",),
    ("plant",),
    ("region",),
    ("model", "plant"),
    ("model", "build_quarter"),
    ("model", "build_month"),
)
FOUND_BY_PARTS: tuple[tuple[str, ...], ...] = (("part_number",), ("supplier",), ("part_lot",))

UNKNOWN = "not known"
_BETWEEN = " · "


def add_dimensions(vehicles: pl.DataFrame, models: pl.DataFrame) -> pl.DataFrame:
    """The vehicles with one text column per dimension of `VEHICLE_DIMENSIONS`."""
    built = pl.col("build_date")
    quarter = pl.format("{} Q{}", built.dt.year(), built.dt.quarter())
    return vehicles.join(
        models.select("model_id", "architecture"), on="model_id", how="left", maintain_order="left"
    ).with_columns(
        pl.col("model_id").alias("model"),
        built.dt.year().cast(pl.String).alias("build_year"),
        pl.when(built.is_not_null()).then(quarter).alias("build_quarter"),
        built.dt.strftime("%Y-%m").alias("build_month"),
    )


def cohort_name(dimensions: tuple[str, ...]) -> pl.Expr:
    """The cohort a row belongs to as one text, such as `model_1 · 2023-03`; all: `all`."""
    if not dimensions:
        return pl.lit("all").alias("cohort")
    known = [pl.col(name).fill_null(UNKNOWN) for name in dimensions]
    return pl.concat_str(known, separator=_BETWEEN).alias("cohort")


def parent_dimensions(dimensions: tuple[str, ...]) -> tuple[str, ...]:
    """Those among which a cohort is compared: its model's cars where it is cut within a model."""
    return ("model",) if "model" in dimensions and len(dimensions) > 1 else ()
