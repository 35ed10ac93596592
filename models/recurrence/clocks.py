"""Ages of cars at entry, exit and repair, by months in service, distance or cooling.

Takes watches and events of `exposure`, gives `Aged`: the same cars and events with whole bins
of a clock. A car is at risk in all bins from `enter_bin` to `leave_bin`, both included. Does
not belong here: where odometer readings (`odometer`) and climate (`climate`) come from.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import polars as pl

from models.recurrence.exposure import DAYS_PER_MONTH

if TYPE_CHECKING:
    from collections.abc import Sequence

ClockName = Literal["months", "km", "cooling"]

# Of the cars without a failure at least this share must show the clock: where only repairs
# show it, the cars that failed would be all there are.
_LEAST_KNOWN_SHARE = 0.8


@dataclass(frozen=True)
class Clock:
    """One clock: its unit, how much of it one bin holds, and how it is spoken of."""

    name: ClockName
    unit: str
    step: float
    words: str


CLOCKS: dict[str, Clock] = {
    clock.name: clock
    for clock in (
        Clock("months", "months", 1.0 / DAYS_PER_MONTH, "months in service"),
        Clock("km", "km", 250.0, "kilometres"),
        Clock("cooling", "K d", 5.0, "cooling degree-days in service"),
    )
}


@dataclass(frozen=True)
class Aged:
    """Cars and events on one clock.

    `cars`: those of the watches that the clock is known of, with enter_bin, leave_bin (Int32)
    and weight (cars the row stands for). `events`: with bin (Int32), sorted by car, component
    and bin. `reason` says why nothing can be told on this clock; empty when it can. `n_unknown`
    cars show no such clock.
    """

    clock: Clock
    cars: pl.DataFrame
    events: pl.DataFrame
    n_unknown: int = 0
    reason: str = ""

    def of(self, component: str) -> pl.DataFrame:
        """The events of a component: car, bin, and day and cost of cars, by car and bin."""
        return self._by_component.get(component, self.events.select(self._told).clear())

    @cached_property
    def _by_component(self) -> dict[str, pl.DataFrame]:
        # looked up for each cut; without its texts a million events are small
        parts = self.events.select("component", *self._told).partition_by(
            "component", as_dict=True, include_key=False, maintain_order=True
        )
        return {str(name): rows for (name,), rows in parts.items()}

    @property
    def _told(self) -> list[str]:
        return [name for name in ("car", "bin", "day", "cost") if name in self.events.columns]


def by_months(watches: pl.DataFrame, events: pl.DataFrame) -> Aged:
    """Ages in days since the first day in service, told in months."""
    cars = _watched(watches).with_columns(
        enter_bin=pl.col("enter_day") - pl.col("service_day"),
        leave_bin=pl.col("leave_day") - pl.col("service_day"),
    )
    served = cars.select("car", "service_day")
    dated = events.join(served, on="car", maintain_order="left").with_columns(
        bin=pl.col("day") - pl.col("service_day")
    )
    return Aged(CLOCKS["months"], cars, dated.drop("service_day"))


def on_clock(
    clock: Clock, watches: pl.DataFrame, events: pl.DataFrame, ages: Sequence[pl.DataFrame]
) -> Aged:
    """Ages as another clock shows them.

    Parameters
    ----------
    ages : two frames in the units of the clock: car, enter_age, leave_age; and one row per
        event in the order of `events`: age. Null where the clock is not known.
    """
    of_cars, of_events = ages
    watched = _watched(watches).join(of_cars, on="car", how="left", maintain_order="left")
    is_known = pl.col("leave_age").is_not_null()
    cars = watched.filter(is_known).with_columns(
        enter_bin=_bin(clock, "enter_age"), leave_bin=_bin(clock, "leave_age")
    )
    reason = _reason(watched.with_columns(is_known=is_known), events)
    limits = cars.select("car", "enter_bin", "leave_bin")
    aged = (
        events.with_columns(bin=of_events.select(_bin(clock, "age")).to_series())
        .join(limits, on="car", maintain_order="left")
        # rounding must not carry an event out of the watch that it belongs to
        .with_columns(bin=pl.col("bin").clip("enter_bin", "leave_bin"))
        .drop("enter_bin", "leave_bin")
        .drop_nulls("bin")
    )
    kept = cars.drop("enter_age", "leave_age")
    return Aged(clock, kept, aged, watched.height - cars.height, reason)


def _watched(watches: pl.DataFrame) -> pl.DataFrame:
    has_weight = "weight" in watches.columns
    weight = pl.col("weight") if has_weight else pl.lit(1, dtype=pl.Int64).alias("weight")
    return watches.filter(pl.col("reason_code").is_null()).with_columns(weight)


def _bin(clock: Clock, age: str) -> pl.Expr:
    return (pl.col(age) / clock.step).floor().cast(pl.Int32)


def _reason(watched: pl.DataFrame, events: pl.DataFrame) -> str:
    quiet = watched.join(events.select("car"), on="car", how="anti")
    share = quiet.select(
        (pl.col("is_known") * pl.col("weight")).sum() / pl.col("weight").sum()
    ).item()
    if share is None or share >= _LEAST_KNOWN_SHARE:
        return ""
    return (
        f"known of only {100 * share:.0f} % of the cars without a failure; told by the others, "
        "failures would look more frequent than they are"
    )
