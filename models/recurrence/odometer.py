"""Distance of cars on any day, interpolated between what odometers showed.

Readings come from repairs, tests and the last sighting; a new car shows 0. Between readings
the distance runs evenly; after the last one it goes on at the car's mean pace so far. Gives
`Aged` on the clock `km`. Does not belong here: the watch itself (`exposure`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from models.recurrence.clocks import CLOCKS, Aged, on_clock
from models.recurrence.exposure import day_number

if TYPE_CHECKING:
    from models.recurrence.exposure import ClaimRecords

# A car's pace is not told from less time than this in service, in days.
_LEAST_DAYS = 30


def odometer_readings(records: ClaimRecords, watches: pl.DataFrame) -> pl.DataFrame:
    """What odometers showed: car, day, odometer_km, sorted; readings that fall are left out."""
    of_car = watches.filter(pl.col("reason_code").is_null()).select(
        "car", "vehicle_id", "service_day"
    )
    sources = (
        (records.repairs, "performed_at"),
        (records.tests, "started_at"),
        (records.vehicles, "last_seen_date"),
    )
    read = pl.concat(
        [frame.select("vehicle_id", "odometer_km", day=day_number(at)) for frame, at in sources]
    ).drop_nulls()
    shown = read.join(of_car, on="vehicle_id").filter(pl.col("day") > pl.col("service_day"))
    new = of_car.select("car", day="service_day", odometer_km=pl.lit(0.0))
    return (
        pl.concat([new, shown.select("car", "day", "odometer_km")])
        .sort("car", "day", "odometer_km")
        .filter(pl.col("odometer_km") >= pl.col("odometer_km").cum_max().over("car"))
        .unique(["car", "day"], keep="last", maintain_order=True)
    )


def by_distance(records: ClaimRecords, watches: pl.DataFrame, events: pl.DataFrame) -> Aged:
    """Cars and events on the clock of their odometers."""
    readings = odometer_readings(records, watches)
    spans = watches.filter(pl.col("reason_code").is_null()).select("car", "enter_day", "leave_day")
    enter = distance_at(readings, spans.select("car", day="enter_day"))
    leave = distance_at(readings, spans.select("car", day="leave_day"))
    ages = spans.select("car").with_columns(enter_age=enter, leave_age=leave)
    at_event = distance_at(readings, events.select("car", "day")).alias("age").to_frame()
    return on_clock(CLOCKS["km"], watches, events, (ages, at_event))


def distance_at(readings: pl.DataFrame, asked: pl.DataFrame) -> pl.Series:
    """Distance of each car on each day asked for, km, in the order asked; null: not known."""
    numbered = asked.with_row_index("place").sort("car", "day")
    before = readings.with_columns(day_before="day", km_before="odometer_km").drop("odometer_km")
    after = readings.with_columns(day_after="day", km_after="odometer_km").drop("odometer_km")
    latest = readings.group_by("car").agg(
        pl.col("day", "odometer_km").last().name.prefix("last_"), first_day=pl.col("day").first()
    )
    met = (
        numbered.join_asof(before, on="day", by="car", check_sortedness=False)
        .join_asof(after, on="day", by="car", strategy="forward", check_sortedness=False)
        .join(latest, on="car", how="left")
    )
    days = pl.col("last_day") - pl.col("first_day")
    pace = pl.when(days >= _LEAST_DAYS).then(pl.col("last_odometer_km") / days)
    gap = pl.col("day_after") - pl.col("day_before")
    share = pl.when(gap > 0).then((pl.col("day") - pl.col("day_before")) / gap).otherwise(0.0)
    between = pl.col("km_before") + share * (pl.col("km_after") - pl.col("km_before"))
    beyond = pl.col("km_before") + pace * (pl.col("day") - pl.col("day_before"))
    km = pl.when(pl.col("day_after").is_not_null()).then(between).otherwise(beyond)
    return met.select("place", km=km).sort("place")["km"]
