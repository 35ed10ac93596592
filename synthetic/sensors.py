"""What the logger's clamps, probes and transducers make of the true curves.

`measure` adds clamp bias, lag, instrument offset and noise. Takes and gives `Curves`; missing
sensors are a matter of `dialects`. Does not belong here: truth (`behaviour`), rounding and
units (`dialects`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from synthetic.behaviour import Curves
from synthetic.scenario import INSTRUMENTS

if TYPE_CHECKING:
    import polars as pl

    from synthetic.refrigerants import FloatArray

_CLAMPS = (
    "compressor_suction_c",
    "compressor_discharge_c",
    "condenser_outlet_c",
    "expansion_inlet_c",
    "evaporator_outlet_c",
    "rear_evaporator_outlet_c",
)
_AIR = ("duct_left_c", "duct_right_c", "intake_air_c", "ambient_air_c", "underhood_air_c")
_PRESSURES = ("low_side_kpa", "high_side_kpa")

# clamps near the fire wall see milder air than those at the compressor
_SURROUNDED_BY_HOOD = {"expansion_inlet_c": 0.6, "evaporator_outlet_c": 0.6}


def _lagged(series: FloatArray, lag_s: FloatArray) -> FloatArray:
    """First-order lag along time, one time constant per test."""
    out = np.empty_like(series)
    out[0] = series[0]
    share = 1.0 - np.exp(-1.0 / lag_s)
    for second in range(1, len(series)):
        out[second] = out[second - 1] + share * (series[second] - out[second - 1])
    return out


def _instrument_numbers(tests: pl.DataFrame) -> dict[str, FloatArray]:
    """Accuracy of each test's instrument as a standard deviation, by kind of sensor."""
    by_id = {each.instrument_id: each for each in INSTRUMENTS}
    used = [by_id[name] for name in tests["instrument_id"]]
    return {
        "low_side_kpa": np.array([each.low_side_kpa for each in used]) / 2.0,
        "high_side_kpa": np.array([each.high_side_kpa for each in used]) / 2.0,
        "temperature": np.array([each.temperature_k for each in used]) / 2.0,
    }


def _instrument_offset(tests: pl.DataFrame, name: str) -> FloatArray:
    """A standard normal number that stays with an instrument and sensor over all its tests."""
    drawn = {
        each.instrument_id: np.random.default_rng([number, *name.encode()]).standard_normal()
        for number, each in enumerate(INSTRUMENTS)
    }
    offsets = np.array([drawn[each] for each in tests["instrument_id"]], dtype=np.float64)
    return np.asarray(np.clip(offsets, -1.5, 1.5))


def measure(tests: pl.DataFrame, curves: Curves, rng: np.random.Generator) -> Curves:
    """Sensor readings behind the true curves, same shape and names.

    Clamp bias grows with the difference between the air around the clamp and the pipe, and is
    larger where clamps are not insulated.
    """
    n_tests = tests.height
    accuracy = _instrument_numbers(tests)
    bare = ~tests["clamps_insulated"].to_numpy()
    hood, outside = curves["underhood_air_c"], curves["ambient_air_c"]
    read = dict(curves.values)
    for name in _CLAMPS:
        contact = np.where(bare, 0.07, 0.025) * np.exp(0.35 * rng.standard_normal(n_tests))
        around = outside + _SURROUNDED_BY_HOOD.get(name, 1.0) * (hood - outside)
        biased = curves[name] + contact * (around - curves[name])
        read[name] = _lagged(
            biased, np.where(bare, 12.0, 7.0) * np.exp(0.2 * rng.standard_normal(n_tests))
        )
    for name in _AIR:
        read[name] = _lagged(curves[name], np.full(n_tests, 6.0))
    for name in (*_CLAMPS, *_AIR):
        offset = 0.6 * accuracy["temperature"] * _instrument_offset(tests, name)
        read[name] = read[name] + offset + 0.07 * rng.standard_normal(read[name].shape)
    for name in _PRESSURES:
        offset = 0.6 * accuracy[name] * _instrument_offset(tests, name)
        noise = 0.35 * accuracy[name] * rng.standard_normal(read[name].shape)
        read[name] = read[name] + offset + noise
    humidity = _lagged(curves["intake_humidity_pct"], np.full(n_tests, 20.0))
    humidity = humidity + 1.5 * rng.standard_normal(n_tests)
    read["intake_humidity_pct"] = np.clip(humidity, 1.0, 99.0)
    return Curves(read)
