"""Enthalpies and entropies that ship with the package, asked once of the property library.

Holds the record `EnthalpyPoints`: on a grid of pressure and superheat the vapour's enthalpy
and entropy, and along the bubble curve the liquid's enthalpy; the reading of the shipped
file, and the asking of the library (CoolProp 8), from which the file is written by
`python -m tests.features.write_enthalpy_points`. A test asks the installed library again
at other points. Does not belong here: reading between the points (`cycle_properties`).

Reference state: saturated liquid at 0 degC has 200 kJ/kg (as the International Institute
of Refrigeration counts); entropy is counted from the vapour's first grid point, since only
its differences are used.
"""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import polars as pl

from features.refrigerant import (
    bubble_pressure_kpa,
    bubble_temperature_c,
    dew_temperature_c,
    property_library,
    valid_pressures_kpa,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.designations import Refrigerant

    Floats = NDArray[np.float64]

FILE_NAME = "enthalpy_points.csv"
SUPERHEATS_K = np.array([0.0, 1.0, 2.0, 4.0, 7.0, *range(10, 131, 10)])
_PRESSURES = 40
_LOWEST_KPA = 60.0
# nearer to the critical point a grid of this width no longer follows the curves
_HIGHEST_SHARE = 0.9
_ICE_POINT_K = 273.15
_REFERENCE_KJ_PER_KG = 200.0
# asked for a hair beside its saturation point, where the library is sure of the phase
_HAIR_K = 1e-4
_LIQUID = -1.0


class EnthalpyPoints(NamedTuple):
    """Points of one refrigerant.

    `ln_pressure` rises (p in kPa absolute); `vapour_enthalpy` [kJ/kg] and `vapour_entropy`
    [kJ/(kg K)] are of pressure by superheat above the dew point (`SUPERHEATS_K`);
    `liquid_enthalpy` [kJ/kg] stands on the bubble curve.
    """

    ln_pressure: Floats
    vapour_enthalpy: Floats
    vapour_entropy: Floats
    liquid_enthalpy: Floats


@cache
def shipped_enthalpies(designation: str) -> EnthalpyPoints | None:
    """The points of a refrigerant, None when none ship for it."""
    rows = _all_rows().filter(pl.col("designation") == designation)
    if rows.is_empty():
        return None
    liquid = rows.filter(pl.col("superheat_k") == _LIQUID)
    vapour = rows.filter(pl.col("superheat_k") != _LIQUID)
    shape = (liquid.height, SUPERHEATS_K.size)
    return EnthalpyPoints(
        liquid["ln_pressure"].to_numpy(),
        vapour["enthalpy"].to_numpy().reshape(shape),
        vapour["entropy"].to_numpy().reshape(shape),
        liquid["enthalpy"].to_numpy(),
    )


@cache
def _all_rows() -> pl.DataFrame:
    return pl.read_csv((resources.files("features") / FILE_NAME).read_bytes())


def enthalpies_frame(points: dict[str, EnthalpyPoints]) -> pl.DataFrame:
    """Points by designation as rows of the file; superheat -1 marks the liquid."""
    return pl.concat(_rows_of(designation, one) for designation, one in points.items())


def _rows_of(designation: str, points: EnthalpyPoints) -> pl.DataFrame:
    superheat, ln_pressure = np.meshgrid(SUPERHEATS_K, points.ln_pressure)
    vapour = pl.DataFrame(
        {
            "ln_pressure": ln_pressure.ravel(),
            "superheat_k": superheat.ravel(),
            "enthalpy": points.vapour_enthalpy.ravel(),
            "entropy": points.vapour_entropy.ravel(),
        }
    )
    liquid = pl.DataFrame(
        {
            "ln_pressure": points.ln_pressure,
            "superheat_k": np.full(points.ln_pressure.size, _LIQUID),
            "enthalpy": points.liquid_enthalpy,
            "entropy": np.zeros(points.ln_pressure.size),
        }
    )
    rounded = pl.concat([vapour, liquid]).with_columns(
        pl.col("enthalpy").round(5), pl.col("entropy").round(8)
    )
    return rounded.select(pl.lit(designation).alias("designation"), pl.all())


def library_enthalpies(refrigerant: Refrigerant) -> EnthalpyPoints:
    """What the installed library answers on the grid of a refrigerant."""
    highest_kpa = _HIGHEST_SHARE * valid_pressures_kpa(refrigerant).highest_kpa
    ln_pressure = np.linspace(np.log(_LOWEST_KPA), np.log(highest_kpa), _PRESSURES)
    pressure_kpa = np.exp(ln_pressure)
    dew_c = dew_temperature_c(pressure_kpa, refrigerant)
    temperature_c = dew_c[:, None] + np.maximum(SUPERHEATS_K, _HAIR_K)
    enthalpy, entropy = _ask(temperature_c, pressure_kpa, "gas", refrigerant)
    ice_kpa = bubble_pressure_kpa(np.array([0.0]), refrigerant)
    liquid = _ask_liquid(pressure_kpa, refrigerant)
    offset = _REFERENCE_KJ_PER_KG - float(_ask_liquid(ice_kpa, refrigerant)[0])
    return EnthalpyPoints(ln_pressure, enthalpy + offset, entropy - entropy[0, 0], liquid + offset)


def _ask(
    temperature_c: Floats, pressure_kpa: Floats, phase: str, refrigerant: Refrigerant
) -> tuple[Floats, Floats]:
    """Enthalpy [kJ/kg] and entropy [kJ/(kg K)] in the library's own reference; a row a pressure.

    The phase is given, so that the library need not look for an equilibrium, which for
    blends it does not always find.
    """
    library = property_library()
    state = library.AbstractState("HEOS", refrigerant.library_name)
    enthalpy, entropy = np.empty_like(temperature_c), np.empty_like(temperature_c)
    for (row, column), celsius in np.ndenumerate(temperature_c):
        state.specify_phase(getattr(library, f"iphase_{phase}"))
        state.update(library.PT_INPUTS, 1000.0 * pressure_kpa[row], celsius + _ICE_POINT_K)
        enthalpy[row, column] = state.hmass() / 1000.0
        entropy[row, column] = state.smass() / 1000.0
    return enthalpy, entropy


def _ask_liquid(pressure_kpa: Floats, refrigerant: Refrigerant) -> Floats:
    """Enthalpy [kJ/kg] of liquid at its boiling point, in the library's own reference."""
    boiling_c = bubble_temperature_c(pressure_kpa, refrigerant)[:, None]
    return _ask(boiling_c - _HAIR_K, pressure_kpa, "liquid", refrigerant)[0][:, 0]


def liquid_temperatures_c(points: EnthalpyPoints, refrigerant: Refrigerant) -> Floats:
    """Bubble temperatures [degC] of the points' pressures."""
    return bubble_temperature_c(np.exp(points.ln_pressure), refrigerant)
