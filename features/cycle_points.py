"""The points of the cycle of every window, for a pressure-enthalpy chart.

Holds the table `CYCLE_POINTS`, `describe_cycle_points` that fills it from the means of windows,
and `saturation_dome`, the border of the two-phase region to draw them on. Pressures are those of
the service ports, since the drops between are not known; enthalpies count from 200 kJ/kg for
boiling liquid at 0 degC. Does not belong here: properties (`cycle_properties`), quantities that
follow from the points (`cycle_records`), charts.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from features.cycle import CYCLE_CHANNELS, add_cycle
from features.cycle_properties import liquid_enthalpy_kj_per_kg, vapour_enthalpy_kj_per_kg
from features.refrigerant import (
    RefrigerantError,
    add_saturation_temperatures,
    bubble_temperature_c,
    dew_temperature_c,
    resolve_refrigerant,
    valid_pressures_kpa,
)
from features.tables import Column, Table

CYCLE_POINTS = Table(
    "cycle_points",
    "one row per test, window and station of the cycle",
    ("test_id", "window_number", "station"),
    (
        Column("test_id", pl.String(), "", "the test"),
        Column("window_number", pl.Int32(), "1", "the window, of the table windows"),
        Column(
            "station", pl.String(), "",
            "compressor_suction, compressor_discharge, isentropic_discharge, condenser_outlet, "
            "expansion_inlet, evaporator_inlet or evaporator_outlet",
        ),
        Column("station_order", pl.Int32(), "1", "the way of the refrigerant, from 1"),
        Column("pressure_kpa", pl.Float64(), "kPa", "pressure at the port of this side, absolute"),
        Column("temperature_c", pl.Float64(), "degC", "temperature of the line, where known"),
        Column(
            "enthalpy_kj_per_kg", pl.Float64(), "kJ/kg",
            "enthalpy, 200 kJ/kg for boiling liquid at 0 degC",
        ),
    ),
)  # fmt: skip
# Station: pressure, temperature and enthalpy, by columns of `cycle` and `refrigerant`, in the way
# of the refrigerant. The end of an isentropic compression is where a chart draws the lossless one.
_STATIONS: dict[str, tuple[str, str | None, str]] = {
    "compressor_suction": ("low_side_kpa", "compressor_suction_c", "suction_enthalpy_kj_per_kg"),
    "compressor_discharge": (
        "high_side_kpa", "compressor_discharge_c", "discharge_enthalpy_kj_per_kg",
    ),
    "isentropic_discharge": ("high_side_kpa", None, "isentropic_enthalpy_kj_per_kg"),
    "condenser_outlet": ("high_side_kpa", "condenser_outlet_c", "liquid_enthalpy"),
    "expansion_inlet": ("high_side_kpa", "expansion_inlet_c", "valve_enthalpy"),
    "evaporator_inlet": ("low_side_kpa", "entering_c", "entering_enthalpy"),
    "evaporator_outlet": (
        "low_side_kpa", "evaporator_outlet_c", "evaporator_outlet_enthalpy_kj_per_kg",
    ),
}  # fmt: skip
# A liquid line this much above the bubble point holds vapour too, and its temperature no longer
# tells its enthalpy (the accuracy of clamp and gauge together).
_ABOVE_BUBBLE_K = 1.5
_DECIMALS = 4


def describe_cycle_points(
    units: pl.DataFrame, windows: pl.DataFrame, tests: pl.DataFrame
) -> pl.DataFrame:
    """CYCLE_POINTS of the windows that features are read from; points that are not known absent.

    Parameters
    ----------
    units
        One row per window, or per cycle of one: test_number, window_number (a number of the
        stack), kind_code, start_s and the means of `CYCLE_CHANNELS`, of pipes and not of clamps.
    windows
        Frame of WINDOWS, which numbers the windows of each test.
    tests
        One row per test: test_number, test_id, refrigerant and internal_heat_exchanger.
    """
    means = units.group_by("test_number", "window_number", maintain_order=True).agg(
        pl.col("kind_code").first(), pl.col("start_s").min(), pl.col(CYCLE_CHANNELS).mean()
    )
    of_test = tests.select("test_number", "test_id", "refrigerant", "internal_heat_exchanger")
    told = (
        means.drop("window_number")
        .join(of_test, on="test_number", how="left", maintain_order="left")
        .join(
            windows.select("test_id", "window_number", "kind_code", "start_s"),
            on=("test_id", "kind_code", "start_s"),
            maintain_order="left",
        )
    )
    facts = told.with_columns(
        noted_blower_pct=pl.lit(None, pl.Float64),
        atmosphere_kpa=pl.lit(None, pl.Float64),
    )
    refrigerants = tests.select("test_id", "refrigerant")
    known = _add_liquid(add_cycle(add_saturation_temperatures(facts, refrigerants)))
    points = [_points_of(station, known, number) for number, station in enumerate(_STATIONS, 1)]
    return CYCLE_POINTS.conform(
        pl.concat(points)
        .drop_nulls("enthalpy_kj_per_kg")
        .sort("test_id", "window_number", "station_order")
        .with_columns(pl.selectors.float().round(_DECIMALS))
    )


def _add_liquid(rows: pl.DataFrame) -> pl.DataFrame:
    """Enthalpies of the liquid line, null where it holds vapour, and of what enters the evaporator.

    Throttling keeps the enthalpy; without a clamp at the expansion device, and without an
    exchanger before it, the condenser's outlet serves.
    """
    bubble = pl.col("condensing_bubble_c") + _ABOVE_BUBBLE_K
    condenser = pl.when(pl.col("condenser_outlet_c") <= bubble).then(
        pl.col("condenser_outlet_enthalpy_kj_per_kg")
    )
    valve = pl.when(pl.col("expansion_inlet_c") <= bubble).then(
        pl.col("expansion_inlet_enthalpy_kj_per_kg")
    )
    has_none = ~pl.col("internal_heat_exchanger").fill_null(value=True)
    # a blend of that pressure is colder than its dew point by how much of it is liquid
    is_pure = pl.col("refrigerant").is_in(_pure(rows["refrigerant"]))
    return rows.with_columns(
        liquid_enthalpy=condenser,
        valve_enthalpy=valve,
        entering_enthalpy=pl.coalesce(valve, pl.when(has_none).then(condenser)),
        entering_c=pl.when(is_pure).then(pl.col("evaporating_dew_c")),
    )


def _pure(texts: pl.Series) -> list[str]:
    """The spellings that mean a refrigerant of one substance."""
    found = []
    for text in texts.drop_nulls().unique():
        try:
            refrigerant = resolve_refrigerant(text)
        except RefrigerantError:
            continue
        if not refrigerant.is_blend:
            found.append(text)
    return found


def _points_of(station: str, rows: pl.DataFrame, number: int) -> pl.DataFrame:
    pressure, temperature, enthalpy = _STATIONS[station]
    return rows.select(
        "test_id",
        pl.col("window_number").cast(pl.Int32),
        station=pl.lit(station),
        station_order=pl.lit(number, pl.Int32),
        pressure_kpa=pl.col(pressure),
        temperature_c=pl.col(temperature) if temperature else pl.lit(None, pl.Float64),
        enthalpy_kj_per_kg=pl.col(enthalpy),
    ).filter(pl.col("pressure_kpa").is_not_null())


def saturation_dome(designation: str, n_points: int = 80) -> pl.DataFrame:
    """The border of the two-phase region: pressure_kpa, liquid and vapour enthalpy [kJ/kg].

    From 60 kPa to 0.86 of the critical pressure, beyond which enthalpies are not given.

    Raises
    ------
    RefrigerantError
        The refrigerant is not known, or cannot be judged (R-744 runs above its critical point).
    """
    refrigerant = resolve_refrigerant(designation)
    highest = valid_pressures_kpa(refrigerant).highest_kpa
    pressure = np.geomspace(60.0, highest, n_points)
    liquid = liquid_enthalpy_kj_per_kg(bubble_temperature_c(pressure, refrigerant), refrigerant)
    dew_c = dew_temperature_c(pressure, refrigerant)
    vapour = vapour_enthalpy_kj_per_kg(pressure, dew_c, refrigerant)
    frame = pl.DataFrame(
        {
            "pressure_kpa": pressure,
            "liquid_enthalpy_kj_per_kg": liquid,
            "vapour_enthalpy_kj_per_kg": vapour,
        }
    )
    return frame.fill_nan(None).drop_nulls()
