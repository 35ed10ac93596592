"""What the instruments of a test can tell: standard uncertainties by channel.

Holds the table `INSTRUMENTS` that `derive` may be given (one row per instrument and
channel) and `add_sensor_uncertainties`, which spreads it over rows of tests. A channel
without a stated accuracy stays null: the settings' default then applies. Does not belong
here: what an uncertainty does to a feature (`uncertainty`), reading the registry.
"""

from __future__ import annotations

import polars as pl

from features.tables import Column, Table

INSTRUMENTS = Table(
    "instruments",
    "one row per instrument and channel",
    ("instrument_id", "channel"),
    (
        Column("instrument_id", pl.String(), "", "the instrument"),
        Column("channel", pl.String(), "", "the channel it measures"),
        Column("accuracy", pl.Float64(), "the channel's unit", "half width of its 95 % interval"),
        Column("resolution", pl.Float64(), "the channel's unit", "smallest step it shows"),
    ),
)

# Channels whose sensors enter the uncertainty of a feature.
SENSORS = (
    "low_side_kpa",
    "high_side_kpa",
    "compressor_suction_c",
    "compressor_discharge_c",
    "condenser_outlet_c",
    "expansion_inlet_c",
    "evaporator_outlet_c",
    "rear_evaporator_outlet_c",
    "duct_air_c",
    "duct_left_c",
    "duct_right_c",
    "intake_air_c",
    "intake_humidity_pct",
    "ambient_air_c",
    "condenser_inlet_air_c",
)
# Half width of a 95 % interval in standard deviations, GUM 6.3.3 (k = 2).
COVERAGE_FACTOR = 2.0


def sensor_column(channel: str) -> str:
    """Working column of a channel's standard uncertainty by its instrument."""
    return f"sensor:{channel}"


def add_sensor_uncertainties(
    rows: pl.DataFrame, tests: pl.DataFrame, instruments: pl.DataFrame | None
) -> pl.DataFrame:
    """The rows with a column `sensor:<channel>` per sensor, null where nothing is stated.

    Parameters
    ----------
    rows
        With test_id; row count and order stay.
    tests
        With test_id and instrument_id.
    instruments
        Frame with the columns of `INSTRUMENTS`, or None. An accuracy of zero or none states
        nothing.
    """
    stated = _stated(instruments)
    mine = tests.select("test_id", "instrument_id").join(stated, on="instrument_id", how="inner")
    wide = mine.group_by("test_id").agg(
        pl.col("standard_uncertainty")
        .filter(pl.col("channel") == channel)
        .first()
        .alias(sensor_column(channel))
        for channel in SENSORS
    )
    return rows.join(wide, on="test_id", how="left", maintain_order="left")


def _stated(instruments: pl.DataFrame | None) -> pl.DataFrame:
    """Standard uncertainty per instrument and channel: half the accuracy, and the display.

    A display adds its step over sqrt(12), GUM F.2.2.1.
    """
    known = INSTRUMENTS.empty() if instruments is None else instruments
    of_display = pl.col("resolution").fill_null(0.0) ** 2 / 12.0
    return known.filter(pl.col("accuracy") > 0).select(
        "instrument_id",
        "channel",
        standard_uncertainty=((pl.col("accuracy") / COVERAGE_FACTOR) ** 2 + of_display).sqrt(),
    )
