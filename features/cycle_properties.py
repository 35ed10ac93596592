"""Enthalpy and entropy of refrigerants, for the points of a cycle.

Holds array functions over pressure and temperature: enthalpy and entropy of superheated
vapour, enthalpy of liquid, the end of an isentropic compression. Read by cubic splines
between the shipped points (`enthalpy_points`), within 0.1 kJ/kg of the property library.
Enthalpies count from 200 kJ/kg for boiling liquid at 0 degC; entropies only differ.
Does not belong here: saturation (`refrigerant`), what a car's readings mean (`cycle`).
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from features.enthalpy_points import (
    SUPERHEATS_K,
    library_enthalpies,
    liquid_temperatures_c,
    shipped_enthalpies,
)
from features.refrigerant import dew_temperature_c

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from scipy.interpolate import CubicSpline, RectBivariateSpline

    from features.designations import Refrigerant

    Floats = NDArray[np.float64]

# A clamp on a line of saturated vapour reads a little below the dew point half of the time;
# that near, the vapour is taken as saturated (the accuracy of clamp and gauge together).
_BELOW_DEW_K = 1.5
_MOST_SUPERHEAT_K = float(SUPERHEATS_K[-1])
_STEPS = 8
_CLOSE_K = 1e-6
# Newton's error is about the square of its last change: further steps only move rounding.
_SETTLED_K = 1e-9


class _Surfaces(NamedTuple):
    """Splines of one refrigerant: vapour over (ln p, superheat), liquid over temperature."""

    enthalpy: RectBivariateSpline
    entropy: RectBivariateSpline
    liquid: CubicSpline


def vapour_enthalpy_kj_per_kg(
    pressure_kpa: Floats, temperature_c: Floats, refrigerant: Refrigerant
) -> Floats:
    """Enthalpy [kJ/kg] of vapour at absolute pressure [kPa] and temperature [degC].

    NaN outside 60 kPa to 0.86 of the critical pressure, more than 1.5 K below the dew point
    and more than 130 K above it.
    """
    return _on(_surfaces(refrigerant).enthalpy, pressure_kpa, temperature_c, refrigerant)


def vapour_entropy_kj_per_kg_k(
    pressure_kpa: Floats, temperature_c: Floats, refrigerant: Refrigerant
) -> Floats:
    """Entropy [kJ/(kg K)] of vapour; only differences have a meaning. Validity as above."""
    return _on(_surfaces(refrigerant).entropy, pressure_kpa, temperature_c, refrigerant)


def liquid_enthalpy_kj_per_kg(temperature_c: Floats, refrigerant: Refrigerant) -> Floats:
    """Enthalpy [kJ/kg] of liquid by its temperature [degC] alone.

    The pressure of subcooled liquid changes it by less than 0.5 kJ/kg at car pressures.
    NaN outside the temperatures of the points.
    """
    spline = _surfaces(refrigerant).liquid
    return np.asarray(spline(temperature_c), dtype=np.float64)


def isentropic_enthalpy_kj_per_kg(
    pressure_kpa: Floats, entropy_kj_per_kg_k: Floats, refrigerant: Refrigerant
) -> Floats:
    """Enthalpy [kJ/kg] of vapour of an entropy at a pressure: an isentropic compression's end."""
    surfaces = _surfaces(refrigerant)
    superheat_k = _superheat_at(surfaces.entropy, pressure_kpa, entropy_kj_per_kg_k)
    return _evaluate(surfaces.enthalpy, pressure_kpa, superheat_k)


def vapour_temperature_c(
    pressure_kpa: Floats, enthalpy_kj_per_kg: Floats, refrigerant: Refrigerant
) -> Floats:
    """Temperature [degC] of vapour of an enthalpy at a pressure."""
    surfaces = _surfaces(refrigerant)
    superheat_k = _superheat_at(surfaces.enthalpy, pressure_kpa, enthalpy_kj_per_kg)
    return dew_temperature_c(pressure_kpa, refrigerant) + superheat_k


def _on(
    surface: RectBivariateSpline,
    pressure_kpa: Floats,
    temperature_c: Floats,
    refrigerant: Refrigerant,
) -> Floats:
    superheat_k = temperature_c - dew_temperature_c(pressure_kpa, refrigerant)
    # NaN fails both comparisons and stays unknown
    is_vapour = (superheat_k >= -_BELOW_DEW_K) & (superheat_k <= _MOST_SUPERHEAT_K)
    saturated = np.where(is_vapour, np.maximum(superheat_k, 0.0), np.nan)
    return _evaluate(surface, pressure_kpa, saturated)


def _evaluate(surface: RectBivariateSpline, pressure_kpa: Floats, superheat_k: Floats) -> Floats:
    ln_pressure, _ = surface.get_knots()
    with np.errstate(divide="ignore", invalid="ignore"):
        asked = np.log(pressure_kpa)
    is_valid = (
        (asked >= ln_pressure[0])
        & (asked <= ln_pressure[-1])
        & (superheat_k >= 0.0)
        & (superheat_k <= _MOST_SUPERHEAT_K)
    )
    value = np.full(np.shape(pressure_kpa), np.nan)
    value[is_valid] = surface.ev(asked[is_valid], superheat_k[is_valid])
    return value


def _superheat_at(surface: RectBivariateSpline, pressure_kpa: Floats, wanted: Floats) -> Floats:
    """Superheat [K] at which a surface has a value; Newton's steps, NaN where none is found.

    Both surfaces rise with superheat throughout and bend little, so that a few steps do.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        ln_pressure = np.log(pressure_kpa)
    superheat_k = np.full(np.shape(pressure_kpa), 30.0)
    change_k = np.full_like(superheat_k, np.nan)
    moving = np.flatnonzero(np.isfinite(ln_pressure) & np.isfinite(wanted))
    for _ in range(_STEPS):
        at, now_k = ln_pressure[moving], superheat_k[moving]
        error = surface.ev(at, now_k) - wanted[moving]
        change_k[moving] = error / surface.ev(at, now_k, dy=1)
        superheat_k[moving] = np.clip(now_k - change_k[moving], 0.0, _MOST_SUPERHEAT_K)
        moving = moving[~(np.abs(change_k[moving]) < _SETTLED_K)]
    is_found = np.abs(change_k) < _CLOSE_K
    return np.where(is_found, superheat_k, np.nan)


@cache
def _surfaces(refrigerant: Refrigerant) -> _Surfaces:
    """The splines of a refrigerant, built on first use and kept for the process."""
    # importing the interpolation takes a quarter of a second
    from scipy.interpolate import CubicSpline, RectBivariateSpline  # noqa: PLC0415

    points = shipped_enthalpies(refrigerant.designation) or library_enthalpies(refrigerant)
    boiling_c = liquid_temperatures_c(points, refrigerant)
    return _Surfaces(
        RectBivariateSpline(points.ln_pressure, SUPERHEATS_K, points.vapour_enthalpy),
        RectBivariateSpline(points.ln_pressure, SUPERHEATS_K, points.vapour_entropy),
        CubicSpline(boiling_c, points.liquid_enthalpy, extrapolate=False),
    )
