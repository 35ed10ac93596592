"""Values of the cycle per test and regime: medians over windows, with their uncertainty.

Takes the means of windows; gives one row per test and regime with the quantities of
`cycle_records`. Sensitivities are found by moving each sensor a little and working the
quantities out again (first order of the GUM, JCGM 100:2008, 5.1.3 note 2). Does not belong
here: the columns of the cycle (`cycle`), quantities of single stations (`window_values`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.air_columns import atmosphere_kpa
from features.clamp_contact import CLAMP_AIR
from features.cycle import CYCLE_CHANNELS, add_cycle
from features.cycle_records import CYCLE_RECORDS
from features.instruments import COVERAGE_FACTOR, SENSORS, sensor_column
from features.refrigerant import add_saturation_temperatures
from features.uncertainty import CIRCUMSTANCES, channel_uncertainty, scatter_uncertainty

if TYPE_CHECKING:
    from features.settings import DerivationSettings

_NAMES = [record.name for record in CYCLE_RECORDS]
_GRAIN = ("test_number", "regime")
# Facts of a test that the cycle needs beside its readings.
_FACTS = ("refrigerant", "internal_heat_exchanger", "noted_blower_pct", "atmosphere_kpa")
_INPUTS = (*CYCLE_CHANNELS, "condenser_air_c", *CLAMP_AIR, "intake_stray_k")
_SOURCES = ("condenser_air_source", "duct_air_source")
# Sensors that enter, and how far each is moved for a difference, in its unit.
_STEPS = {
    "low_side_kpa": 1.0,
    "high_side_kpa": 5.0,
    "compressor_suction_c": 0.2,
    "compressor_discharge_c": 0.2,
    "condenser_outlet_c": 0.2,
    "expansion_inlet_c": 0.2,
    "evaporator_outlet_c": 0.2,
    "duct_air_c": 0.2,
    "intake_air_c": 0.2,
    "intake_humidity_pct": 0.5,
    "condenser_air_c": 0.2,
}
# The drop between a port and its station counts as an error of the pressure.
_SATURATION = {"low_side_kpa": "evaporating_dew_c", "high_side_kpa": "condensing_bubble_c"}


def read_cycles(
    units: pl.DataFrame, tests: pl.DataFrame, settings: DerivationSettings
) -> pl.DataFrame:
    """One row per test and regime: test_number, regime, the cycle's values and uncertainties.

    Parameters
    ----------
    units
        One row per window or cycle of a test: test_id, test_number, regime, kind_code, means
        of `CYCLE_CHANNELS` and condenser_air_c, and where the air's values come from.
    tests
        One row per test: what is noted of it, and the columns of `instruments`.
    """
    sensors = [sensor_column(channel) for channel in SENSORS]
    told = tests.select(
        "test_id",
        *_FACTS[:-1],
        *CIRCUMSTANCES,
        *sensors,
        atmosphere_kpa=atmosphere_kpa(("noted_barometric_kpa",)),
    )
    rows = units.join(told, on="test_id", how="left", maintain_order="left")
    values = _worked_out(rows).select(_NAMES)
    kept = rows.select("test_id", *_GRAIN, "kind_code", *_INPUTS, *_FACTS, *_SOURCES)
    medians = _condensed(kept.hstack(values)).join(
        told.drop(_FACTS), on="test_id", how="left", maintain_order="left"
    )
    return _with_uncertainties(medians, settings)


def _worked_out(rows: pl.DataFrame) -> pl.DataFrame:
    """The quantities of every row in its order, and the saturation temperatures."""
    refrigerants = rows.select("test_id", "refrigerant").unique("test_id")
    complete = add_cycle(add_saturation_temperatures(rows, refrigerants))
    return complete.select(
        *_SATURATION.values(),
        *(record.expression.alias(record.name) for record in CYCLE_RECORDS),
    )


def _condensed(rows: pl.DataFrame) -> pl.DataFrame:
    """One row per test and regime: medians, and what the windows scatter by.

    Two windows of a test may differ by its drift as well as by noise: what they differ by
    counts in full. Cycles have no drift between them and are taken as independent.
    """
    within = pl.when(pl.col("kind_code").first() == "steady").then(0.0)
    return rows.group_by(_GRAIN, maintain_order=True).agg(
        pl.col("test_id", *_FACTS, *_SOURCES).first(),
        pl.col(*_INPUTS, *_NAMES).median(),
        *(
            scatter_uncertainty(pl.col(name).count(), pl.col(name).var(), within)
            .fill_null(0.0)
            .alias(f"{name}:scatter")
            for name in _NAMES
        ),
    )


def _with_uncertainties(medians: pl.DataFrame, settings: DerivationSettings) -> pl.DataFrame:
    """The medians with their standard uncertainties; a value without one is null."""
    moved = _moved(medians)
    squares = medians.select(
        (channel_uncertainty(sensor, settings) ** 2).alias(sensor) for sensor in _STEPS
    ).with_columns(_of_the_tap(moved, sensor, settings) for sensor in _SATURATION)
    # the names of the moved values hold their sensor: one frame, one pass
    beside = medians.hstack(squares.select(pl.all().name.suffix(":square"))).hstack(moved)
    uncertain = beside.with_columns(
        (pl.col(f"{record.name}:scatter") ** 2 + _of_the_sensors(record.name))
        .sqrt()
        .alias(record.uncertainty_name)
        for record in CYCLE_RECORDS
    )
    return uncertain.select(
        *_GRAIN,
        *(
            pl.when(pl.col(record.name).is_finite() & pl.col(record.uncertainty_name).is_finite())
            .then(pl.col(record.name, record.uncertainty_name))
            .name.keep()
            for record in CYCLE_RECORDS
        ),
    )


def _moved(medians: pl.DataFrame) -> pl.DataFrame:
    """Slopes of all quantities by each sensor, `{sensor}:{quantity}`, row by row.

    All sensors are moved in one stack, so that what costs per call is paid once.
    """
    read = medians.drop(pl.selectors.ends_with(":scatter"), _NAMES)
    stack = [read, *(read.with_columns(pl.col(name) + step) for name, step in _STEPS.items())]
    every = _worked_out(pl.concat(stack))
    base = every.head(medians.height)
    slopes = []
    for place, (sensor, step) in enumerate(_STEPS.items(), start=1):
        there = every.slice(place * medians.height, medians.height)
        slopes += [
            ((there[name] - base[name]) / step).alias(f"{sensor}:{name}") for name in every.columns
        ]
    return pl.DataFrame(slopes)


def _of_the_tap(moved: pl.DataFrame, sensor: str, settings: DerivationSettings) -> pl.Expr:
    """The square of a pressure's uncertainty with that of the drop between port and station."""
    per_unit = pl.lit(moved[f"{sensor}:{_SATURATION[sensor]}"])
    drop_k = settings.tap_drop_accuracy_k / COVERAGE_FACTOR
    return pl.col(sensor) + ((drop_k / per_unit) ** 2).fill_null(0.0)


def _of_the_sensors(name: str) -> pl.Expr:
    """What the sensors' uncertainties add to the square of a quantity's."""
    return sum(
        (
            (pl.col(f"{sensor}:{name}") ** 2 * pl.col(f"{sensor}:square")).fill_null(0.0)
            for sensor in _STEPS
        ),
        start=pl.lit(0.0),
    )
