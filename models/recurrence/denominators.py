"""What the denominators allow: failure rates of a fleet, or only shares of the repairs.

Says whom the register lists, by settings, volumes or the cars themselves, and adds the cars
that volumes count but the register does not, as rows of the watches with a weight. Does not
belong here: any rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import polars as pl

from models.recurrence.cohorts import VEHICLE_DIMENSIONS
from models.recurrence.exposure import WATCHES, ClaimRecords

if TYPE_CHECKING:
    from models.recurrence.settings import RecurrenceSettings

Basis = Literal["fleet", "volumes", "presented"]

# The register holds all cars built when it lacks no more than this share of them.
_COMPLETE_SHARE = 0.98
# On a list of cars that came to a shop hardly one has neither repair nor test.
_QUIET_SHARE = 0.1
# Days from build to service where no registered car tells [default].
_STOCK_DAYS = 60
# What volumes tell of the cars that they count, beside the plant where they name it.
_OF_VOLUMES = ("model", "architecture", "build_year", "build_quarter", "build_month")

SENTENCES: dict[Basis, str] = {
    "fleet": "Rates are of all cars on the register, which counts as the fleet.",
    "volumes": (
        "Rates are of all cars built as volumes count them; those not on the register count as "
        "in service since the usual time after their build and as still there."
    ),
    "presented": (
        "The size of the fleet is not known: only shares of the repairs are told, no failure rate."
    ),
}


@dataclass(frozen=True)
class Denominator:
    """The watches that rates may count on, what they are, and how many cars were added."""

    watches: pl.DataFrame
    basis: Basis
    n_added: int = 0
    told_dimensions: tuple[str, ...] = VEHICLE_DIMENSIONS

    def basis_of(self, dimensions: tuple[str, ...]) -> Basis:
        """What rates of such cohorts are of; `presented` where cars added do not tell them."""
        is_told = all(name in self.told_dimensions for name in dimensions)
        return self.basis if is_told else "presented"

    @property
    def sentence(self) -> str:
        """What the rates are of."""
        return SENTENCES[self.basis]


def fleet_size(
    records: ClaimRecords, watches: pl.DataFrame, settings: RecurrenceSettings
) -> Denominator:
    """The watches with `weight`, and what they stand for."""
    weighed = watches.with_columns(weight=pl.lit(1, dtype=pl.Int64))
    if settings.registered_cars == "presented":
        return _with_volumes(records, weighed, "presented")
    if settings.registered_cars == "fleet":
        return Denominator(weighed, "fleet")
    return _with_volumes(records, weighed, "fleet" if _lists_quiet_cars(records) else "presented")


def _lists_quiet_cars(records: ClaimRecords) -> bool:
    seen = pl.concat([records.repairs.select("vehicle_id"), records.tests.select("vehicle_id")])
    quiet = records.vehicles.join(seen, on="vehicle_id", how="anti")
    return quiet.height >= _QUIET_SHARE * records.vehicles.height > 0


def _with_volumes(records: ClaimRecords, weighed: pl.DataFrame, without: Basis) -> Denominator:
    """The cars that volumes count beyond the register; `without` volumes, the basis given."""
    if records.volumes.is_empty():
        return Denominator(weighed, without)
    missing = _missing(records, weighed)
    n_built = int(records.volumes["vehicles_built"].sum())
    n_missing = int(missing["weight"].sum())
    if n_missing <= (1.0 - _COMPLETE_SHARE) * n_built:
        return Denominator(weighed, "fleet")
    added = missing.with_row_index("car", offset=weighed.height)
    rows = WATCHES.conform(added.drop("weight")).with_columns(weight=added["weight"])
    names_plants = rows["plant"].is_not_null().all()
    told = (*_OF_VOLUMES, "plant") if names_plants else _OF_VOLUMES
    return Denominator(pl.concat([weighed, rows]), "volumes", n_missing, told)


def _missing(records: ClaimRecords, weighed: pl.DataFrame) -> pl.DataFrame:
    """Cars built but not registered, one row per model, month and plant."""
    stock = records.vehicles.select(
        (pl.col("in_service_date") - pl.col("build_date")).dt.total_days().median()
    ).item()
    # a plant that only some rows of the volumes name cannot tell cars apart
    told = ["plant"] if records.volumes["plant"].is_not_null().all() else []
    cells = (
        records.volumes.group_by("model_id", "build_month", *told)
        .agg(pl.col("vehicles_built").sum())
        .with_columns(model="model_id", month=pl.col("build_month").dt.strftime("%Y-%m"))
    )
    keys = ["model", "month", *told]
    listed = weighed.group_by("model", pl.col("build_month").alias("month"), *told).len()
    last = weighed.select(pl.col("leave_day").max()).item()
    service = (
        pl.col("build_month").dt.offset_by("14d").cast(pl.Int32)
        + pl.lit(_STOCK_DAYS if stock is None else round(stock))
    )  # fmt: skip
    architectures = records.models.select("model_id", "architecture")
    return (
        cells.join(listed, on=keys, how="left", nulls_equal=True)
        .join(architectures, on="model_id", how="left")
        .with_columns(
            weight=pl.col("vehicles_built") - pl.col("len").fill_null(0).cast(pl.Int64),
            service_day=service,
        )
        .filter((pl.col("weight") > 0) & (pl.col("service_day") <= last))
        .sort(keys)
        .select(
            "weight",
            "model",
            "architecture",
            "service_day",
            plant=pl.col("plant") if told else pl.lit(None, dtype=pl.String),
            build_year=pl.col("build_month").dt.year().cast(pl.String),
            build_quarter=pl.format(
                "{} Q{}", pl.col("build_month").dt.year(), pl.col("build_month").dt.quarter()
            ),
            build_month="month",
            enter_day="service_day",
            leave_day=pl.lit(last, dtype=pl.Int32),
            ending_code=pl.lit("as_of"),
        )
    )
