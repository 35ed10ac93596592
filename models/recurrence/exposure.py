"""How long each car was watched, and which repairs count as its failures.

Takes registry frames as `ClaimRecords`; `watch_vehicles` gives one row per vehicle (`WATCHES`),
`repair_events` one row per vehicle, component and day (`EVENTS`). Days count from 1 January
1970; a car is at risk on its first and on its last day watched. Does not belong here: other
clocks than the calendar (`clocks`), cohorts (`cohorts`), the reporting lag (`reporting_lag`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from features.tables import Column, Table
from models.recurrence.cohorts import VEHICLE_DIMENSIONS, add_dimensions

if TYPE_CHECKING:
    from datetime import date

    from models.recurrence.settings import RecurrenceSettings

_TEXT, _DAY = pl.String(), pl.Int32()
DAYS_PER_MONTH = 365.25 / 12.0
# Repairs that say that nothing had failed.
_NO_FAILURE = ("inspect", "none")

WATCHES = Table(
    "watches",
    "one row per vehicle",
    ("vehicle_id",),
    (
        Column("car", pl.UInt32(), "1", "number of the row, from 0"),
        Column("vehicle_id", _TEXT, "", "the vehicle"),
        *(Column(name, _TEXT, "", "cohort dimension") for name in VEHICLE_DIMENSIONS),
        Column("service_day", _DAY, "d", "first day in service, from 1 January 1970"),
        Column("enter_day", _DAY, "d", "first day watched"),
        Column("leave_day", _DAY, "d", "last day watched"),
        Column("ending_code", _TEXT, "", "why the watch ended: last_seen, warranty or as_of"),
        Column("reason_code", _TEXT, "", "why it cannot be watched; null: it can"),
    ),
)

EVENTS = Table(
    "recurrence_events",
    "one row per vehicle, component and day on which it was repaired while watched",
    ("vehicle_id", "component", "day"),
    (
        Column("car", pl.UInt32(), "1", "number of the vehicle in the watches"),
        Column("vehicle_id", _TEXT, "", "the vehicle"),
        Column("component", _TEXT, "", "the component"),
        Column("day", _DAY, "d", "day of the repair, from 1 January 1970"),
        Column("odometer_km", pl.Float64(), "km", "odometer at the repair"),
        Column("cost", pl.Float64(), "currency of the workspace", "parts and labour"),
        Column("part_number", _TEXT, "", "part fitted"),
        Column("supplier", _TEXT, "", "its supplier"),
        Column("part_lot", _TEXT, "", "its lot"),
    ),
)


@dataclass(frozen=True)
class ClaimRecords:
    """Registry frames that recurrence rests on; `tests` is the table of `features.context`."""

    vehicles: pl.DataFrame
    models: pl.DataFrame
    repairs: pl.DataFrame
    volumes: pl.DataFrame
    tests: pl.DataFrame


@dataclass(frozen=True)
class Failures:
    """The events that count, and by reason how many repairs do not."""

    events: pl.DataFrame
    n_left_out: dict[str, int]


def day_number(column: str) -> pl.Expr:
    """Days from 1 January 1970 of a date or an instant."""
    return pl.col(column).cast(pl.Date).cast(pl.Int32)


def watch_vehicles(
    records: ClaimRecords, settings: RecurrenceSettings, last_day: date
) -> pl.DataFrame:
    """How long each registered car was watched, as `WATCHES`.

    The watch begins with the first day in service, later where the records begin later or
    the car went into service after `last_day` (then it is not watched yet); it ends when the
    car was last seen, with its warranty where only that is on record, else on `last_day`.
    A car whose `last_seen_date` is not noted counts as still there.
    """
    last = pl.lit(last_day).cast(pl.Date).cast(pl.Int32)
    begins = settings.records_from_day
    begin = pl.lit(begins).cast(pl.Date).cast(pl.Int32)
    ends = {
        "as_of": last,
        "last_seen": day_number("last_seen_date"),
        "warranty": _warranty_end(records.models, settings),
    }
    leave = pl.min_horizontal(ends.values())
    code = pl.coalesce(
        pl.when(ends[name] <= leave).then(pl.lit(name))
        for name in ("as_of", "warranty", "last_seen")
    )
    return WATCHES.conform(
        add_dimensions(records.vehicles, records.models)
        .with_row_index("car")
        .with_columns(service_day=day_number("in_service_date"))
        .with_columns(
            enter_day=pl.max_horizontal("service_day", begin) if begins else pl.col("service_day"),
            leave_day=leave,
            ending_code=code,
        )
        .with_columns(reason_code=_reason())
        .select(*WATCHES.schema)
    )


def _warranty_end(models: pl.DataFrame, settings: RecurrenceSettings) -> pl.Expr:
    """Last day of a car's warranty; null where it has none or all repairs are on record."""
    if not settings.is_warranty_only or "warranty_months" not in models.columns:
        return pl.lit(None, dtype=pl.Int32)
    known = models.drop_nulls("warranty_months")
    months = pl.col("model_id").replace_strict(
        known["model_id"], known["warranty_months"], default=None, return_dtype=pl.Float64
    )
    return pl.col("service_day") + (months * DAYS_PER_MONTH).floor().cast(pl.Int32) - 1


def _reason() -> pl.Expr:
    return (
        pl.when(pl.col("service_day").is_null())
        .then(pl.lit("in_service_date_not_known"))
        .when(pl.col("leave_day") < pl.col("enter_day"))
        .then(pl.lit("not_yet_or_no_longer_watched"))
    )


def repair_events(records: ClaimRecords, watches: pl.DataFrame) -> Failures:
    """The repairs of watched cars as events; what a car had done to a component on a day is one.

    An inspection, and a repair by which nothing was done, is no failure. A repair before the
    watch begins or after it ended is left out, because the time around it was not watched.
    """
    repairs = records.repairs.with_columns(day=day_number("performed_at"))
    spans = watches.select("car", "vehicle_id", "enter_day", "leave_day", "reason_code")
    met = repairs.join(spans, on="vehicle_id", how="left", maintain_order="left")
    why = (
        pl.when(pl.col("component").is_null())
        .then(pl.lit("component not stated"))
        .when(pl.col("action").is_in(_NO_FAILURE))
        .then(pl.lit("inspection only"))
        .when(pl.col("car").is_null() | pl.col("reason_code").is_not_null())
        .then(pl.lit("car not watched"))
        .when(pl.col("day") < pl.col("enter_day"))
        .then(pl.lit("before the watch began"))
        .when(pl.col("day") > pl.col("leave_day"))
        .then(pl.lit("after the watch or the last day that counts"))
        .alias("why")
    )
    met = met.with_columns(why)
    left_out = met.drop_nulls("why").group_by("why").len().sort("why")
    return Failures(_one_per_day(met.filter(pl.col("why").is_null())), dict(left_out.iter_rows()))


def _one_per_day(kept: pl.DataFrame) -> pl.DataFrame:
    cost = pl.sum_horizontal("parts_cost", "labour_cost", ignore_nulls=True)
    is_known = pl.col("parts_cost").is_not_null() | pl.col("labour_cost").is_not_null()
    rows = kept.with_columns(cost=pl.when(is_known).then(cost)).select(*EVENTS.schema)
    rows = rows.sort("car", "component", "day", maintain_order=True)
    first = ~pl.struct("car", "component", "day").is_first_distinct()
    if not rows.select(first.any()).item():
        return EVENTS.conform(rows)
    merged = rows.group_by("car", "vehicle_id", "component", "day", maintain_order=True).agg(
        pl.col("odometer_km").max(),
        pl.when(pl.col("cost").is_not_null().any()).then(pl.col("cost").sum()).alias("cost"),
        pl.col("part_number", "supplier", "part_lot").drop_nulls().last(),
    )
    return EVENTS.conform(merged)
