"""How much cooling a car's region asked of it, told from the ambient air of the tests.

The registry knows no weather. Where tests of a region are spread over the year, the yearly
course of its ambient air is fitted to them, and the degrees above the temperature from which
cars are cooled are summed over days in service. Workshops test by day: the sums compare cars
and regions, they are not those of a weather station. Gives `Aged` on the clock `cooling`.
Does not belong here: the watch itself (`exposure`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.recurrence.clocks import CLOCKS, Aged, on_clock

if TYPE_CHECKING:
    from models.recurrence.exposure import ClaimRecords

Array = NDArray[np.float64]

_DAYS_PER_YEAR = 365.25
# A yearly course has a mean and two swings: fewer tests, or a part of the year, tell none.
_LEAST_TESTS, _LEAST_MONTHS = 24, 6


@dataclass(frozen=True)
class Climate:
    """By region: the degrees above the cooling temperature summed to each day, K d.

    `summed[region]` has one entry per day from `first_day`.
    """

    first_day: int
    summed: dict[str, Array]

    @property
    def frame(self) -> pl.DataFrame:
        """Region, day, summed_cooling: one row per region and day."""
        parts = [
            pl.DataFrame(
                {
                    "region": pl.Series([name]).new_from_index(0, sums.size),
                    "day": np.arange(self.first_day, self.first_day + sums.size, dtype=np.int32),
                    "summed_cooling": sums,
                }
            )
            for name, sums in self.summed.items()
        ]
        empty = {"region": pl.String, "day": pl.Int32, "summed_cooling": pl.Float64}
        return pl.concat(parts) if parts else pl.DataFrame(schema=empty)


def fit_climate(tests: pl.DataFrame, days: tuple[int, int], cooling_from_c: float) -> Climate:
    """The climate of the regions whose tests tell it, from the first to the last day.

    Parameters
    ----------
    tests : frame
        region, started_at, ambient_c.
    days : first and last day, from 1 January 1970
    cooling_from_c : temperature from which cars are cooled, degC
    """
    known = tests.drop_nulls(["region", "started_at", "ambient_c"])
    every_day = _yearly_terms(np.arange(days[0], days[1] + 1, dtype=np.float64))
    summed = {}
    for (name,), rows in sorted(known.group_by("region")):
        months = rows["started_at"].dt.month().n_unique()
        if rows.height < _LEAST_TESTS or months < _LEAST_MONTHS:
            continue
        at = rows["started_at"].dt.epoch("d").cast(pl.Float64).to_numpy()
        fitted = np.linalg.lstsq(_yearly_terms(at), rows["ambient_c"].to_numpy(), rcond=None)[0]
        summed[str(name)] = np.cumsum(np.maximum(every_day @ fitted - cooling_from_c, 0.0))
    return Climate(days[0], summed)


def _yearly_terms(day: Array) -> Array:
    angle = 2.0 * np.pi * day / _DAYS_PER_YEAR
    return np.stack([np.ones(day.size), np.cos(angle), np.sin(angle)], axis=1)


def by_cooling(
    records: ClaimRecords, watches: pl.DataFrame, events: pl.DataFrame, cooling_from_c: float
) -> Aged:
    """Cars and events on the clock of the cooling that their regions asked for."""
    usable = watches.filter(pl.col("reason_code").is_null())
    days = usable.select(pl.col("service_day").min(), pl.col("leave_day").max()).row(0)
    tests = records.tests.select("vehicle_id", "started_at", "ambient_c").join(
        watches.select("vehicle_id", "region"), on="vehicle_id"
    )
    climate = fit_climate(tests, days, cooling_from_c) if usable.height else Climate(0, {})
    of_region = climate.frame
    begun = _summed(usable.select("region", day="service_day"), of_region)
    enter = _summed(usable.select("region", day="enter_day"), of_region)
    leave = _summed(usable.select("region", day="leave_day"), of_region)
    ages = usable.select("car").with_columns(
        enter_age=enter - begun, leave_age=leave - begun, begun=begun
    )
    asked = events.join(usable.select("car", "region"), on="car", maintain_order="left")
    asked = asked.join(ages.select("car", "begun"), on="car", maintain_order="left")
    at_event = asked.select(age=_summed(asked.select("region", "day"), of_region) - pl.col("begun"))
    return on_clock(CLOCKS["cooling"], watches, events, (ages.drop("begun"), at_event))


def _summed(asked: pl.DataFrame, of_region: pl.DataFrame) -> pl.Series:
    met = asked.join(of_region, on=["region", "day"], how="left", maintain_order="left")
    return met["summed_cooling"]
