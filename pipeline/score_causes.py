"""Causes said of a simulated fleet against the true ones: in the set, named, named right.

Takes CAUSES and the truth per test, gives a `CauseScore`. Does not belong here: words
(`fleet_score_text`), naming causes (`models.causes`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import polars as pl

from pipeline.shares import Share

# What each simulated fault is called among the causes.
TRUE_CAUSE: dict[str, str] = {
    "undercharge": "low_charge",
    "overcharge": "overcharge",
    "condenser_blockage": "condenser_air_short",
    "weak_fan": "condenser_air_short",
    "evaporator_air_low": "evaporator_air_short",
    "icing": "evaporator_air_short",
    "blend_door_leak": "air_mixed_warm",
    "heater_valve_leak": "air_mixed_warm",
    "compressor_wear": "compressor_weak",
    "displacement_stuck_low": "displacement_low",
    "displacement_stuck_high": "displacement_high",
    "valve_under_feeding": "feed_restricted",
    "liquid_restriction": "feed_restricted",
    "valve_over_feeding": "feed_excessive",
    "valve_hunting": "feed_hunting",
    "non_condensables": "foreign_gas",
    "wrong_refrigerant": "foreign_gas",
    "exchanger_fouled": "exchanger_fouled",
    "oil_overcharge": "oil_excess",
}


@dataclass(frozen=True)
class CauseScore:
    """Of cars with a fault and causes said of them; `named_right` of those with a name.

    `misdiagnosed`: a wrong name, of all of them. `mean_set_size`: causes in a set, on average; NaN
    without cars. `by_fault`: in the set, by true fault.
    """

    in_set: Share
    named: Share
    named_right: Share
    misdiagnosed: Share
    mean_set_size: float
    by_fault: tuple[tuple[str, Share], ...] = ()


def score_causes(causes: pl.DataFrame, truth: pl.DataFrame) -> CauseScore:
    """The score of CAUSES, each held against the truth of its test (test_id, fault, severity)."""
    faulty = truth.filter(pl.col("severity") > 0.0).select("test_id", true_fault="fault")
    is_right = pl.col("cause_code").str.split("+").list.contains(pl.col("true_cause"))
    cars = (
        causes.join(faulty, on="test_id")
        .with_columns(
            true_cause=pl.col("true_fault").replace_strict(TRUE_CAUSE, default="not_listed")
        )
        .group_by("vehicle_id", "true_fault", maintain_order=True)
        .agg(
            (is_right & pl.col("is_in_set")).any().alias("in_set"),
            pl.col("is_in_set").sum().alias("set_size"),
            pl.col("is_named").any().alias("named"),
            (is_right & pl.col("is_named")).any().alias("right"),
        )
    )
    named, right = int(cars["named"].sum()), int(cars["right"].sum())
    return CauseScore(
        in_set=Share(int(cars["in_set"].sum()), cars.height),
        named=Share(named, cars.height),
        named_right=Share(right, named),
        misdiagnosed=Share(named - right, cars.height),
        mean_set_size=int(cars["set_size"].sum()) / cars.height if cars.height else math.nan,
        by_fault=tuple(
            (fault, Share(int(part["in_set"].sum()), part.height))
            for fault in sorted(cars["true_fault"].unique())
            for part in (cars.filter(true_fault=fault),)
        ),
    )
