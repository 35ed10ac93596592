"""Parts fitted at repairs as things that fail themselves: by part number, supplier and lot.

Takes `Aged` cars and events of one component by months, gives `Aged` whose rows are fitted
parts: age counts from the fitting, the next repair of the component ends it. Parts that the
car was built with are not on record. Does not belong here: cars (`clocks`).
"""

from __future__ import annotations

import polars as pl

from models.recurrence.clocks import Aged
from models.recurrence.cohorts import PART_DIMENSIONS


def fitted_parts(aged: Aged, component: str) -> Aged:
    """The fitted parts of a component, and their failures, on the clock since their fitting."""
    of_it = aged.events.filter(pl.col("component") == component)
    until = aged.cars.select("car", "leave_bin")
    following = pl.col("bin").shift(-1).over("car")
    lives = (
        of_it.with_columns(next_bin=following)
        .join(until, on="car", maintain_order="left")
        .filter(pl.any_horizontal(pl.col(name).is_not_null() for name in PART_DIMENSIONS))
        .with_columns(
            leave_bin=pl.coalesce("next_bin", "leave_bin") - pl.col("bin"),
            failed=pl.col("next_bin").is_not_null(),
        )
        .drop("car", "bin")
        .with_row_index("car")
    )
    cars = lives.select(
        "car",
        *PART_DIMENSIONS,
        pl.lit(0, dtype=pl.Int32).alias("enter_bin"),
        pl.col("leave_bin").cast(pl.Int32),
        pl.lit(1, dtype=pl.Int64).alias("weight"),
    )
    failures = lives.filter("failed").select(
        "car", "component", "cost", pl.col("leave_bin").cast(pl.Int32).alias("bin")
    )
    return Aged(aged.clock, cars, failures)
