"""Values read in windows: the catalogue's expressions carried out and condensed.

Takes blocks and the units of windows; gives one row per test and regime with features,
their uncertainties and the conditions. Does not belong here: finding windows, rates over
the whole test (`rates`), definitions (`catalogue`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from features.catalogue import CONDITIONS, WINDOW_RECORDS
from features.channels import CHANNEL
from features.clamp_contact import CLAMP_AIR, CLAMPED, take_off_contact
from features.cycle import CYCLE_CHANNELS
from features.cycle_values import read_cycles
from features.instruments import SENSORS, sensor_column
from features.refrigerant import add_saturation_temperatures
from features.uncertainty import (
    CIRCUMSTANCES,
    mean_variance,
    scatter_uncertainty,
    sensor_uncertainty,
)
from features.unit_rows import rows_of_units

if TYPE_CHECKING:
    from features.records import Condition, Feature
    from features.settings import DerivationSettings

_RECORDS: tuple[Feature | Condition, ...] = (*WINDOW_RECORDS, *CONDITIONS)
_NAMES = [record.name for record in WINDOW_RECORDS]
# what only the cycle as a whole and the uncertainties read
_MEANS = [
    name
    for name in dict.fromkeys((*CYCLE_CHANNELS, *CLAMPED, *CLAMP_AIR, "intake_stray_k"))
    if name not in {record.name for record in _RECORDS}
]
_IDENTITY = (
    "test_number",
    "test_id",
    "regime",
    "unit",
    "kind_code",
    "window_number",
    "start_s",
    "n_samples",
    "condenser_air_source",
    "duct_air_source",
)
_GRAIN = ("test_number", "regime")
# Pressure step of the central difference that gives the slopes of the saturation curves.
_SLOPE_STEP_KPA = 1.0
_SLOPES = {
    "evaporating_slope_k_per_kpa": "evaporating_dew_c",
    "condensing_slope_k_per_kpa": "condensing_bubble_c",
    "discharge_slope_k_per_kpa": "discharge_dew_c",
}


@dataclass(frozen=True)
class WindowValues:
    """`features`: one row per test and regime; `units`: the means of each window or cycle."""

    features: pl.DataFrame
    units: pl.DataFrame


def read_windows(
    blocks: pl.DataFrame,
    units: pl.DataFrame,
    context: pl.DataFrame,
    settings: DerivationSettings,
    block_s: float,
) -> WindowValues:
    """Per test and regime the median over its windows of every catalogued value, and the windows.

    `blocks` needs test_id beside test_number; `context` has the columns of
    `instruments.add_sensor_uncertainties`. Periodic windows are read only where a
    test and regime has no steady one: the two are never mixed.
    """
    read = _complete(rows_of_units(blocks, _one_kind(units)))
    blocks_of_units = take_off_contact(read, settings)
    with_values = _carry_out(add_saturation_temperatures(blocks_of_units, context))
    condensed_units = _condense_units(with_values)
    condensed = _condense_tests(condensed_units, block_s)
    rows = _add_uncertainties(_add_slopes(condensed, context), context, settings)
    cycles = read_cycles(condensed_units, context, settings)
    features = rows.join(cycles, on=_GRAIN, how="left", maintain_order="left")
    return WindowValues(features, condensed_units)


def _one_kind(units: pl.DataFrame) -> pl.DataFrame:
    """Of each test and regime the units of one kind, steady before periodic, numbered."""
    is_steady = pl.col("kind_code") == "steady"
    return units.filter(is_steady | ~is_steady.any().over(_GRAIN)).with_row_index("unit")


def _complete(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows with every channel that the catalogue reads; null where it was not logged."""
    read = {name for record in _RECORDS for name in record.expression.meta.root_names()}
    read |= {*CYCLE_CHANNELS, *CLAMPED}
    missing = sorted((read & CHANNEL.keys()) - set(rows.columns))
    return rows.with_columns(pl.lit(None, pl.Float64).alias(name) for name in missing)


def _carry_out(rows: pl.DataFrame) -> pl.DataFrame:
    """The features and conditions of every block, beside what identifies it."""
    return rows.select(
        *_IDENTITY,
        *_MEANS,
        *(record.expression.alias(record.name) for record in _RECORDS),
    )


def _condense_units(values: pl.DataFrame) -> pl.DataFrame:
    """One row per unit: mean of every value; per feature also its samples and variance.

    The variance is that of the mean by the scatter inside the window, null for a cycle,
    whose scatter is the cycle itself.
    """
    is_same_unit = pl.col("unit") == pl.col("unit").shift(1)
    steps = values.with_columns(
        pl.when(is_same_unit).then(pl.col(name).diff() ** 2).alias(f"{name}:step")
        for name in _NAMES
    )
    units = steps.group_by("unit", maintain_order=True).agg(
        pl.col(_IDENTITY).exclude("unit", "n_samples").first(),
        pl.len().alias("n_blocks"),
        pl.col(_NAMES).mean(),
        pl.col(_NAMES).var().name.suffix(":variance"),
        pl.col(_NAMES).count().name.suffix(":count"),
        pl.col([f"{name}:step" for name in _NAMES]).mean(),
        pl.col([record.name for record in CONDITIONS]).mean(),
        pl.col(_MEANS).mean(),
        *(
            pl.col("n_samples").filter(pl.col(name).is_not_null()).sum().alias(f"{name}:samples")
            for name in _NAMES
        ),
    )
    is_steady = pl.col("kind_code") == "steady"
    return units.with_columns(
        pl.when(is_steady)
        .then(
            mean_variance(
                pl.col(f"{name}:variance"), pl.col(f"{name}:step"), pl.col(f"{name}:count")
            )
        )
        .alias(f"{name}:variance")
        for name in _NAMES
    )


def _condense_tests(units: pl.DataFrame, block_s: float) -> pl.DataFrame:
    """One row per test and regime: medians over units, and per feature its scatter."""
    return units.group_by(_GRAIN, maintain_order=True).agg(
        pl.col("test_id").first(),
        pl.col("kind_code").first().alias("window_kind_code"),
        pl.col("window_number").n_unique().cast(pl.Int32).alias("n_windows"),
        (pl.col("n_blocks").sum() * block_s).alias("steady_s"),
        pl.col("condenser_air_source", "duct_air_source").first(),
        pl.col([record.name for record in CONDITIONS]).median(),
        pl.col(_NAMES).median(),
        pl.col(_MEANS).median(),
        *(
            scatter_uncertainty(
                pl.col(name).count(), pl.col(name).var(), pl.col(f"{name}:variance").mean()
            ).alias(f"{name}:scatter")
            for name in _NAMES
        ),
        pl.col([f"{name}:samples" for name in _NAMES]).sum(),
    )


def _add_slopes(rows: pl.DataFrame, context: pl.DataFrame) -> pl.DataFrame:
    """The rows with the slopes of the saturation temperatures at their pressures."""
    pressures = pl.col("low_side_kpa", "high_side_kpa")
    own = rows.select("test_id", "low_side_kpa", "high_side_kpa")
    half = _SLOPE_STEP_KPA / 2
    above = add_saturation_temperatures(own.with_columns(pressures + half), context)
    below = add_saturation_temperatures(own.with_columns(pressures - half), context)
    return rows.with_columns(
        ((above[temperature] - below[temperature]) / _SLOPE_STEP_KPA).alias(slope)
        for slope, temperature in _SLOPES.items()
    )


def _add_uncertainties(
    rows: pl.DataFrame, context: pl.DataFrame, settings: DerivationSettings
) -> pl.DataFrame:
    """The rows with standard uncertainties; a value whose uncertainty is unknown is null."""
    sensors = [sensor_column(channel) for channel in SENSORS]
    told = context.select("test_id", *CIRCUMSTANCES, *sensors)
    known = rows.join(told, on="test_id", how="left", maintain_order="left").with_columns(
        (sensor_uncertainty(record, settings) ** 2 + pl.col(f"{record.name}:scatter") ** 2)
        .sqrt()
        .alias(record.uncertainty_name)
        for record in WINDOW_RECORDS
    )
    return known.with_columns(
        pl.when(
            (pl.col(f"{record.name}:samples") >= record.least_samples)
            & pl.col(record.uncertainty_name).is_finite()
            & pl.col(record.name).is_finite()
        )
        .then(pl.col(record.name, record.uncertainty_name))
        .name.keep()
        for record in WINDOW_RECORDS
    ).drop(pl.selectors.contains(":"), *_SLOPES, *_MEANS, *CIRCUMSTANCES)
