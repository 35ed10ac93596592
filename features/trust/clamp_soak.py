"""What the standing car tells of its clamps: bias from the soak, lag from the start.

Before the engine starts all lines stand at about one temperature, which is also that of
saturation at the standing pressure: a free point of calibration. Holds the rules `clamp_bias`
and `clamp_lag`. A car that ran shortly before has warm lines at the engine: nothing is said of
its clamps then. Takes ordered samples, the context and `clamp_levels`. Does not belong here:
clamps on a wrong line (`clamps`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.refrigerant import add_saturation_temperatures
from features.trust.clamp_grid import CLAMPS
from features.trust.ordered import TEST, Ordered

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.trust.clamp_levels import ClampLevels

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

PRESSURES = {"low_side_kpa": "evaporating_dew_c", "high_side_kpa": "condensing_bubble_c"}
SUCTION, DISCHARGE, CONDENSER, EXPANSION, EVAPORATOR, REAR = CLAMPS
_GAUGES = "gauges"
# What each clamp is held against: the median of these, of which two must be known. Both gauges
# together are one witness: at rest they have one pressure.
_WITNESSES = {
    SUCTION: (DISCHARGE, EVAPORATOR, _GAUGES),
    DISCHARGE: (SUCTION, EVAPORATOR, _GAUGES),
    EVAPORATOR: (SUCTION, DISCHARGE, _GAUGES),
    REAR: (EVAPORATOR, SUCTION, _GAUGES),
    CONDENSER: (EXPANSION, EVAPORATOR, _GAUGES),
    EXPANSION: (CONDENSER, EVAPORATOR, _GAUGES),
}
# Clamps and saturation at rest agree within 1 to 2 K (common practice); the condenser stands
# nearer to ambient air than the rest of the car. Lowest and highest over the witnesses [K] that
# a cold car leaves, between sensors of the accuracy of the default settings.
_COLD_LIMITS_K = {
    SUCTION: (-3.6, 3.6),
    # a compressor that ran an hour ago keeps its own line warm
    DISCHARGE: (-3.6, 6.0),
    EVAPORATOR: (-3.6, 3.6),
    REAR: (-3.6, 3.6),
    CONDENSER: (-5.0, 3.6),
    EXPANSION: (-5.0, 3.6),
}
# the two clamps on the liquid line stand nearer to each other than to the rest
_LIQUID_APART_K = 3.9
_LIQUID_BELOW_K = 1.3
# Near the engine lines are this much over the others when the car ran shortly before. Then
# nothing is said of any clamp: lines cool at their own pace.
_WARM_OVER_K = 4.0
# air in the high side alone parts the gauges of a standing car
_GAUGES_APART_K = 3.0
# suction lines follow their pressure within a minute of the start; a clamp with a time constant
# of a minute and more does not. What the circuit does late shows on the other suction lines too.
_LEAST_PACE = 0.70
_LEAST_LONE_PACE, _SISTER_AHEAD = 0.82, 0.2
# A cycling compressor swings its suction line; a clamp with a time constant of a minute and
# more shows little of it. How far evaporation and, by clamp, the one beside must swing [K]
# (tuning values).
_SWINGS_K, _LEAST_SWING = 2.0, 0.45
_BESIDE = ((SUCTION, EVAPORATOR, 1.0), (CONDENSER, EXPANSION, 0.6), (EXPANSION, CONDENSER, 0.6))
_PACED = ("compressor_suction_c", "evaporator_outlet_c", "rear_evaporator_outlet_c")


@dataclass(frozen=True)
class Soaks:
    """Soaks of stacked tests, arrays by test: levels [degC] by channel, `gauges` beside them.

    `is_cold`: the lines near the engine stand where the others do.
    """

    level: dict[str, Floats]
    is_cold: Booleans

    def witnesses_c(self, name: str) -> Floats:
        """Where the witnesses of a clamp or gauge stand; NaN with fewer than two of them."""
        others = _WITNESSES.get(name, (SUCTION, DISCHARGE, EVAPORATOR))
        return median_of([self.level[other] for other in others])

    def bias_k(self, name: str) -> Floats:
        """A channel's level over its witnesses [K]; NaN where the car stood warm."""
        return np.where(self.is_cold, self.level[name] - self.witnesses_c(name), np.nan)


def find_soaks(ordered: Ordered, context: pl.DataFrame) -> Soaks:
    """The soaks of all tests; NaN throughout where a test has none."""
    soak = ordered.soak
    number = soak[TEST].to_numpy()
    n_tests = ordered.first.size - 1

    def spread(values: Floats) -> Floats:
        every = np.full(n_tests, np.nan)
        every[number] = values
        return every

    names = ("test_id", *(name for name in PRESSURES if name in soak.columns))
    saturated = add_saturation_temperatures(soak.select(names), context)
    unknown = np.full(soak.height, np.nan)
    level = {
        name: spread(soak[name].cast(pl.Float64()).to_numpy() if name in soak.columns else unknown)
        for name in CLAMPS
    }
    level |= {name: spread(saturated[column].to_numpy()) for name, column in PRESSURES.items()}
    level[_GAUGES] = _of_gauges(level)
    near_engine = np.fmin(level[SUCTION], level[DISCHARGE])
    rest = median_of([level[name] for name in (*CLAMPS[2:], _GAUGES)], fewest=1)
    return Soaks(level, np.asarray(near_engine - rest < _WARM_OVER_K))


def _of_gauges(level: dict[str, Floats]) -> Floats:
    """Saturation at the gauges; where air in the circuit parts them, that nearer to the lines."""
    low, high = (level[name] for name in PRESSURES)
    lines = median_of([level[name] for name in CLAMPS])
    nearer = np.where(np.abs(low - lines) < np.abs(high - lines), low, high)
    is_apart = np.abs(low - high) > _GAUGES_APART_K
    together = median_of([low, high], fewest=1)
    return np.where(is_apart & np.isfinite(nearer), nearer, together)


def median_of(values: list[Floats], *, fewest: int = 2) -> Floats:
    """Median across arrays; NaN where fewer are known."""
    ordered = np.sort(np.array(values), axis=0)
    known = np.isfinite(ordered).sum(axis=0)
    lower = np.take_along_axis(ordered, np.maximum((known - 1) // 2, 0)[None], axis=0)[0]
    upper = np.take_along_axis(ordered, (known // 2).clip(max=len(values) - 1)[None], axis=0)[0]
    return np.where(known >= fewest, (lower + upper) / 2.0, np.nan)


@dataclass(frozen=True)
class Biased:
    """A clamp that stood off in the soak: test number, channel, bias [K], witnesses [degC]."""

    test: int
    channel: str
    bias_k: float
    witnesses_c: float


def find_biased(soaks: Soaks) -> list[Biased]:
    """Clamps that stand further from their witnesses than a cold car leaves between lines."""
    found = []
    for name, (lowest, highest) in _COLD_LIMITS_K.items():
        bias = soaks.bias_k(name)
        is_off = (bias < lowest) | (bias > highest) | _is_off_its_twin(soaks, name)
        found += [
            Biased(int(test), name, float(bias[test]), float(soaks.witnesses_c(name)[test]))
            for test in np.flatnonzero(is_off & ~_twin_is_worse(soaks, name))
        ]
    return found


def _twin(name: str) -> str | None:
    return {CONDENSER: EXPANSION, EXPANSION: CONDENSER}.get(name)


def _is_off_its_twin(soaks: Soaks, name: str) -> Booleans:
    """Whether the two clamps on the liquid line differ, and this is the one to blame."""
    twin = _twin(name)
    if twin is None:
        return np.zeros(soaks.is_cold.size, dtype=np.bool_)
    apart = np.abs(soaks.level[name] - soaks.level[twin]) > _LIQUID_APART_K
    return apart & soaks.is_cold


def _twin_is_worse(soaks: Soaks, name: str) -> Booleans:
    twin = _twin(name)
    if twin is None:
        return np.zeros(soaks.is_cold.size, dtype=np.bool_)
    rest = median_of([soaks.level[other] for other in (SUCTION, EVAPORATOR, _GAUGES)], fewest=1)
    usual = rest - _LIQUID_BELOW_K
    return np.abs(soaks.level[twin] - usual) > np.abs(soaks.level[name] - usual)


def biased_sentence(found: Biased) -> str:
    """What the note of a biased clamp says."""
    return (
        f"stood {found.bias_k:+.1f} K off before the start, when other lines and saturation "
        f"stood at {found.witnesses_c:.1f} degC. Clean pipe and clamp, insulate it, compare it "
        "with another sensor, and repeat the test"
    )


@dataclass(frozen=True)
class Slow:
    """A slow clamp: test number, channel, and its share of the way of its pressure at the start.

    `is_swing`: its share of the swings of the clamp beside it instead.
    """

    test: int
    channel: str
    share: float
    is_swing: bool


def find_slow(levels: ClampLevels) -> list[Slow]:
    """Clamps on suction lines that follow a start, or the swings of a cycle, too slowly."""
    found = _that_hardly_swing(levels)
    swinging = {(each.test, each.channel) for each in found}
    for name in _PACED:
        pace = levels.pace(name)
        others = np.fmax.reduce([levels.pace(other) for other in _PACED if other != name])
        is_lone = (pace < _LEAST_LONE_PACE) & (others > pace + _SISTER_AHEAD)
        is_slow = ((pace < _LEAST_PACE) | is_lone) & (levels.rise(name) < 0.0)
        found += [
            Slow(test, name, float(pace[test]), is_swing=False)
            for test in np.flatnonzero(is_slow).tolist()
            if (test, name) not in swinging
        ]
    return found


def _that_hardly_swing(levels: ClampLevels) -> list[Slow]:
    """Clamps that do not swing with a cycling compressor while the clamp beside them does.

    Without an internal heat exchanger the suction line swings with the gas that leaves the
    evaporator, mostly further, and the liquid line at its end as at its beginning.
    """
    found = []
    for name, beside, least_k in _BESIDE:
        swings = levels.swing[beside]
        is_told = (levels.swing["evaporating_c"] > _SWINGS_K) & (swings > least_k)
        share = levels.swing[name] / np.where(is_told, swings, 1.0)
        is_slow = is_told & (share < _LEAST_SWING) & ~levels.has_exchanger
        found += [
            Slow(test, name, float(share[test]), is_swing=True)
            for test in np.flatnonzero(is_slow).tolist()
        ]
    return found


def slow_sentence(found: Slow) -> str:
    """What the note of a slow clamp says."""
    pace = found.share
    if found.is_swing:
        return (
            f"while the compressor cycled it swung {100.0 * pace:.0f} % as far as the clamp "
            "beside it, which reads the same flow: a slow sensor or poor contact, right in the "
            "mean of a cycle only. Use a smaller sensor, press it on, insulate it"
        )
    return (
        f"within a minute of the start it went {100.0 * max(pace, 0.0):.0f} % as far as its "
        "pressure: a slow sensor or poor contact, right in steady windows only. Use a smaller "
        "sensor, press it on, insulate it"
    )
