"""A saturation curve as a dense table: built once from a few hundred points, read fast.

Holds the record `SaturationCurve`, its making (`curve_through`), the judgement whether
given points can be a saturation curve (`is_sound`), and array functions that read it. A
curve is evenly spaced in ln p, where vapour pressure is nearly a straight line. Outside
the curve, and for NaN, the answer is NaN. Does not belong here: where the points come
from (`refrigerant`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_TABLE_POINTS = 4097
# the widest gap that the spline may bridge, in steps between points
_LONGEST_BRIDGE = 10.0
# the slope dT/d ln p of a real curve changes by less than this from point to point
_LARGEST_SLOPE_CHANGE = 0.05


@dataclass(frozen=True)
class SaturationCurve:
    """Saturation temperature on a rising, even grid of ln p (p in kPa absolute)."""

    ln_pressure: Floats
    temperature_c: Floats

    @property
    def lowest_kpa(self) -> float:
        """The pressure at which the curve begins [kPa]."""
        return float(np.exp(self.ln_pressure[0]))

    @property
    def highest_kpa(self) -> float:
        """The pressure at which the curve ends [kPa]."""
        return float(np.exp(self.ln_pressure[-1]))


def curve_through(ln_pressure: Floats, temperature_c: Floats) -> SaturationCurve:
    """The dense curve through given points: a cubic spline in ln p, read off evenly."""
    from scipy.interpolate import CubicSpline  # noqa: PLC0415 - a third of a second to import

    dense = np.linspace(ln_pressure[0], ln_pressure[-1], _TABLE_POINTS)
    return SaturationCurve(dense, CubicSpline(ln_pressure, temperature_c)(dense))


def is_sound(ln_pressure: Floats, temperature_c: Floats) -> bool:
    """Whether points can be a saturation curve that a spline may connect.

    Temperature rises with pressure, its slope changes little from point to point, no gap
    is wide. A single false answer of a property library fails this.
    """
    steps = np.diff(ln_pressure)
    slope = np.diff(temperature_c) / steps
    return bool(
        steps.size > 2
        and np.all(steps < _LONGEST_BRIDGE * np.min(steps))
        and np.all(slope > 0.0)
        and np.all(np.abs(np.diff(slope)) < _LARGEST_SLOPE_CHANGE * slope[1:])
    )


def temperature_on_c(curve: SaturationCurve, pressure_kpa: Floats) -> Floats:
    """The curve's temperature [degC] at absolute pressures [kPa]."""
    ln_p = _ln(pressure_kpa)
    return np.interp(ln_p, curve.ln_pressure, curve.temperature_c, left=np.nan, right=np.nan)


def pressure_on_kpa(curve: SaturationCurve, temperature_c: Floats) -> Floats:
    """The curve's absolute pressure [kPa] at temperatures [degC]: the exact inverse."""
    asked = np.asarray(temperature_c, dtype=np.float64)
    ln_p = np.interp(asked, curve.temperature_c, curve.ln_pressure, left=np.nan, right=np.nan)
    return np.exp(ln_p)


def slope_on_k_per_kpa(curve: SaturationCurve, pressure_kpa: Floats) -> Floats:
    """The curve's rise [K/kPa] at absolute pressures [kPa]."""
    k_per_ln = np.gradient(curve.temperature_c, curve.ln_pressure)
    ln_p = _ln(pressure_kpa)
    # dT/dp = (dT/d ln p) / p
    return np.interp(ln_p, curve.ln_pressure, k_per_ln, left=np.nan, right=np.nan) / np.exp(ln_p)


def _ln(pressure_kpa: Floats) -> Floats:
    """Natural logarithm of the pressure, NaN where there is none."""
    asked = np.asarray(pressure_kpa, dtype=np.float64)
    return np.log(np.where((asked > 0.0) & np.isfinite(asked), asked, np.nan))
