"""Which curves share a panel, how each is drawn, what distance between two is shaded.

Holds the records `Series`, `Band` and `Panel`, the list `PANELS`, and the choice of what
a test can show. Does not belong here: the samples (`curves`) and the chart grammar
(`charts`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Collection


@dataclass(frozen=True)
class Series:
    """One curve: its channel and the key of its line style (colour and dash together)."""

    name: str
    style: str


@dataclass(frozen=True)
class Band:
    """The shaded distance between two curves, such as superheat."""

    upper: str
    lower: str
    words: str


@dataclass(frozen=True)
class Panel:
    """One chart over the time axis of the test; `quantity` fixes the unit of its axis.

    `least_span` (canonical unit) keeps the axis from blowing noise up into a swing;
    `is_scaled_to_running` takes its range from after the start of the compressor.
    """

    key: str
    title: str
    quantity: str
    height_px: int
    least_span: float
    series: tuple[Series, ...]
    bands: tuple[Band, ...] = ()
    note: str = ""
    is_scaled_to_running: bool = False


PANELS: tuple[Panel, ...] = (
    Panel(
        "high-side",
        "High-side pressure (absolute)",
        "high_side_kpa",
        120,
        400.0,
        (Series("high_side_kpa", "b"),),
    ),
    Panel(
        "low-side",
        "Low-side pressure (absolute)",
        "low_side_kpa",
        120,
        150.0,
        (Series("low_side_kpa", "a"),),
        is_scaled_to_running=True,
    ),
    Panel(
        "suction",
        "Suction side: superheat",
        "evaporating_dew_c",
        170,
        15.0,
        (
            Series("evaporating_dew_c", "saturation"),
            Series("evaporator_outlet_c", "a"),
            Series("rear_evaporator_outlet_c", "c"),
            Series("compressor_suction_c", "b"),
        ),
        (
            Band("evaporator_outlet_c", "evaporating_dew_c", "superheat at evaporator outlet"),
            Band("compressor_suction_c", "evaporating_dew_c", "superheat at compressor suction"),
        ),
        "Superheat is the distance of a line from the dashed dew point below it.",
        is_scaled_to_running=True,
    ),
    Panel(
        "liquid",
        "Liquid side: subcooling",
        "condensing_bubble_c",
        170,
        15.0,
        (
            Series("condensing_bubble_c", "saturation"),
            Series("condenser_mid_c", "c"),
            Series("condenser_outlet_c", "b"),
            Series("expansion_inlet_c", "a"),
        ),
        (
            Band("condensing_bubble_c", "condenser_outlet_c", "subcooling at condenser outlet"),
            Band("condensing_bubble_c", "expansion_inlet_c", "subcooling at expansion device"),
        ),
        "Subcooling is the distance of a line from the dashed bubble point above it.",
    ),
    Panel(
        "air",
        "Air side",
        "duct_air_c",
        170,
        15.0,
        (
            Series("intake_air_c", "b"),
            Series("duct_air_c", "a"),
            Series("duct_left_c", "f"),
            Series("duct_right_c", "g"),
            Series("duct_rear_c", "h"),
            Series("evaporator_fin_c", "c"),
            Series("ambient_air_c", "ink"),
            Series("condenser_inlet_air_c", "d"),
            Series("cabin_air_c", "e"),
        ),
    ),
    Panel(
        "hot",
        "Discharge line and engine bay",
        "compressor_discharge_c",
        120,
        30.0,
        (
            Series("discharge_dew_c", "saturation"),
            Series("compressor_discharge_c", "b"),
            Series("underhood_air_c", "c"),
            Series("coolant_c", "d"),
        ),
        (Band("compressor_discharge_c", "discharge_dew_c", "superheat at discharge"),),
    ),
    Panel(
        "speeds",
        "Engine and compressor speed",
        "engine_rpm",
        90,
        600.0,
        (Series("engine_rpm", "a"), Series("compressor_rpm", "b")),
    ),
    Panel(
        "commands",
        "Commands",
        "condenser_fan_pct",
        90,
        100.0,
        (
            Series("condenser_fan_pct", "a"),
            Series("compressor_command_pct", "b"),
            Series("compressor_on", "ink"),
            Series("blower_pct", "c"),
            Series("recirculation_pct", "d"),
        ),
    ),
)

# derived for drawing, not logged
SATURATION_LINES = ("evaporating_dew_c", "condensing_bubble_c", "discharge_dew_c")

DRAWN_CHANNELS: tuple[str, ...] = tuple(
    dict.fromkeys(series.name for panel in PANELS for series in panel.series)
)


def panels_for(known: Collection[str]) -> tuple[Panel, ...]:
    """The panels that these channels can fill, each cut down to them.

    A panel shows when it has at least one measured line: a saturation line alone would
    repeat a pressure. Of two bands with one edge in common only the first is shaded.
    """
    fitted = (_fit(panel, known) for panel in PANELS)
    return tuple(panel for panel in fitted if panel is not None)


def _fit(panel: Panel, known: Collection[str]) -> Panel | None:
    series = tuple(line for line in panel.series if line.name in known)
    if all(line.name in SATURATION_LINES for line in series):
        return None
    bands = tuple(band for band in panel.bands if band.upper in known and band.lower in known)
    return replace(panel, series=series, bands=bands[:1])
