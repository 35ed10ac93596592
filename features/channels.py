"""The dictionary of measured quantities: what a logger can record on a car under test.

Every channel has its canonical name (with unit suffix), the quantity it measures, its
station on the refrigerant circuit, the range outside which a reading cannot be real,
and the words a technician would use for it. Pressures are absolute. The table
`SAMPLES` derives from it. Does not belong here: derived quantities (`catalogue`),
unit arithmetic (`units`), file formats.

Stations of the circuit: 1 compressor suction, 2 compressor discharge, 3 condenser,
4 liquid line before the internal heat exchanger, 5 expansion device inlet,
6 evaporator inlet, 7 evaporator outlet.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import polars as pl

from features.tables import Column, Table

Quantity = Literal[
    "pressure",
    "barometric_pressure",
    "temperature",
    "share",
    "switch",
    "rotational_speed",
    "power",
    "vehicle_speed",
    "voltage",
]

CANONICAL_UNITS: dict[Quantity, str] = {
    "pressure": "kPa",
    "barometric_pressure": "kPa",
    "temperature": "degC",
    "share": "%",
    "switch": "1",
    "rotational_speed": "1/min",
    "power": "W",
    "vehicle_speed": "km/h",
    "voltage": "V",
}


@dataclass(frozen=True)
class Channel:
    """One measured quantity.

    `lowest` and `highest` bound what a working sensor can read on a car, in the
    canonical unit (common practice, no source); a reading outside them is distrusted,
    never used to judge a car. `spoken` are other names a log header may carry, in
    lower case with single spaces.
    """

    name: str
    quantity: Quantity
    station: str
    lowest: float
    highest: float
    meaning: str
    spoken: tuple[str, ...] = ()

    @property
    def unit(self) -> str:
        """The canonical unit as printed to a reader."""
        return CANONICAL_UNITS[self.quantity]

    @property
    def stem(self) -> str:
        """The name without its unit suffix: `low_side_kpa` -> `low_side`."""
        if self.quantity == "switch":
            return self.name
        return self.name.rsplit("_", 1)[0]


def _temperature(
    stem: str, station: str, span_c: tuple[float, float], meaning: str, *spoken: str
) -> Channel:
    return Channel(f"{stem}_c", "temperature", station, *span_c, meaning, spoken)


_PIPE_C = (-60.0, 180.0)
_AIR_C = (-40.0, 90.0)

CHANNELS: tuple[Channel, ...] = (
    Channel(
        "low_side_kpa", "pressure", "1 or 7", 1.0, 2500.0,
        "refrigerant pressure at the low-side port, absolute",
        ("low side pressure", "low pressure", "suction pressure", "low side"),
    ),
    Channel(
        "high_side_kpa", "pressure", "2 or 4", 1.0, 5000.0,
        "refrigerant pressure at the high-side port, absolute",
        ("high side pressure", "high pressure", "discharge pressure", "high side"),
    ),
    _temperature(
        "compressor_suction", "1", _PIPE_C,
        "suction line at the compressor, after the internal heat exchanger where there is one",
        "suction line at compressor", "compressor inlet",
    ),
    _temperature(
        "compressor_discharge", "2", _PIPE_C,
        "discharge line at the compressor", "discharge line", "compressor outlet",
    ),
    _temperature("condenser_mid", "3", _PIPE_C, "condenser tube half way", "mid condenser"),
    _temperature(
        "condenser_outlet", "4", _PIPE_C,
        "liquid line after the condenser, before the internal heat exchanger",
        "liquid line", "condenser out",
    ),
    _temperature(
        "expansion_inlet", "5", _PIPE_C,
        "liquid line at the expansion device", "expansion valve inlet", "orifice inlet",
    ),
    _temperature(
        "evaporator_outlet", "7", _PIPE_C,
        "suction line at the evaporator outlet, before the internal heat exchanger",
        "evaporator out", "suction line at evaporator",
    ),
    _temperature(
        "rear_evaporator_outlet", "7 rear", _PIPE_C,
        "suction line at the rear evaporator outlet", "rear evaporator out",
    ),
    _temperature(
        "duct_air", "air", _AIR_C, "air at the duct outlets, mean",
        "duct", "duct outlet", "vent", "vent air",
    ),
    _temperature("duct_left", "air", _AIR_C, "air at the left duct outlet", "left duct"),
    _temperature("duct_right", "air", _AIR_C, "air at the right duct outlet", "right duct"),
    _temperature("duct_rear", "air", _AIR_C, "air at the rear duct outlet", "rear duct"),
    _temperature(
        "intake_air", "air", _AIR_C, "air entering the evaporator case", "intake", "air intake"
    ),
    Channel(
        "intake_humidity_pct", "share", "air", 0.0, 100.0,
        "relative humidity of the intake air", ("intake humidity", "intake rh"),
    ),
    _temperature(
        "evaporator_fin", "air", _AIR_C, "evaporator fin or leaving-air thermistor",
        "evaporator thermistor",
    ),
    _temperature(
        "ambient_air", "air", _AIR_C, "ambient air in the shade",
        "ambient", "outside air", "outside",
    ),
    Channel(
        "ambient_humidity_pct", "share", "air", 0.0, 100.0,
        "relative humidity of the ambient air", ("ambient humidity", "outside humidity"),
    ),
    _temperature(
        "condenser_inlet_air", "air", _AIR_C, "air entering the condenser face", "condenser air in"
    ),
    _temperature("underhood_air", "air", (-40.0, 140.0), "air under the hood", "under hood"),
    _temperature("cabin_air", "air", _AIR_C, "cabin air at breath level", "cabin"),
    _temperature("coolant", "engine", (-40.0, 150.0), "engine coolant", "engine coolant"),
    Channel(
        "engine_rpm", "rotational_speed", "engine", 0.0, 9000.0, "engine speed",
        ("engine speed",),
    ),
    Channel(
        "compressor_rpm", "rotational_speed", "compressor", 0.0, 15000.0,
        "compressor shaft speed", ("compressor speed",),
    ),
    Channel(
        "compressor_command_pct", "share", "compressor", 0.0, 100.0,
        "displacement or control-valve command", ("compressor command", "displacement command"),
    ),
    Channel(
        "compressor_on", "switch", "compressor", 0.0, 1.0, "compressor or its clutch engaged",
        ("clutch", "compressor engaged"),
    ),
    Channel(
        "compressor_power_w", "power", "compressor", 0.0, 20000.0,
        "electric power taken by the compressor", ("compressor power",),
    ),
    Channel(
        "condenser_fan_pct", "share", "condenser", 0.0, 100.0,
        "condenser fan command or stage share", ("condenser fan", "fan stage share"),
    ),
    Channel(
        "blower_pct", "share", "air", 0.0, 100.0, "blower setting", ("blower", "blower setting")
    ),
    Channel(
        "vehicle_speed_kmh", "vehicle_speed", "vehicle", 0.0, 300.0, "vehicle speed",
        ("vehicle speed", "road speed"),
    ),
    Channel(
        "recirculation_pct", "share", "air", 0.0, 100.0,
        "recirculation flap, 100 is full recirculation", ("recirculation",),
    ),
    Channel("supply_v", "voltage", "electric", 0.0, 60.0, "supply voltage", ("supply voltage",)),
    Channel(
        "barometric_kpa", "barometric_pressure", "air", 50.0, 110.0,
        "barometric pressure where the test is run", ("barometer", "barometric pressure"),
    ),
)  # fmt: skip

CHANNEL: dict[str, Channel] = {channel.name: channel for channel in CHANNELS}

# A samples frame carries test_id, time_s and any subset of the channels; an absent channel
# means the same as one that is null throughout.
SAMPLES = Table(
    "samples",
    "one row per test and instant",
    ("test_id", "time_s"),
    (
        Column("test_id", pl.String(), "", "the test, default the first 16 digits of its hash"),
        Column("time_s", pl.Float64(), "s", "time since the first sample of the log"),
        *(
            Column(channel.name, pl.Float64(), channel.unit, channel.meaning)
            for channel in CHANNELS
        ),
    ),
)


def channels_in(frame: pl.DataFrame | pl.LazyFrame) -> list[str]:
    """Names of the channels that a frame carries, in the order of the dictionary."""
    present = set(frame.collect_schema().names())
    return [channel.name for channel in CHANNELS if channel.name in present]
