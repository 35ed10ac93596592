"""What the offset of an instrument does to the judgement: its tests count as more uncertain.

The cars of one instrument are compared with cars of others, so an offset that all its tests
share would look like one fault of all its cars. Nobody knows it well enough to take it away,
and a calibration may put it right on any day: it is added, with the sensitivity of each
quantity, to the standard uncertainty, so that only what goes beyond it is judged, and
quantities that it drowns are not judged at all. Takes features and INSTRUMENT_OFFSETS, gives
features. Does not belong here: finding offsets (`instrument_offsets`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.catalogue import FEATURE
from features.refrigerant import add_saturation_temperatures
from models.findings import JUDGED
from models.instrument_offsets import ALL_TEMPERATURES, offsets_of_tests

if TYPE_CHECKING:
    from features.records import Feature

_SLOPES = {
    "evaporating_slope_k_per_kpa": "evaporating_dew_c",
    "condensing_slope_k_per_kpa": "condensing_bubble_c",
    "discharge_slope_k_per_kpa": "discharge_dew_c",
}
# step of the central difference that gives the slopes of the saturation curves
_STEP_KPA = 1.0


def widen_by_offsets(
    features: pl.DataFrame, context: pl.DataFrame, offsets: pl.DataFrame
) -> pl.DataFrame:
    """The features with uncertainties that hold the offsets of their instruments.

    Rows, order and columns stay; tests without an offset stay as they are.
    """
    of_tests = offsets_of_tests(offsets, context)
    if of_tests.is_empty():
        return features
    channels = sorted(set(of_tests["channel"]))
    wide = of_tests.group_by("test_id").agg(
        pl.col("offset")
        .filter(pl.col("channel") == name)
        .first()
        .fill_null(0.0)
        .alias(f"off:{name}")
        for name in channels
    )
    known = context.select("test_id", "refrigerant").unique("test_id")
    rows = _with_slopes(features, known).join(wide, on="test_id", how="left", maintain_order="left")
    records = [FEATURE[judged.name] for judged in JUDGED if not judged.is_for_whole_test]
    return rows.with_columns(
        pl.coalesce(
            (pl.col(record.uncertainty_name) ** 2 + _shift(record, channels) ** 2).sqrt(),
            record.uncertainty_name,
        )
        for record in records
    ).select(features.columns)


def _shift(record: Feature, channels: list[str]) -> pl.Expr:
    """By how much the offsets of a test shift a quantity, null where it has none."""
    total = pl.lit(0.0)
    for name, sensitivity in record.sensitivities.items():
        mine = [each for each in channels if each == name or _is_shared(each, name)]
        for each in mine:
            total = total + sensitivity * pl.col(f"off:{each}")
    return total


def _is_shared(offset: str, name: str) -> bool:
    """Whether an offset of all temperatures is one of this input."""
    return offset == ALL_TEMPERATURES and name.endswith("_c")


def _with_slopes(features: pl.DataFrame, context: pl.DataFrame) -> pl.DataFrame:
    """The features with the slopes of the saturation temperatures at their pressures."""
    own = features.select("test_id", pl.col("low_side_kpa", "high_side_kpa").cast(pl.Float64()))
    half = pl.col("low_side_kpa", "high_side_kpa")
    above = add_saturation_temperatures(own.with_columns(half + _STEP_KPA / 2.0), context)
    below = add_saturation_temperatures(own.with_columns(half - _STEP_KPA / 2.0), context)
    return features.with_columns(
        ((above[temperature] - below[temperature]) / _STEP_KPA).alias(slope)
        for slope, temperature in _SLOPES.items()
    )
