"""Intake probes that do not read the air entering the evaporator: rule intake_not_representative.

True intake air is ambient air in fresh mode and cabin air in recirculation; a cabin may start
hot from the sun, but air that the ducts cool does not warm it. So a reading well above ambient
air that does not fall is under-hood air, coolant or a warm wall, and one far below ambient air
that is no warmer than the ducts hangs in the air they blow. Takes levels and the block grid.
Does not belong here: correcting such a reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from features.trust.clamp_grid import DUCTS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.trust.clamp_grid import ClampGrid
    from features.trust.clamp_levels import ClampLevels

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

INTAKE = "intake_air_c"
# over ambient air by this much, with two air sensors of 1 K, and the sun on the cowl between
# (common practice)
_OVER_AMBIENT_K = 4.0
# A cabin that is being cooled falls faster than this until it is near ambient air.
_FALLING_K_PER_MIN = -0.3
# above this after ten minutes no cabin in recirculation is left by its cooling (default, to be
# tuned on data)
_HOT_K = 13.0
_LATE_S = 480.0
_SLOPE_FROM_S = 180.0
_BELOW_AMBIENT_K = 6.0
_OVER_DUCT_K = 1.5


@dataclass(frozen=True)
class StrayIntake:
    """An intake probe in other air: test number, levels of it, ambient and warmest duct [degC]."""

    test: int
    intake_c: float
    ambient_c: float
    duct_c: float
    is_cold: bool


def find_stray_intakes(grid: ClampGrid, levels: ClampLevels) -> list[StrayIntake]:
    """Intake probes that read warmer air than enters, or the air of the ducts."""
    ambient = levels.ambient_c(grid.noted("ambient_c"))
    intake = levels.of(INTAKE)
    duct = np.fmax.reduce([levels.of(name) for name in DUCTS])
    over = intake - ambient
    stays = _slope_k_per_min(grid) > _FALLING_K_PER_MIN
    late = grid.medians((INTAKE,), grid.is_running & (grid.since_start_s >= _LATE_S))[INTAKE]
    # a heater that leaks warms the ducts too: only what stands above them is the probe's own
    is_warm = (over > _OVER_AMBIENT_K) & stays | (late - ambient > _HOT_K)
    is_cold = (over < -_BELOW_AMBIENT_K) & (intake < duct + _OVER_DUCT_K)
    return [
        StrayIntake(
            int(test),
            float(intake[test]),
            float(ambient[test]),
            float(duct[test]),
            bool(is_cold[test]),
        )
        for test in np.flatnonzero(is_warm | is_cold)
    ]


def _slope_k_per_min(grid: ClampGrid) -> Floats:
    """Slope of the intake air from three minutes after the start on [K/min]; NaN if unknown."""
    value, since_min = grid.of(INTAKE), grid.since_start_s / 60.0
    inside = np.isfinite(value) & grid.is_running & (grid.since_start_s >= _SLOPE_FROM_S)
    test, x, y = grid.test[inside], since_min[inside], value[inside]
    count, sum_x, sum_y, sum_xx, sum_xy = (
        np.bincount(test, weights, grid.n_tests) for weights in (x * 0 + 1, x, y, x * x, x * y)
    )
    spread = count * sum_xx - sum_x**2
    told = (count >= 12) & (spread > 0)
    return np.where(told, (count * sum_xy - sum_x * sum_y) / np.where(told, spread, 1.0), np.nan)


def intake_sentence(found: StrayIntake) -> str:
    """What the note of a stray intake probe says."""
    if found.is_cold:
        return (
            f"{found.intake_c:.1f} degC while running, no warmer than the ducts "
            f"({found.duct_c:.1f} degC) with ambient air at {found.ambient_c:.1f} degC: the probe "
            "hangs in the air that the ducts blow. Put it at the inlet that is in use"
        )
    return (
        f"{found.intake_c:.1f} degC while running, {found.intake_c - found.ambient_c:.1f} K over "
        "ambient air and not falling as a cooled cabin does: the probe reads under-hood air, a "
        "warm part or a closed inlet. Put it where air enters with this flap setting, out of the "
        "fan's air; duct drop is not judged until then"
    )
