"""Transients of whole tests: the values of `transient_records`, one row per test.

Takes ordered samples, their blocks and the events; gathers what the modules of pull-down,
pressures and hunting find and adds what the sensors allow. A quantity whose transient is not
in the log is null. Does not belong here: any of the quantities themselves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.block_grids import lay_grids
from features.instruments import SENSORS, sensor_column
from features.refrigerant import add_saturation_temperatures
from features.regimes import CONTINUOUS
from features.transient_hunting import SUPERHEAT, hunting
from features.transient_pressures import (
    SWINGS_SCHEMA,
    clutch_cycling,
    equalisation,
    fan_swings,
    lone_fan_rises,
    start_rates,
)
from features.transient_pull_down import (
    fitted_pull_down,
    place_starts,
    temperatures_after,
    times_of_fall,
    undershoot,
)
from features.transient_records import TRANSIENT_RECORDS
from features.transient_starts import find_starts, find_stops
from features.uncertainty import channel_uncertainty

if TYPE_CHECKING:
    from features.settings import DerivationSettings

_PRESSURES = ("low_side_kpa", "high_side_kpa")
_LAID = ("n_samples", "duct_air_c", *_PRESSURES, SUPERHEAT)
# A superheat is of the evaporator outlet where that clamp is logged for half of the test.
_CLAMPS = ("evaporator_outlet_c", "compressor_suction_c")
_LEAST_COVERAGE = 0.5
# A change of pressure is known to this share of itself: a gauge of 1 % (common practice, no
# source); its offset drops out.
_GAIN_ERROR = 0.01
# One event's swing tells of the next one's only so far, as a share (tuning value).
_ONE_SWING_ERROR = 0.1
# What the sensor adds to a value of the circuit itself, by channel.
_OF_SENSOR = {
    "pull_down_level_c": "duct_air_c",
    "pull_down_after_5_min_c": "duct_air_c",
    "pull_down_after_10_min_c": "duct_air_c",
    "clutch_cut_out_low_side_kpa": "low_side_kpa",
    "clutch_cut_in_low_side_kpa": "low_side_kpa",
}
_OF_GAIN = {
    "start_low_side_kpa_per_s",
    "start_high_side_kpa_per_s",
    "start_undershoot_kpa",
    "fan_swing_kpa",
}


@dataclass(frozen=True)
class Logged:
    """What transients are read from: ordered samples, their blocks with regime, events, cycles.

    `cycles` are those of the compressor (`cycles.find_cycles`).
    """

    ordered: pl.DataFrame
    blocks: pl.DataFrame
    events: pl.DataFrame
    cycles: pl.DataFrame
    block_s: float


@dataclass(frozen=True)
class Transients:
    """Per test_number the values of `transient_records` and start_s; swings of the fan."""

    values: pl.DataFrame
    swings: pl.DataFrame


def read_transients(
    logged: Logged, tests: pl.DataFrame, settings: DerivationSettings
) -> Transients:
    """The transients of all tests of the blocks, with their uncertainties.

    `tests` has test_id, test_number, refrigerant and the columns of `instruments`.
    """
    starts = find_starts(logged.blocks, logged.events, logged.block_s)
    stops = find_stops(logged.blocks, logged.events, logged.block_s)
    of_grids, swings = _on_grids(logged, starts, tests)
    found = [
        of_grids,
        start_rates(logged.ordered, starts, _PRESSURES),
        equalisation(logged.blocks, stops),
        swings_by_test(swings),
        clutch_cycling(logged.ordered, logged.events, logged.cycles),
    ]
    rows = _sensors(logged.blocks, tests, settings).join(
        starts.select("test_number", "start_s"), on="test_number", how="left", maintain_order="left"
    )
    for part in found:
        rows = rows.join(part, on="test_number", how="left", maintain_order="left")
    values = rows.select("test_number", "start_s", *_with_uncertainties(rows.columns))
    return Transients(values, swings)


def _on_grids(
    logged: Logged, starts: pl.DataFrame, tests: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """What is read from arrays: one row per test, and one per swing of the fan."""
    blocks = _with_superheat(logged.blocks, tests)
    columns: list[pl.DataFrame] = []
    swings: list[pl.DataFrame] = []
    fan = lone_fan_rises(logged.events)
    for grid in lay_grids(blocks, _LAID, logged.block_s):
        started = place_starts(grid, starts)
        values = {
            **fitted_pull_down(started),
            **times_of_fall(started),
            **temperatures_after(started),
            **undershoot(started),
        }
        of_starts = pl.DataFrame({"test_number": grid.test_number[started.row], **values})
        settled = pl.DataFrame({"test_number": grid.test_number, **hunting(grid, logged.events)})
        columns.append(settled.join(of_starts, on="test_number", how="left"))
        swings.append(fan_swings(grid, fan))
    if not columns:
        return pl.DataFrame(schema={"test_number": pl.UInt32()}), pl.DataFrame(schema=SWINGS_SCHEMA)
    together = pl.concat(columns).with_columns(pl.col("test_number").cast(pl.UInt32))
    return together.fill_nan(None), pl.concat(swings)


def _with_superheat(blocks: pl.DataFrame, tests: pl.DataFrame) -> pl.DataFrame:
    """The blocks with the superheat in settled regimes, at the evaporator or the compressor."""
    clamps = [name for name in _CLAMPS if name in blocks.columns]
    if "low_side_kpa" not in blocks.columns or not clamps:
        return blocks
    clamp = pl.lit(None, pl.Float64)
    for name in reversed(clamps):
        covers = pl.col(name).is_not_null().mean().over("test_number") >= _LEAST_COVERAGE
        clamp = pl.when(covers).then(pl.col(name)).otherwise(clamp)
    settled = pl.col("regime").is_in([regime.value for regime in CONTINUOUS])
    low = blocks.select("test_id", low_side_kpa=pl.when(settled).then(pl.col("low_side_kpa")))
    dew_c = add_saturation_temperatures(low, tests)["evaporating_dew_c"]
    return blocks.with_columns((clamp - dew_c).alias(SUPERHEAT))


def swings_by_test(swings: pl.DataFrame) -> pl.DataFrame:
    """Median fall of the high side at a rise of the fan, and its standard error."""
    if swings.is_empty():
        return pl.DataFrame(schema={"test_number": pl.UInt32()})
    swing = pl.col("swing_kpa")
    of_one = swing.median().abs() * _ONE_SWING_ERROR
    scatter = pl.when(pl.len() > 2).then(swing.std()).otherwise(of_one)
    return swings.group_by("test_number", maintain_order=True).agg(
        swing.median().alias("fan_swing_kpa"),
        (scatter * np.sqrt(np.pi / 2.0) / pl.len().sqrt()).alias("u:fan_swing_kpa"),
    )


def _sensors(
    blocks: pl.DataFrame, tests: pl.DataFrame, settings: DerivationSettings
) -> pl.DataFrame:
    """Per test the standard uncertainty of the channels that values rest on ("sensor:...")."""
    sources = blocks.group_by("test_number", maintain_order=True).agg(
        pl.col("duct_air_source").first()
    )
    told = tests.select("test_number", *(sensor_column(channel) for channel in SENSORS))
    return sources.join(told, on="test_number", how="left", maintain_order="left").select(
        "test_number",
        *(
            channel_uncertainty(channel, settings).alias(f"known:{channel}")
            for channel in sorted(set(_OF_SENSOR.values()))
        ),
    )


def _with_uncertainties(columns: list[str]) -> list[pl.Expr]:
    """Each value and its uncertainty: what it scattered by, what the sensor or its gain adds."""
    expressions = []
    for record in TRANSIENT_RECORDS:
        name, is_there = record.name, record.name in columns
        value = pl.col(name) if is_there else pl.lit(None, pl.Float64)
        square = pl.col(f"u:{name}") ** 2 if is_there else pl.lit(None, pl.Float64)
        if name in _OF_SENSOR:
            square = square + pl.col(f"known:{_OF_SENSOR[name]}") ** 2
        if name in _OF_GAIN:
            square = square + (_GAIN_ERROR * value) ** 2
        uncertainty = square.sqrt()
        is_known = value.is_finite() & uncertainty.is_finite()
        expressions += [
            pl.when(is_known).then(value).alias(name),
            pl.when(is_known).then(uncertainty).alias(record.uncertainty_name),
        ]
    return expressions
