"""Registry-shaped frames of a simulated claim history: vehicles, repairs, volumes, models.

Columns, names and types are those of the registry files, and nothing that only the truth
knows gets in. Does not belong here: any random draw.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from synthetic.claim_vehicles import day_number

if TYPE_CHECKING:
    from synthetic.claim_lives import Failures
    from synthetic.claim_order import ClaimOrder
    from synthetic.claim_vehicles import ClaimFleet, Indices, Reals

_INSTANT = pl.Datetime("us", "UTC")
_US_PER_DAY = 86_400_000_000


@dataclass(frozen=True)
class Reports:
    """What became of each failure: repaired and reported on which day, and at what cost."""

    repaired_day: Reals
    reported_day: Reals
    shop: Indices
    parts_cost: Reals
    labour_cost: Reals


def vehicle_ids(cars: Indices) -> pl.Series:
    """The names of cars by number."""
    return pl.select("V" + pl.Series(cars + 1).cast(pl.String).str.zfill(7)).to_series()


def _named(numbers: Indices, names: list[str]) -> pl.Series:
    return pl.Series(names, dtype=pl.String).gather(numbers)


def _days(values: Reals) -> pl.Series:
    return pl.Series(np.floor(values).astype(np.int32)).cast(pl.Date)


def _instants(values: Reals) -> pl.Series:
    return pl.Series(np.floor(values * _US_PER_DAY).astype(np.int64)).cast(_INSTANT)


def model_names(order: ClaimOrder) -> list[str]:
    """The models of an order."""
    return [f"model_{number + 1}" for number in range(order.n_models)]


def model_frame(order: ClaimOrder) -> pl.DataFrame:
    """One row per model; architectures by turns."""
    names = model_names(order)
    kinds = order.architectures
    return pl.DataFrame(
        {
            "model_id": names,
            "refrigerant": ["R1234yf"] * len(names),
            "architecture": [kinds[number % len(kinds)] for number in range(len(names))],
            "warranty_months": pl.Series([order.warranty_months] * len(names), dtype=pl.Float64),
        }
    )


def vehicle_frame(order: ClaimOrder, fleet: ClaimFleet) -> pl.DataFrame:
    """One row per car built by the day of the files; cars still in stock have no service date."""
    as_of = day_number(order.as_of)
    built = np.flatnonzero(fleet.built_day <= as_of)
    seen = np.minimum(fleet.leaves_day[built], as_of)
    service = fleet.service_day[built]
    frame = pl.DataFrame(
        {
            "vehicle_id": vehicle_ids(built),
            "model_id": _named(fleet.model[built], model_names(order)),
            "build_date": _days(fleet.built_day[built]),
            "in_service_date": _days(service),
            "plant": _named(fleet.plant[built], list(order.plants)),
            "region": _named(fleet.region[built], [region.name for region in order.regions]),
            "fleet": pl.Series([None], dtype=pl.String).new_from_index(0, built.size),
            "odometer_km": np.round(np.maximum(seen - service, 0.0) * fleet.km_per_day[built]),
            "last_seen_date": _days(np.maximum(seen, fleet.built_day[built])),
        }
    )
    in_stock = pl.Series(service > as_of)
    return frame.with_columns(
        pl.when(~in_stock).then(pl.col(name)).alias(name)
        for name in ("in_service_date", "odometer_km", "last_seen_date")
    )


def volume_frame(vehicles: pl.DataFrame) -> pl.DataFrame:
    """Cars built per model, month and plant."""
    month = pl.col("build_date").dt.truncate("1mo").alias("build_month")
    return (
        vehicles.group_by("model_id", month, "plant")
        .agg(pl.len().cast(pl.Int64).alias("vehicles_built"))
        .select("model_id", "build_month", "vehicles_built", "plant")
        .sort("model_id", "build_month", "plant")
    )


def repair_frame(
    order: ClaimOrder, fleet: ClaimFleet, failures: Failures, reports: Reports
) -> pl.DataFrame:
    """The repairs that stand in the files on their day, in the order of their reports."""
    as_of = day_number(order.as_of)
    known = reports.reported_day <= as_of
    if order.records_from is not None:
        known &= reports.repaired_day >= day_number(order.records_from)
    rows = np.flatnonzero(known)
    rows = rows[np.argsort(reports.reported_day[rows], kind="stable")]
    car, part = failures.car[rows], failures.component[rows]
    age = reports.repaired_day[rows] - fleet.service_day[car]
    number = pl.Series(np.arange(1, rows.size + 1)).cast(pl.String).str.zfill(7)
    names = [component.name for component in order.components]
    lots = [f"lot_{one + 1}" for one in range(order.n_lots)]
    return pl.DataFrame(
        {
            "repair_id": pl.select("R" + number).to_series(),
            "vehicle_id": vehicle_ids(car),
            "performed_at": _instants(reports.repaired_day[rows]),
            "shop_id": _named(reports.shop[rows], _shops(order)),
            "odometer_km": np.round(age * fleet.km_per_day[car]),
            "component": _named(part, names),
            "action": pl.Series(["replace"]).new_from_index(0, rows.size),
            "part_number": _named(part, [f"pn_{name}" for name in names]),
            "supplier": _named(part, [component.supplier for component in order.components]),
            "part_lot": _named(failures.lot[rows], lots),
            "parts_cost": reports.parts_cost[rows],
            "labour_cost": reports.labour_cost[rows],
            "claim_id": pl.select("C" + number).to_series(),
            "reported_at": _instants(reports.reported_day[rows]),
        }
    )


def _shops(order: ClaimOrder) -> list[str]:
    return [f"shop_{number + 1}" for number in range(order.n_shops)]


def truth_frame(
    order: ClaimOrder, fleet: ClaimFleet, failures: Failures, reports: Reports
) -> pl.DataFrame:
    """Every failure of the truth, heard of or not, in the order of the failures."""
    names = [component.name for component in order.components]
    return pl.DataFrame(
        {
            "vehicle_id": vehicle_ids(failures.car),
            "component": _named(failures.component, names),
            "failure_number": failures.number,
            "failed_at": _instants(failures.day),
            "performed_at": _instants(reports.repaired_day),
            "reported_at": _instants(reports.reported_day),
            "months_in_service": (failures.day - fleet.service_day[failures.car]) / (365.25 / 12.0),
            "is_defect": failures.is_defect,
        }
    ).sort("performed_at", "vehicle_id", "component")


def truth_vehicle_frame(order: ClaimOrder, fleet: ClaimFleet) -> pl.DataFrame:
    """What only the truth knows of each car: its own factor, pace, and when it leaves."""
    leaves = np.minimum(fleet.leaves_day, day_number(order.follow_until or order.as_of) + 1.0)
    return pl.DataFrame(
        {
            "vehicle_id": vehicle_ids(np.arange(fleet.model.size)),
            "hazard_factor": fleet.factor,
            "km_per_day": fleet.km_per_day,
            "in_service_at": _instants(fleet.service_day),
            "leaves_at": _instants(leaves),
        }
    )
