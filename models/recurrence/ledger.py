"""Cars and repairs of all cohorts of one cut as arrays of cohort by age.

Takes `Aged` cars and events and the dimensions of a cut, gives `Ledger`; `ComponentLedger` adds
the repairs of one component: at risk, repairs, first failures. Does not belong here: anything
estimated from the counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.recurrence.cohorts import cohort_name, parent_dimensions
from models.recurrence.mean_cumulative import Repairs, Spans, cars_at_risk
from models.recurrence.weibull import LifeCounts

if TYPE_CHECKING:
    from models.recurrence.clocks import Aged, Clock

Array = NDArray[np.float64]
Indices = NDArray[np.int64]


@dataclass(frozen=True)
class Ledger:
    """The cars of one cut.

    `cohorts`: cohort, parent (number of the group it is compared within), n_vehicles, and the
    dimensions, one row per cohort in their order; `spans`: equal cars together; the others by
    number of the car, cohort -1 for a car that is not on this clock.
    """

    clock: Clock
    cohorts: pl.DataFrame
    spans: Spans
    cohort_of_car: Indices
    enter_of_car: Indices
    leave_of_car: Indices
    at_risk: Array

    @property
    def shape(self) -> tuple[int, int]:
        """Number of cohorts and of bins."""
        return self.at_risk.shape[0], self.at_risk.shape[1]

    @property
    def parent(self) -> Indices:
        """The group that each cohort is compared within, (k,)."""
        return self.cohorts["parent"].to_numpy().astype(np.int64)


@dataclass(frozen=True)
class ComponentLedger:
    """Repairs of one component in the cohorts of a ledger, counts by cohort and bin, (k, b)."""

    repairs: Repairs
    counts: Array
    first: Array
    at_risk_of_first: Array
    lives: LifeCounts


def build_ledger(aged: Aged, dimensions: tuple[str, ...]) -> Ledger:
    """The ledger of all cars on a clock, cut by the dimensions."""
    parents = parent_dimensions(dimensions)
    cars = aged.cars
    cohorts = (
        cars.group_by(cohort_name(dimensions), *dimensions)
        .agg(pl.col("weight").sum().alias("n_vehicles"))
        .sort("cohort", *dimensions)
        .with_row_index("number")
    )
    within = pl.struct(parents).rank("dense") - 1 if parents else pl.lit(0)
    cohorts = cohorts.with_columns(within.cast(pl.Int64).alias("parent"))
    keys = cohorts.select("number", *dimensions)
    numbered = (
        cars.join(keys, on=dimensions, how="left", nulls_equal=True, maintain_order="left")
        if dimensions
        else cars.with_columns(number=pl.lit(0, dtype=pl.UInt32))
    )
    bins = ("enter_bin", "leave_bin")
    together = numbered.group_by("number", *bins).agg(pl.col("weight").sum()).sort("number", *bins)
    number, enter, leave = (
        together[name].to_numpy().astype(np.int64) for name in ("number", *bins)
    )
    spans = Spans(number, enter, leave, together["weight"].to_numpy().astype(np.float64))
    size = int(cars["car"].max() or 0) + 1 if cars.height else 0  # type: ignore[arg-type]
    place = numbered["car"].to_numpy()
    of_car = np.full(size, -1, dtype=np.int64), np.zeros(size, np.int64), np.zeros(size, np.int64)
    for values, name in zip(of_car, ("number", *bins), strict=True):
        values[place] = numbered[name].to_numpy()
    n_bins = int(spans.leave_bin.max(initial=-1)) + 1
    at_risk = cars_at_risk(spans, (cohorts.height, max(n_bins, 1)))
    return Ledger(aged.clock, cohorts.drop("number"), spans, *of_car, at_risk)


def component_ledger(ledger: Ledger, events: pl.DataFrame) -> ComponentLedger:
    """The counts of one component; `events` (car, bin) are sorted by car and bin."""
    car = events["car"].to_numpy().astype(np.int64)
    at = events["bin"].to_numpy().astype(np.int64)
    cohort = ledger.cohort_of_car[car]
    repairs = Repairs(cohort, car, at, ledger.enter_of_car[car], ledger.leave_of_car[car])
    is_first = np.r_[True, car[1:] != car[:-1]] if car.size else np.empty(0, dtype=bool)
    cohort_failed = cohort[is_first]
    counts = _counted(cohort, at, ledger.shape)
    first = _counted(cohort_failed, at[is_first], ledger.shape)
    left = _counted(cohort_failed, repairs.leave_bin[is_first], ledger.shape)
    # whoever failed before is at risk of a first failure no more
    gone = np.cumsum(first - left, axis=1) + left - first
    lives = _lives(ledger, first, left)
    return ComponentLedger(repairs, counts, first, ledger.at_risk - gone, lives)


def repair_counts(ledger: Ledger, events: pl.DataFrame) -> Array:
    """Repairs of all events (car, bin) by cohort and bin, (k, b)."""
    cohort = ledger.cohort_of_car[events["car"].to_numpy()]
    return _counted(cohort, events["bin"].to_numpy().astype(np.int64), ledger.shape)


def _counted(cohort: Indices, at: Indices, shape: tuple[int, int]) -> Array:
    flat = np.bincount(cohort * shape[1] + at, minlength=shape[0] * shape[1])
    return flat.astype(np.float64).reshape(shape)


def _lives(ledger: Ledger, first: Array, left_after_failure: Array) -> LifeCounts:
    """Failures in the middle of their bin, leavings at its end, entries at its begin."""
    bins, step = np.arange(ledger.shape[1]), ledger.clock.step
    spans, shape = ledger.spans, ledger.shape
    leaves = np.zeros(shape)
    np.add.at(leaves, (spans.cohort, spans.leave_bin), spans.weight)
    enters = np.zeros(shape)
    late = spans.enter_bin > 0
    # the begin of a bin is the end of the one before it
    np.add.at(enters, (spans.cohort[late], spans.enter_bin[late] - 1), spans.weight[late])
    middle, end = np.asarray((bins + 0.5) * step), np.asarray((bins + 1.0) * step)
    at_the_end = np.asarray(leaves - left_after_failure - enters)
    exposure = np.concatenate([first, at_the_end], axis=1)
    ages = np.concatenate([middle, end])
    return LifeCounts(middle, first, ages, exposure)
