"""The logger dialects of the scenario: bytes of one log file from its sensor readings.

`header_block_imperial` (CSV after a header block, psig and degF), `semicolon_metric` (decimal
comma, bar gauge and degC, units in the header), `timestamp_comma` (CSV with ISO timestamps,
kPa absolute) and `long_parquet` (one row per instant and channel, kPa absolute); the CSV forms
also packed as .gz and .zst. Same readings, same bytes. Does not belong here: where files go
(`logs`), what is measured (`plant.sensors`), MDF 4 (`mdf_dialect`).
"""

from __future__ import annotations

import gzip
import io
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import pyarrow as pa

if TYPE_CHECKING:
    import numpy.typing as npt

    from synthetic.plant.arrays import FloatArray

    IntArray = npt.NDArray[np.int64]

_KPA_PER_PSI = 6.894757
_KPA_PER_BAR = 100.0


@dataclass(frozen=True)
class Sensor:
    """How one sensor is called in each dialect, and what kind of quantity it reads."""

    curve: str
    kind: str
    imperial: str
    metric: str
    long: str


SENSORS: tuple[Sensor, ...] = (
    Sensor("low_side_kpa", "pressure", "Low side", "Low side", "low_side_kpa_abs"),
    Sensor("high_side_kpa", "pressure", "High side", "High side", "high_side_kpa_abs"),
    Sensor(
        "compressor_suction_c", "temperature", "Suction line", "Compressor suction",
        "compressor_suction_degc",
    ),
    Sensor(
        "compressor_discharge_c", "temperature", "Discharge line", "Compressor discharge",
        "compressor_discharge_degc",
    ),
    Sensor(
        "condenser_outlet_c", "temperature", "Liquid line", "Condenser outlet",
        "condenser_outlet_degc",
    ),
    Sensor(
        "expansion_inlet_c", "temperature", "Expansion inlet", "Expansion inlet",
        "expansion_inlet_degc",
    ),
    Sensor(
        "evaporator_outlet_c", "temperature", "Evaporator outlet", "Evaporator outlet",
        "evaporator_outlet_degc",
    ),
    Sensor(
        "rear_evaporator_outlet_c", "temperature", "Rear evaporator outlet",
        "Rear evaporator outlet", "rear_evaporator_outlet_degc",
    ),
    Sensor("duct_left_c", "temperature", "Left duct", "Duct left", "duct_left_degc"),
    Sensor("duct_right_c", "temperature", "Right duct", "Duct right", "duct_right_degc"),
    Sensor("intake_air_c", "temperature", "Intake air", "Intake air", "intake_air_degc"),
    Sensor(
        "intake_humidity_pct", "share", "Intake humidity", "Intake humidity", "intake_humidity_pct"
    ),
    Sensor("ambient_air_c", "temperature", "Ambient air", "Ambient air", "ambient_air_degc"),
    Sensor(
        "underhood_air_c", "temperature", "Underhood air", "Underhood air", "underhood_air_degc"
    ),
    Sensor("coolant_c", "temperature", "Coolant", "Coolant", "coolant_degc"),
    Sensor("engine_rpm", "speed", "Engine speed", "Engine speed", "engine_rpm"),
    Sensor("compressor_rpm", "speed", "Compressor speed", "Compressor speed", "compressor_rpm"),
    Sensor("compressor_power_w", "power", "Compressor power", "Compressor power",
           "compressor_power_w"),
    Sensor(
        "compressor_command_pct", "share", "Compressor command", "Compressor command",
        "compressor_command_pct",
    ),
    Sensor("compressor_on", "switch", "Compressor on", "Compressor on", "compressor_on"),
    Sensor("condenser_fan_pct", "share", "Condenser fan", "Condenser fan", "condenser_fan_pct"),
)  # fmt: skip

_IMPERIAL_UNITS = {
    "pressure": "psig", "temperature": "degF", "share": "%", "speed": "rpm", "power": "W",
    "switch": "0/1",
}  # fmt: skip
_METRIC_UNITS = _IMPERIAL_UNITS | {"pressure": "bar gauge", "temperature": "degC"}
_DECIMALS = {"pressure": 2, "temperature": 1, "share": 0, "speed": 0, "power": 0, "switch": 0}


@dataclass(frozen=True)
class Recording:
    """One log before it is written: readings of the fitted sensors and its circumstances.

    `readings` by curve name, absolute kPa, degC, %, 1/min, W; `site_kpa` the local air
    pressure that vented gauges measure against; `interval_s` between samples; `instants_s`
    since the start where they are not simply one interval apart.
    """

    readings: dict[str, FloatArray]
    started_at: datetime
    site_kpa: float
    site_id: str
    instrument_id: str
    interval_s: int = 1
    instants_s: FloatArray | None = None

    @property
    def seconds(self) -> IntArray:
        """Whole seconds since the start, as the logger's clock counts them."""
        if self.instants_s is None:
            return np.arange(self.n_rows, dtype=np.int64) * self.interval_s
        return self.instants_s.astype(np.int64)

    @property
    def sensors(self) -> list[Sensor]:
        """The sensors fitted, in the order of `SENSORS`."""
        return [sensor for sensor in SENSORS if sensor.curve in self.readings]

    @property
    def n_rows(self) -> int:
        """Samples in the log."""
        return len(next(iter(self.readings.values())))


def _fixed(name: str, values: FloatArray, decimals: int) -> pl.Series:
    """A column printed with a fixed number of decimals; gaps stay empty."""
    series = pl.Series(name, values).fill_nan(None)
    return series.cast(pl.Decimal(18, decimals)) if decimals else series.round(0).cast(pl.Int64)


def _imperial_values(sensor: Sensor, values: FloatArray, site_kpa: float) -> FloatArray:
    """Readings in psi gauge and degF; other kinds as they are."""
    if sensor.kind == "pressure":
        return (values - site_kpa) / _KPA_PER_PSI
    return values * 9.0 / 5.0 + 32.0 if sensor.kind == "temperature" else values


def header_block_imperial(log: Recording) -> bytes:
    """A CSV after a six-line header block and an empty line, with a line of units."""
    sensors = log.sensors
    block = (
        "Test record",
        f"Instrument: {log.instrument_id}",
        f"Site: {log.site_id}",
        f"Started: {log.started_at:%Y-%m-%d %H:%M:%S}",
        f"Channels: {len(sensors)}",
        f"Interval s: {log.interval_s}",
        "",
        ",".join(["Elapsed", *(sensor.imperial for sensor in sensors)]),
        ",".join(["s", *(_IMPERIAL_UNITS[sensor.kind] for sensor in sensors)]),
    )
    columns = [pl.Series("Elapsed", log.seconds)]
    for sensor in sensors:
        values = _imperial_values(sensor, log.readings[sensor.curve], log.site_kpa)
        decimals = 1 if sensor.kind == "pressure" else _DECIMALS[sensor.kind]
        columns.append(_fixed(sensor.imperial, values, decimals))
    buffer = io.BytesIO()
    buffer.write(("\n".join(block) + "\n").encode())
    pl.DataFrame(columns).write_csv(buffer, include_header=False)
    return buffer.getvalue()


def semicolon_metric(log: Recording) -> bytes:
    """A CSV with semicolons, decimal commas, a clock column and units in the header."""
    clock = (
        pl.Series([log.started_at.replace(tzinfo=None)], dtype=pl.Datetime("ms")).dt.timestamp(
            "ms"
        )[0]
        + 1000 * log.seconds
    )
    columns = [pl.Series("Clock", clock).cast(pl.Datetime("ms")).dt.strftime("%H:%M:%S")]
    for sensor in log.sensors:
        values = log.readings[sensor.curve]
        if sensor.kind == "pressure":
            values = (values - log.site_kpa) / _KPA_PER_BAR
        name = f"{sensor.metric} [{_METRIC_UNITS[sensor.kind]}]"
        columns.append(_fixed(name, values, _DECIMALS[sensor.kind]))
    buffer = io.BytesIO()
    pl.DataFrame(columns).write_csv(
        buffer, separator=";", decimal_comma=True, quote_style="never", line_terminator="\r\n"
    )
    return buffer.getvalue()


def long_parquet(log: Recording) -> bytes:
    """A Parquet file with one row per instant and channel, timestamps in UTC."""
    sensors = log.sensors
    start = int(log.started_at.astimezone(UTC).timestamp() * 1000)
    stamps = start + 1000 * log.seconds
    values = np.column_stack(
        [np.round(log.readings[s.curve], 2 if s.kind == "temperature" else 1) for s in sensors]
    )
    frame = pl.DataFrame(
        {
            "timestamp": pl.Series(np.repeat(stamps, len(sensors))).cast(pl.Datetime("ms", "UTC")),
            "channel": pl.Series([sensor.long for sensor in sensors] * log.n_rows),
            "value": pl.Series(values.ravel()).fill_nan(None),
        }
    )
    buffer = io.BytesIO()
    frame.write_parquet(buffer, compression="zstd", compression_level=3, statistics=False)
    return buffer.getvalue()


def timestamp_comma(log: Recording) -> bytes:
    """A CSV with ISO 8601 timestamps and zone, units in round brackets, kPa absolute."""
    start = int(log.started_at.replace(tzinfo=UTC).timestamp())
    zone = f"{log.started_at:%z}"
    offset = f"{zone[:3]}:{zone[3:]}" if zone else ""
    stamps = pl.Series(start + log.seconds) * 1000
    text = stamps.cast(pl.Datetime("ms")).dt.strftime(f"%Y-%m-%dT%H:%M:%S{offset}")
    columns = [text.alias("timestamp")]
    for sensor in log.sensors:
        unit = _METRIC_UNITS[sensor.kind] if sensor.kind != "pressure" else "kPa abs"
        decimals = 1 if sensor.kind == "pressure" else _DECIMALS[sensor.kind]
        columns.append(_fixed(f"{sensor.metric} ({unit})", log.readings[sensor.curve], decimals))
    buffer = io.BytesIO()
    pl.DataFrame(columns).write_csv(buffer)
    return buffer.getvalue()


WRITERS = {
    "header_block_imperial": header_block_imperial,
    "semicolon_metric": semicolon_metric,
    "timestamp_comma": timestamp_comma,
    "long_parquet": long_parquet,
}


def packed(content: bytes, packing: str) -> bytes:
    """The bytes as stored: unchanged, gzip (no name, no time in it) or Zstandard."""
    if packing == "gz":
        return gzip.compress(content, compresslevel=5, mtime=0)
    if packing == "zst":
        return bytes(pa.Codec("zstd", compression_level=3).compress(content, asbytes=True))
    return content
