"""What a logger makes of the true curves: clamps, probes, transducers, clock and mishaps.

One `Fitting` per test says how the logger was put on and what went wrong; severities of
sensor faults are its numbers. Takes and gives curves by name, arrays of second by test;
missing samples are NaN until a writer leaves them out. Units stay canonical: a wrong unit in
a header appears as the value that a reader who trusts the header would find.
"""

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from synthetic.plant.arrays import Batch, FloatArray
from synthetic.plant.curves import Curves

PRESSURES = ("low_side_kpa", "high_side_kpa")
CLAMPS = (
    "compressor_suction_c",
    "compressor_discharge_c",
    "condenser_mid_c",
    "condenser_outlet_c",
    "expansion_inlet_c",
    "evaporator_outlet_c",
    "rear_evaporator_outlet_c",
)
AIR_PROBES = (
    "duct_left_c",
    "duct_right_c",
    "duct_rear_c",
    "intake_air_c",
    "ambient_air_c",
    "condenser_inlet_air_c",
    "underhood_air_c",
    "cabin_air_c",
)
CHANNELS = (*PRESSURES, *CLAMPS, *AIR_PROBES, "intake_humidity_pct", "engine_rpm")
NO_CHANNEL = -1.0
# lines at the fire wall see milder air than those at the engine
HOOD_SHARE = {"expansion_inlet_c": 0.6, "evaporator_outlet_c": 0.6}
# how wrong units appear to a reader: the written number taken for the claimed unit
RIGHT, CELSIUS_AS_FAHRENHEIT, FAHRENHEIT_AS_CELSIUS, GAUGE_AS_ABSOLUTE, ABSOLUTE_AS_GAUGE = range(5)


@dataclass(frozen=True, kw_only=True)
class Fitting:
    """How the logger of one test was put on; defaults are a careful technician's."""

    # clamps read contact_share of the way to the air around them
    contact_share: float = 0.035
    contact_scatter: float = 0.3
    clamp_lag_s: float = 8.0
    air_lag_s: float = 6.0
    humidity_lag_s: float = 20.0
    # the instrument: offsets that stay with it, noise, steps, ends of range
    low_offset_kpa: float = 0.0
    high_offset_kpa: float = 0.0
    temperature_offset_k: float = 0.0
    channel_scatter_k: float = 0.2
    low_noise_kpa: float = 0.8
    high_noise_kpa: float = 3.0
    temperature_noise_k: float = 0.08
    pressure_step_kpa: float = 0.7
    temperature_step_k: float = 0.1
    low_greatest_kpa: float = 1100.0
    high_greatest_kpa: float = 3600.0
    # gaps, clock
    gaps_per_hour: float = 0.0
    gap_s: float = 6.0
    clock_skew_s: float = 0.0
    clock_drift_s_per_h: float = 0.0
    # mishaps; a channel is its place in CHANNELS, -1 = none
    swapped_sides: float = 0.0
    stuck_channel: float = NO_CHANNEL
    stuck_from_s: float = 0.0
    moved_channel: float = NO_CHANNEL
    moved_to: float = NO_CHANNEL
    moved_from_s: float = 0.0
    fallen_channel: float = NO_CHANNEL
    fallen_from_s: float = 0.0
    intake_stray_share: float = 0.0
    wrong_unit_channel: float = NO_CHANNEL
    wrong_unit: float = RIGHT


def measure(curves: Curves, fittings: Batch, rng: np.random.Generator) -> Curves:
    """Readings behind the true curves; the same generator state gives the same bytes."""
    placed = _placed(curves, fittings)
    read = dict(curves)
    for name in CHANNELS:
        read[name] = _one_channel(name, (placed, curves), fittings, rng)
    if np.any(fittings.swapped_sides > 0.5):
        is_swapped = fittings.swapped_sides > 0.5
        low, high = read["low_side_kpa"], read["high_side_kpa"]
        read["low_side_kpa"] = np.where(is_swapped, high, low)
        read["high_side_kpa"] = np.where(is_swapped, low, high)
    return _with_gaps(read, fittings, rng)


def _placed(curves: Curves, fittings: Batch) -> Curves:
    """Curves at the places where the sensors really are: moved clamps, a stray intake probe."""
    placed = dict(curves)
    hood = curves["underhood_air_c"]
    stray = fittings.intake_stray_share
    placed["intake_air_c"] = curves["intake_air_c"] + stray * (hood - curves["intake_air_c"])
    for test in np.flatnonzero(fittings.moved_channel >= 0.0):
        name = CHANNELS[int(fittings.moved_channel[test])]
        other = CHANNELS[int(fittings.moved_to[test])]
        second = int(fittings.moved_from_s[test])
        moved = placed[name].copy()
        moved[second:, test] = curves[other][second:, test]
        placed[name] = moved
    for test in np.flatnonzero(fittings.fallen_channel >= 0.0):
        name = CHANNELS[int(fittings.fallen_channel[test])]
        second = int(fittings.fallen_from_s[test])
        fallen = placed[name].copy()
        fallen[second:, test] = hood[second:, test]
        placed[name] = fallen
    return placed


def _one_channel(
    name: str, at: tuple[Curves, Curves], fittings: Batch, rng: np.random.Generator
) -> FloatArray:
    placed, curves = at
    value = placed[name]
    tests = value.shape[1]
    if name in CLAMPS:
        contact = fittings.contact_share * np.exp(
            fittings.contact_scatter * rng.standard_normal(tests)
        )
        around = _around(name, curves)
        value = value + np.minimum(contact, 0.9) * (around - value)
    value = _lagged(value, _lag_s(name, fittings))
    value = value + _offset(name, fittings, rng) + _noise(name, fittings, rng, value.shape)
    value = _skewed(name, value, fittings)
    value = _mislabelled(name, value, fittings)
    value = _quantised(value, _step(name, fittings))
    return _stuck(name, _clipped(name, value, fittings), fittings)


def _around(name: str, curves: Curves) -> FloatArray:
    """Air around a clamp [degC]."""
    outside = curves["ambient_air_c"]
    return outside + HOOD_SHARE.get(name, 1.0) * (curves["underhood_air_c"] - outside)


def _lag_s(name: str, fittings: Batch) -> FloatArray:
    if name in CLAMPS:
        return fittings.clamp_lag_s
    if name in AIR_PROBES:
        return fittings.air_lag_s
    if name == "intake_humidity_pct":
        return fittings.humidity_lag_s
    return np.full(len(fittings), 0.25)


def _lagged(value: FloatArray, lag_s: FloatArray) -> FloatArray:
    """First-order lag along time, each test with its own time constant."""
    share = 1.0 - np.exp(-1.0 / lag_s)
    out = np.empty_like(value)
    for test in range(value.shape[1]):
        start = [(1.0 - share[test]) * value[0, test]]
        out[:, test], _ = lfilter(
            [share[test]], [1.0, share[test] - 1.0], value[:, test], zi=np.array(start)
        )
    return out


def _offset(name: str, fittings: Batch, rng: np.random.Generator) -> FloatArray:
    if name == "low_side_kpa":
        return fittings.low_offset_kpa
    if name == "high_side_kpa":
        return fittings.high_offset_kpa
    scatter = fittings.channel_scatter_k * rng.standard_normal(len(fittings))
    if name in CLAMPS or name in AIR_PROBES:
        return fittings.temperature_offset_k + scatter
    return np.zeros(len(fittings)) if name == "engine_rpm" else 8.0 * scatter


def _noise(
    name: str, fittings: Batch, rng: np.random.Generator, shape: tuple[int, ...]
) -> FloatArray:
    size = {
        "low_side_kpa": fittings.low_noise_kpa,
        "high_side_kpa": fittings.high_noise_kpa,
        "intake_humidity_pct": 4.0 * fittings.temperature_noise_k,
        "engine_rpm": 20.0 * fittings.temperature_noise_k,
    }.get(name, fittings.temperature_noise_k)
    return np.asarray(size * rng.standard_normal(shape))


def _step(name: str, fittings: Batch) -> FloatArray:
    if name in PRESSURES:
        return fittings.pressure_step_kpa
    if name == "engine_rpm":
        return np.ones(len(fittings))
    return fittings.temperature_step_k


def _quantised(value: FloatArray, step: FloatArray) -> FloatArray:
    return np.asarray(np.where(step > 0.0, np.round(value / np.maximum(step, 1e-9)) * step, value))


def _clipped(name: str, value: FloatArray, fittings: Batch) -> FloatArray:
    if name == "low_side_kpa":
        return np.clip(value, 0.0, fittings.low_greatest_kpa)
    if name == "high_side_kpa":
        return np.clip(value, 0.0, fittings.high_greatest_kpa)
    return np.clip(value, 0.0, 100.0) if name == "intake_humidity_pct" else value


def _skewed(name: str, value: FloatArray, fittings: Batch) -> FloatArray:
    """Temperatures come from a second device whose clock is off and runs off."""
    is_second = name in CLAMPS or name in AIR_PROBES
    if not is_second or not np.any(fittings.clock_skew_s + abs(fittings.clock_drift_s_per_h)):
        return value
    seconds = np.arange(value.shape[0], dtype=np.float64)
    out = np.empty_like(value)
    for test in range(value.shape[1]):
        drift = fittings.clock_drift_s_per_h[test] / 3600.0
        then = seconds * (1.0 - drift) - fittings.clock_skew_s[test]
        out[:, test] = np.interp(then, seconds, value[:, test])
    return out


def _mislabelled(name: str, value: FloatArray, fittings: Batch) -> FloatArray:
    """What a reader finds who trusts a header with the wrong unit."""
    is_hit = fittings.wrong_unit_channel == CHANNELS.index(name)
    if not np.any(is_hit):
        return value
    sea_level_kpa = 101.325
    readings = [
        value,
        (value - 32.0) / 1.8,
        1.8 * value + 32.0,
        value - sea_level_kpa,
        value + sea_level_kpa,
    ]
    wrong = np.choose(fittings.wrong_unit.astype(np.intp), readings)
    return np.where(is_hit, wrong, value)


def _stuck(name: str, value: FloatArray, fittings: Batch) -> FloatArray:
    hit = np.flatnonzero(fittings.stuck_channel == CHANNELS.index(name))
    if hit.size == 0:
        return value
    held = value.copy()
    for test in hit:
        second = int(fittings.stuck_from_s[test])
        held[second:, test] = held[second, test]
    return held


def _with_gaps(read: Curves, fittings: Batch, rng: np.random.Generator) -> Curves:
    """Readings with samples missing (NaN), each channel for itself."""
    if not np.any(fittings.gaps_per_hour > 0.0):
        return read
    out = dict(read)
    for name in CHANNELS:
        value = read[name].copy()
        begins = rng.random(value.shape) < fittings.gaps_per_hour / 3600.0
        for second, test in zip(*np.nonzero(begins), strict=True):
            value[second : second + int(fittings.gap_s[test]), test] = np.nan
        out[name] = value
    return out
