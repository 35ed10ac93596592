"""What a logger makes of the true curves: clamps, probes, transducers, clock and mishaps.

One `Fitting` per test says how the logger was put on and what went wrong; severities of
sensor faults are its numbers. Takes and gives curves by name, arrays of second by test;
missing samples are NaN until a writer leaves them out. Units stay canonical: a wrong unit in
a header appears as the value that a reader who trusts the header would find.
"""

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from synthetic.plant.arrays import Batch, BoolArray, FloatArray
from synthetic.plant.curves import Curves
from synthetic.plant.placement import (
    AIR_PROBES,
    CHANNELS,
    CLAMPS,
    NO_CHANNEL,
    PRESSURES,
    is_meant,
    placed_curves,
)

# how wrong units appear to a reader: the written number taken for the claimed unit
(
    RIGHT,
    CELSIUS_AS_FAHRENHEIT,
    FAHRENHEIT_AS_CELSIUS,
    GAUGE_AS_ABSOLUTE,
    ABSOLUTE_AS_GAUGE,
    OTHER_PRESSURE_UNIT,
) = range(6)
# lines lose what they stood at within this time of flow; how much of a hot engine's warmth
# each line has (chosen)
WASHED_OUT_S = 20.0
HOT_STANDING_SHARE = dict.fromkeys(CLAMPS, 0.0) | {
    "compressor_suction_c": 0.7,
    "compressor_discharge_c": 1.0,
    "condenser_outlet_c": 0.2,
    "expansion_inlet_c": 0.3,
    "evaporator_outlet_c": 0.2,
}


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
    # the clock of the whole log: interval, a pause, a clock put forward, rows written again
    interval_s: float = 1.0
    pause_from_s: float = 0.0
    pause_s: float = 0.0
    clock_jump_from_s: float = 0.0
    clock_jump_s: float = 0.0
    repeated_from_s: float = 0.0
    repeated_rows: float = 0.0
    # lines before the start: scatter, and what those at a hot engine stand over the others
    standing_scatter_k: float = 0.0
    standing_hot_k: float = 0.0
    # mishaps; a channel is its place in CHANNELS, or one of the groups of `placement`
    swapped_sides: float = 0.0
    stuck_channel: float = NO_CHANNEL
    stuck_from_s: float = 0.0
    moved_channel: float = NO_CHANNEL
    moved_to: float = NO_CHANNEL
    moved_from_s: float = 0.0
    exchanged_channel: float = NO_CHANNEL
    exchanged_with: float = NO_CHANNEL
    # a clamp in the air follows it slower than one on a pipe follows the pipe
    fallen_channel: float = NO_CHANNEL
    fallen_from_s: float = 0.0
    fallen_lag_s: float = 45.0
    # a clamp with poor contact, a slow one, one that reads off, one that touches another line
    loose_channel: float = NO_CHANNEL
    loose_share: float = 0.0
    slow_channel: float = NO_CHANNEL
    slow_lag_s: float = 0.0
    biased_channel: float = NO_CHANNEL
    bias_k: float = 0.0
    touching_channel: float = NO_CHANNEL
    touched: float = NO_CHANNEL
    touching_share: float = 0.0
    # the intake probe: share of other air or of a hot surface, and what a warm place adds
    intake_stray_share: float = 0.0
    intake_coolant_share: float = 0.0
    intake_duct_share: float = 0.0
    intake_warm_k: float = 0.0
    low_drift_kpa_per_h: float = 0.0
    high_drift_kpa_per_h: float = 0.0
    spiked_channel: float = NO_CHANNEL
    spikes_per_hour: float = 0.0
    spike_size: float = 0.0
    broken_channel: float = NO_CHANNEL
    broken_from_s: float = 0.0
    broken_reads: float = 0.0
    coarse_channel: float = NO_CHANNEL
    coarse_step: float = 0.0
    # a wrong unit in the header; `unit_factor` of another unit of pressure at `site_kpa`
    wrong_unit_channel: float = NO_CHANNEL
    wrong_unit: float = RIGHT
    unit_factor: float = 1.0
    site_kpa: float = 101.325


def measure(curves: Curves, fittings: Batch, rng: np.random.Generator) -> Curves:
    """Readings behind the true curves; the same generator state gives the same bytes.

    Mishaps draw from a generator of their own, so that a test with and one without a mishap
    share all other errors.
    """
    mishaps = np.random.default_rng(rng.integers(0, 2**63))
    lines = _standing(curves, fittings, rng)
    placed = placed_curves(lines, fittings)
    read = dict(curves)
    for name in CHANNELS:
        read[name] = _one_channel(name, placed, fittings, rng)
    if np.any(fittings.swapped_sides > 0.5):
        is_swapped = fittings.swapped_sides > 0.5
        low, high = read["low_side_kpa"], read["high_side_kpa"]
        read["low_side_kpa"] = np.where(is_swapped, high, low)
        read["high_side_kpa"] = np.where(is_swapped, low, high)
    return _with_gaps(_with_spikes(read, fittings, mishaps), fittings, rng)


def _standing(curves: Curves, fittings: Batch, rng: np.random.Generator) -> Curves:
    """Curves with lines that stand at unlike temperatures until refrigerant flows.

    The offset of each line dies away within a minute of flow (chosen).
    """
    scatter = rng.standard_normal((len(CLAMPS), len(fittings)))
    if not np.any(fittings.standing_scatter_k + fittings.standing_hot_k):
        return curves
    flows = np.cumsum(curves["compressor_on"] > 0.5, axis=0)
    left = np.exp(flows / -WASHED_OUT_S)
    lines = dict(curves)
    for name, drawn in zip(CLAMPS, scatter, strict=True):
        warmer = fittings.standing_scatter_k * drawn
        warmer = warmer + HOT_STANDING_SHARE[name] * fittings.standing_hot_k
        lines[name] = curves[name] + left * warmer
    return lines


def _one_channel(
    name: str, placed: Curves, fittings: Batch, rng: np.random.Generator
) -> FloatArray:
    value = placed[name]
    if name in CLAMPS:
        around = placed[f"{name}__around"]
        value = value + _contact_share(name, fittings, rng) * (around - value)
    value = _lagged(value, _lag_s(name, fittings))
    value = value + _offset(name, fittings, rng) + _noise(name, fittings, rng, value.shape)
    value = _drifted(name, value, fittings)
    value = _skewed(name, value, fittings)
    value = _clipped(name, _quantised(value, _step(name, fittings)), fittings)
    value = _broken(name, _stuck(name, value, fittings), fittings)
    return _mislabelled(name, value, fittings)


def _contact_share(name: str, fittings: Batch, rng: np.random.Generator) -> FloatArray:
    """How far a clamp reads towards the air around it [1]."""
    drawn = rng.standard_normal(len(fittings))
    usual = fittings.contact_share * np.exp(fittings.contact_scatter * drawn)
    loose = is_meant(name, fittings.loose_channel)
    return np.minimum(np.where(loose, fittings.loose_share, usual), 0.9)


def _lag_s(name: str, fittings: Batch) -> FloatArray:
    if name in CLAMPS:
        slow = is_meant(name, fittings.slow_channel)
        return np.where(slow, fittings.slow_lag_s, fittings.clamp_lag_s)
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
        biased = is_meant(name, fittings.biased_channel)
        return fittings.temperature_offset_k + scatter + np.where(biased, fittings.bias_k, 0.0)
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


def _drifted(name: str, value: FloatArray, fittings: Batch) -> FloatArray:
    """A transducer whose zero runs off from the start of the log."""
    if name not in PRESSURES:
        return value
    low = name == "low_side_kpa"
    per_hour = fittings.low_drift_kpa_per_h if low else fittings.high_drift_kpa_per_h
    return value + np.arange(value.shape[0])[:, None] / 3600.0 * per_hour


def _step(name: str, fittings: Batch) -> FloatArray:
    usual = fittings.temperature_step_k
    if name in PRESSURES:
        usual = fittings.pressure_step_kpa
    elif name == "engine_rpm":
        usual = np.ones(len(fittings))
    return np.where(is_meant(name, fittings.coarse_channel), fittings.coarse_step, usual)


def _quantised(value: FloatArray, step: FloatArray) -> FloatArray:
    return np.asarray(np.where(step > 0.0, np.round(value / np.maximum(step, 1e-9)) * step, value))


def _clipped(name: str, value: FloatArray, fittings: Batch) -> FloatArray:
    if name == "low_side_kpa":
        return np.clip(value, 0.0, fittings.low_greatest_kpa)
    if name == "high_side_kpa":
        return np.clip(value, 0.0, fittings.high_greatest_kpa)
    if name == "engine_rpm":
        # pulses are counted: a standing engine gives none
        return np.where(value > 50.0, value, 0.0)
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
    """What a reader finds who trusts a header with the wrong unit.

    Vented gauges show pressure over that of the place; so do the numbers in another unit.
    """
    is_hit = is_meant(name, fittings.wrong_unit_channel)
    if not np.any(is_hit):
        return value
    site = fittings.site_kpa
    readings = [
        value,
        (value - 32.0) / 1.8,
        1.8 * value + 32.0,
        value - site,
        value + site,
        site + fittings.unit_factor * (value - site),
    ]
    wrong = np.choose(fittings.wrong_unit.astype(np.intp), readings)
    return np.where(is_hit, wrong, value)


def _stuck(name: str, value: FloatArray, fittings: Batch) -> FloatArray:
    hit = np.flatnonzero(is_meant(name, fittings.stuck_channel))
    if hit.size == 0:
        return value
    held = value.copy()
    for test in hit:
        second = int(fittings.stuck_from_s[test])
        held[second:, test] = held[second, test]
    return held


def _broken(name: str, value: FloatArray, fittings: Batch) -> FloatArray:
    """An open or shorted sensor shows one end of the logger's scale."""
    is_hit: BoolArray = is_meant(name, fittings.broken_channel)
    if not np.any(is_hit):
        return value
    since = np.arange(value.shape[0])[:, None] >= fittings.broken_from_s
    return np.where(is_hit & since, fittings.broken_reads, value)


def _with_spikes(read: Curves, fittings: Batch, rng: np.random.Generator) -> Curves:
    """Single readings thrown off by a spark or a loose plug."""
    if not np.any(fittings.spikes_per_hour > 0.0):
        return read
    out = dict(read)
    for name in CHANNELS:
        struck = is_meant(name, fittings.spiked_channel)
        if np.any(struck):
            hits = rng.random(read[name].shape) < fittings.spikes_per_hour / 3600.0
            sign = rng.choice([-1.0, 1.0], size=hits.shape)
            out[name] = read[name] + (hits & struck) * sign * fittings.spike_size
    return out


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
