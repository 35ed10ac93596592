"""Logs built by hand for the tests of this folder: level signals, small noise, known steps."""

from __future__ import annotations

import numpy as np
import polars as pl

# A car in order that runs at R-134a saturation rows of a printed table (see test_derive).
LEVELS = {
    "low_side_kpa": 292.8,
    "high_side_kpa": 1681.8,
    "compressor_suction_c": 15.0,
    "compressor_discharge_c": 80.0,
    "condenser_outlet_c": 52.0,
    "expansion_inlet_c": 47.0,
    "evaporator_outlet_c": 6.0,
    "duct_air_c": 8.0,
    "intake_air_c": 25.0,
    "intake_humidity_pct": 50.0,
    "ambient_air_c": 30.0,
    "engine_rpm": 1500.0,
    "condenser_fan_pct": 100.0,
    "compressor_command_pct": 100.0,
}
# Sensor noise, 1 sd; commands carry none.
NOISE = {
    "low_side_kpa": 1.0,
    "high_side_kpa": 4.0,
    "engine_rpm": 8.0,
    "intake_humidity_pct": 0.3,
    "condenser_fan_pct": 0.0,
    "compressor_command_pct": 0.0,
    "compressor_on": 0.0,
}
TEMPERATURE_NOISE = 0.1


def log(test_id="a", *, seconds=900.0, interval_s=1.0, seed=1, only=None, **curves):
    """A log of level signals; `curves` replace a channel by a number, an array or None (absent).

    An array is taken as the true curve on the log's own time axis; noise comes on top.
    """
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, seconds, interval_s)
    levels = {name: LEVELS[name] for name in only} if only else dict(LEVELS)
    columns = {"test_id": [test_id] * time_s.size, "time_s": time_s}
    for name, curve in {**levels, **curves}.items():
        if curve is None:
            continue
        noise = rng.normal(0.0, 1.0, time_s.size) * NOISE.get(name, TEMPERATURE_NOISE)
        columns[name] = np.broadcast_to(curve, time_s.shape) + noise
    return pl.DataFrame(columns)


def context(*test_ids, **columns):
    """Context rows that say R-134a and a variable compressor, if not told otherwise."""
    told = {"refrigerant": "R134a", "compressor": "variable_external", **columns}
    return pl.DataFrame({"test_id": list(test_ids or ("a",))}).with_columns(
        pl.lit(value).alias(name) for name, value in told.items()
    )


def lagged(time_s, at_s, size, *, tau_s):
    """A first-order response of a size that begins at a time."""
    since_s = np.clip(np.asarray(time_s) - at_s, 0.0, None)
    return size * (1.0 - np.exp(-since_s / tau_s))


def clock(seconds=900.0, interval_s=1.0):
    """The time axis of `log`."""
    return np.arange(0.0, seconds, interval_s)
