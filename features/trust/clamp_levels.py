"""Where the lines of each test stand: levels while running, the way there, the soak before.

Holds `ClampLevels`, one number per test and channel, for rules that judge whole logs. Takes
the block grid. NaN is unknown. Does not belong here: any rule.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from features.trust.clamp_grid import AIR, CLAMPS, DUCTS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.trust.clamp_grid import ClampGrid

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

# lines have left their start behind after so long
SETTLED_S = 120.0
_EARLY_FROM_S, _EARLY_TO_S = 50.0, 90.0
# a change from soak to running smaller than this tells nothing of the way there
_LEAST_CHANGE_K = 4.0
# what a cycling compressor swings, about means of so many blocks
_SWINGING = (
    "compressor_suction_c",
    "evaporator_outlet_c",
    "condenser_outlet_c",
    "expansion_inlet_c",
    "evaporating_c",
)
_CYCLE_BLOCKS, _FEWEST_SWINGING = 9, 20
REFERENCE = {
    "compressor_suction_c": "evaporating_c",
    "evaporator_outlet_c": "evaporating_c",
    "rear_evaporator_outlet_c": "evaporating_c",
    "condenser_outlet_c": "condensing_c",
    "expansion_inlet_c": "condensing_c",
    "compressor_discharge_c": "condensing_c",
}


@dataclass(frozen=True)
class ClampLevels:
    """One number per test, by channel; `evaporating_c`, `condensing_c` beside the channels.

    `level`: median [degC] while the compressor runs, from 120 s after its start on. `soak`:
    median [degC] before the start. `early`: mean way from soak to level that was gone 50 to
    90 s after the start [1]. `dip`: lowest block of the first two minutes of work less soak
    [K]. `swing`: how far lines and `evaporating_c` swing about their mean of 45 s at
    work (root mean square) [K]. `has_exchanger`: the model has an internal heat exchanger.
    """

    level: dict[str, Floats]
    soak: dict[str, Floats]
    early: dict[str, Floats]
    dip: dict[str, Floats]
    swing: dict[str, Floats]
    has_exchanger: Booleans

    def of(self, name: str) -> Floats:
        """Levels of a channel, NaN where it was not logged."""
        return self.level[name]

    def rise(self, name: str) -> Floats:
        """Level less soak [K]."""
        return self.level[name] - self.soak[name]

    def pace(self, name: str) -> Floats:
        """How fast a clamp took its way, as a share of the pace of its pressure [1]."""
        return self.early[name] / self.early[REFERENCE[name]]

    def on_its_way(self, name: str) -> Floats:
        """Where a channel stood 50 to 90 s after the start [degC]."""
        return self.soak[name] + self.early[name] * self.rise(name)

    def ambient_c(self, noted_c: Floats) -> Floats:
        """Ambient air as logged, else as noted."""
        logged = self.level["ambient_air_c"]
        return np.where(np.isfinite(logged), logged, noted_c)


def find_levels(grid: ClampGrid) -> ClampLevels:
    """Levels of all tests of a grid."""
    names = (*CLAMPS, "evaporating_c", "condensing_c", *AIR, *DUCTS)
    settled = grid.is_running & (grid.since_start_s >= SETTLED_S)
    since = grid.since_start_s
    # a clutch may cycle by then: what counts is the way, not the instant
    is_early = (since >= _EARLY_FROM_S) & (since < _EARLY_TO_S)
    before = np.isnan(since)
    level, soak = grid.medians(names, settled), grid.medians(names, before)
    lines = (*CLAMPS, "evaporating_c", "condensing_c")
    on_their_way = grid.medians(lines, is_early)
    early = {}
    for name in lines:
        change = level[name] - soak[name]
        gone = on_their_way[name] - soak[name]
        told = np.abs(change) >= _LEAST_CHANGE_K
        early[name] = np.where(told, gone / np.where(told, change, 1.0), np.nan)
    dip = {name: _lowest(grid, name, since < SETTLED_S) - soak[name] for name in CLAMPS}
    exchanger = grid.context["internal_heat_exchanger"].fill_null(value=False)
    at_work = grid.is_at_work & (since >= SETTLED_S)
    swing = {name: _swing(grid, name, at_work) for name in _SWINGING}
    return ClampLevels(level, soak, early, dip, swing, exchanger.to_numpy())


def _swing(grid: ClampGrid, name: str, is_inside: Booleans) -> Floats:
    """Root mean square of a channel about its moving mean in each test; NaN where unknown."""
    value = grid.of(name)
    about = value - grid.later(grid.rolling(value, _CYCLE_BLOCKS), -(_CYCLE_BLOCKS // 2))
    inside = is_inside & np.isfinite(about)
    count = np.bincount(grid.test[inside], minlength=grid.n_tests)
    total = np.bincount(grid.test[inside], about[inside] ** 2, minlength=grid.n_tests)
    enough = count >= _FEWEST_SWINGING
    return np.where(enough, np.sqrt(total / np.where(enough, count, 1)), np.nan)


def _lowest(grid: ClampGrid, name: str, is_inside: Booleans) -> Floats:
    """Lowest block of each test among those inside, NaN without any."""
    value = grid.of(name)
    if value.size == 0:
        return np.full(grid.n_tests, np.nan)
    known = np.where(is_inside & np.isfinite(value), value, np.inf)
    lowest = np.minimum.reduceat(known, grid.first[:-1])
    return np.where(np.isfinite(lowest), lowest, np.nan)
