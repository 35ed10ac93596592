"""Saturation properties of refrigerants: the one door to the property library.

Holds array functions (dew and bubble temperature from pressure, the inverse, the slope),
the expression functions over them, the frame function `add_saturation_temperatures`, and
`check_property_library`, which compares the installed library with published points.
Pressures are absolute. The dew point is where vapour begins to condense: superheat is
counted from it. The bubble point is where liquid begins to boil: subcooling is counted
from it. For a pure refrigerant the two are one. Takes samples and the context of their
tests. Does not belong here: superheat and subcooling (`catalogue`), designations and
refusals (`designations`, re-exported here), air (`air`).

The library (CoolProp) is imported on first use, because importing it takes over a
second. Each refrigerant is asked once per process at a few hundred pressures; in between
a cubic spline in ln p fills a dense table, and every call interpolates in that table.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import polars as pl

from features.designations import (
    REFRIGERANTS,
    Refrigerant,
    RefrigerantError,
    resolve_refrigerant,
)
from features.elementwise import expression_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import ModuleType

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = [
    "REFRIGERANTS",
    "PropertyLibraryError",
    "Refrigerant",
    "RefrigerantError",
    "add_saturation_temperatures",
    "bubble_pressure_kpa",
    "bubble_temperature",
    "bubble_temperature_c",
    "bubble_temperature_slope_k_per_kpa",
    "check_property_library",
    "dew_pressure_kpa",
    "dew_temperature",
    "dew_temperature_c",
    "dew_temperature_slope_k_per_kpa",
    "resolve_refrigerant",
    "valid_pressures_kpa",
]

_ICE_POINT_K = 273.15
# Below this a gauge shows an evacuated system: nothing boils or condenses there.
_LOWEST_KPA = 1.0
# Near the critical point the two phases merge and subcooling loses its meaning; for
# blends the library's own search for equilibrium grows unreliable earlier.
_HIGHEST_SHARE_OF_CRITICAL = 0.95
_HIGHEST_SHARE_OF_CRITICAL_BLEND = 0.90
# single pressures at which the library may fail to answer, bridged by the spline
_LONGEST_BRIDGE = 10.0
_ASKED_POINTS = 257
_TABLE_POINTS = 4097


@dataclass(frozen=True)
class _Saturation:
    """Saturation of one refrigerant on a dense grid, evenly spaced in ln p, rising."""

    ln_pressure: Floats
    dew_c: Floats
    bubble_c: Floats

    @property
    def lowest_kpa(self) -> float:
        return float(np.exp(self.ln_pressure[0]))

    @property
    def highest_kpa(self) -> float:
        return float(np.exp(self.ln_pressure[-1]))


class PropertyLibraryError(RuntimeError):
    """The installed property library does not reproduce published values."""


def dew_temperature_c(pressure_kpa: Floats, refrigerant: Refrigerant) -> Floats:
    """Dew temperature [degC] at an absolute pressure [kPa]; NaN outside the validity.

    Valid from 1 kPa to 0.95 of the critical pressure (blends: 0.90). Within 1e-3 K of
    the property library.
    """
    table = _saturation(refrigerant)
    return _temperature_c(pressure_kpa, table.ln_pressure, table.dew_c)


def bubble_temperature_c(pressure_kpa: Floats, refrigerant: Refrigerant) -> Floats:
    """Bubble temperature [degC] at an absolute pressure [kPa]; NaN outside the validity.

    Validity and accuracy as for `dew_temperature_c`.
    """
    table = _saturation(refrigerant)
    return _temperature_c(pressure_kpa, table.ln_pressure, table.bubble_c)


def dew_pressure_kpa(temperature_c: Floats, refrigerant: Refrigerant) -> Floats:
    """Absolute pressure [kPa] at which vapour of a temperature [degC] begins to condense.

    The exact inverse of `dew_temperature_c`; NaN outside its range.
    """
    table = _saturation(refrigerant)
    return _pressure_kpa(temperature_c, table.dew_c, table.ln_pressure)


def bubble_pressure_kpa(temperature_c: Floats, refrigerant: Refrigerant) -> Floats:
    """Absolute pressure [kPa] at which liquid of a temperature [degC] begins to boil.

    The exact inverse of `bubble_temperature_c`; NaN outside its range.
    """
    table = _saturation(refrigerant)
    return _pressure_kpa(temperature_c, table.bubble_c, table.ln_pressure)


def dew_temperature_slope_k_per_kpa(pressure_kpa: Floats, refrigerant: Refrigerant) -> Floats:
    """Rise of the dew temperature per pressure [K/kPa]: what a gauge error costs in superheat."""
    table = _saturation(refrigerant)
    return _slope_k_per_kpa(pressure_kpa, table.ln_pressure, table.dew_c)


def bubble_temperature_slope_k_per_kpa(pressure_kpa: Floats, refrigerant: Refrigerant) -> Floats:
    """Rise of the bubble temperature per pressure [K/kPa]; see the dew temperature's."""
    table = _saturation(refrigerant)
    return _slope_k_per_kpa(pressure_kpa, table.ln_pressure, table.bubble_c)


class PressureRange(NamedTuple):
    """The absolute pressures [kPa] between which saturation is given."""

    lowest_kpa: float
    highest_kpa: float


def valid_pressures_kpa(refrigerant: Refrigerant) -> PressureRange:
    """The absolute pressures [kPa] between which saturation temperatures are given."""
    table = _saturation(refrigerant)
    return PressureRange(table.lowest_kpa, table.highest_kpa)


def dew_temperature(pressure_kpa: pl.Expr, refrigerant: Refrigerant) -> pl.Expr:
    """The dew temperature [degC] of a pressure column [kPa absolute], null where not valid."""
    return expression_of(lambda p: dew_temperature_c(p, refrigerant), pressure_kpa)


def bubble_temperature(pressure_kpa: pl.Expr, refrigerant: Refrigerant) -> pl.Expr:
    """The bubble temperature [degC] of a pressure column [kPa absolute], null where not valid."""
    return expression_of(lambda p: bubble_temperature_c(p, refrigerant), pressure_kpa)


def add_saturation_temperatures(samples: pl.DataFrame, context: pl.DataFrame) -> pl.DataFrame:
    """The samples with the saturation temperatures of each test's own refrigerant.

    Parameters
    ----------
    samples
        One row per test and instant; needs test_id, uses low_side_kpa and high_side_kpa
        (a channel that is absent counts as null).
    context
        One row per test; needs test_id and refrigerant.

    Returns
    -------
    pl.DataFrame
        The same rows in the same order, with evaporating_dew_c (dew point at the low
        side), condensing_bubble_c (bubble point at the high side) and discharge_dew_c
        (dew point at the high side); null where the pressure is null or outside the
        validity, and where the test's refrigerant is not given or cannot be judged.
    """
    numbered = _number_refrigerants(samples, context)
    refrigerants = tuple(REFRIGERANTS.values())
    return samples.with_columns(
        _by_refrigerant(function, refrigerants, _channel(samples, channel), numbered).alias(name)
        for name, channel, function in (
            ("evaporating_dew_c", "low_side_kpa", dew_temperature_c),
            ("condensing_bubble_c", "high_side_kpa", bubble_temperature_c),
            ("discharge_dew_c", "high_side_kpa", dew_temperature_c),
        )
    )


def check_property_library() -> None:
    """Nothing, when the installed property library reproduces published values.

    Costs some milliseconds once the library is imported; for the start of a program.

    Raises
    ------
    PropertyLibraryError
        With every point that differs, what was expected and where it is printed.
    """
    faults = [
        f"{point.of}: expected {point.expected_kpa} kPa ({point.source}), found {found:.6g} kPa"
        for point in PUBLISHED_POINTS
        # written so that a NaN is a fault too
        if not abs((found := _found_kpa(point)) / point.expected_kpa - 1.0) <= point.tolerance
    ]
    if faults:
        raise PropertyLibraryError(
            f"The installed CoolProp {_library().__version__} does not reproduce published "
            f"values. {'; '.join(faults)}. Install the version that constraints.txt names."
        )


@dataclass(frozen=True)
class PublishedPoint:
    """A pressure as printed, with the relative tolerance that its printed digits deserve.

    With a density it is that of a single-phase state, without one the saturation pressure.
    """

    designation: str
    temperature_k: float
    expected_kpa: float
    tolerance: float
    source: str
    density_mol_per_m3: float | None = None

    @property
    def of(self) -> str:
        """The point in words."""
        at = f"{self.designation} at {self.temperature_k} K"
        rho = self.density_mol_per_m3
        return f"saturated {at}" if rho is None else f"{at} and {rho} mol/m3"


_TILLNER_ROTH = "Tillner-Roth and Baehr 1994, table 8"
_LEMMON_AKASAKA = "Lemmon and Akasaka 2022, table 7"

PUBLISHED_POINTS = (
    PublishedPoint("R134a", 250.0, 115.61, 1e-4, _TILLNER_ROTH),
    PublishedPoint("R134a", 300.0, 702.82, 1e-4, _TILLNER_ROTH),
    PublishedPoint("R134a", 350.0, 2461.1, 1e-4, _TILLNER_ROTH),
    PublishedPoint("R1234yf", 280.0, 28957.60, 1e-3, _LEMMON_AKASAKA, 11000.0),
    PublishedPoint("R1234yf", 280.0, 218.5345, 1e-3, _LEMMON_AKASAKA, 100.0),
    PublishedPoint("R1234yf", 340.0, 2309.798, 1e-3, _LEMMON_AKASAKA, 8000.0),
    PublishedPoint("R1234yf", 340.0, 1855.076, 1e-3, _LEMMON_AKASAKA, 1000.0),
)


def _found_kpa(point: PublishedPoint) -> float:
    refrigerant = REFRIGERANTS[point.designation]
    if point.density_mol_per_m3 is None:
        asked_c = np.array([point.temperature_k - _ICE_POINT_K])
        return float(dew_pressure_kpa(asked_c, refrigerant)[0])
    pascal = _library().CoolProp.PropsSI(
        "P", "T", point.temperature_k, "Dmolar", point.density_mol_per_m3, refrigerant.library_name
    )
    return float(pascal) / 1000.0


def _channel(samples: pl.DataFrame, name: str) -> Floats:
    if name not in samples.columns:
        return np.full(samples.height, np.nan)
    return samples[name].cast(pl.Float64()).to_numpy()


def _number_refrigerants(samples: pl.DataFrame, context: pl.DataFrame) -> NDArray[np.int8]:
    """Per sample the place of its refrigerant in `REFRIGERANTS`, -1 where none can be judged."""
    place = {designation: number for number, designation in enumerate(REFRIGERANTS)}
    texts = context["refrigerant"].drop_nulls().unique().to_list()
    known = {text: place[one.designation] for text in texts if (one := _judged(text)) is not None}
    of_test = context.select(
        "test_id",
        number=pl.col("refrigerant").replace_strict(
            list(known.keys()), list(known.values()), default=None, return_dtype=pl.Int8()
        ),
    )
    joined = samples.select("test_id").join(
        of_test, on="test_id", how="left", validate="m:1", maintain_order="left"
    )
    return joined["number"].fill_null(-1).to_numpy()


def _judged(text: str) -> Refrigerant | None:
    try:
        return resolve_refrigerant(text)
    except RefrigerantError:
        return None


def _by_refrigerant(
    function: Callable[[Floats, Refrigerant], Floats],
    refrigerants: tuple[Refrigerant, ...],
    pressure_kpa: Floats,
    numbered: NDArray[np.int8],
) -> pl.Series:
    """The function of each row's own refrigerant; null where it has none."""
    values = np.full(pressure_kpa.size, np.nan)
    for number in np.unique(numbered[numbered >= 0]):
        rows = numbered == number
        values[rows] = function(pressure_kpa[rows], refrigerants[number])
    return pl.Series(values).fill_nan(None)


def _temperature_c(pressure_kpa: Floats, ln_pressure: Floats, temperature_c: Floats) -> Floats:
    ln_asked = _ln(pressure_kpa)
    return np.interp(ln_asked, ln_pressure, temperature_c, left=np.nan, right=np.nan)


def _pressure_kpa(temperature_c: Floats, of_table_c: Floats, ln_pressure: Floats) -> Floats:
    asked = np.asarray(temperature_c, dtype=np.float64)
    return np.exp(np.interp(asked, of_table_c, ln_pressure, left=np.nan, right=np.nan))


def _slope_k_per_kpa(pressure_kpa: Floats, ln_pressure: Floats, temperature_c: Floats) -> Floats:
    # dT/dp = (dT/d ln p) / p
    k_per_ln = np.gradient(temperature_c, ln_pressure)
    ln_asked = _ln(pressure_kpa)
    slope = np.interp(ln_asked, ln_pressure, k_per_ln, left=np.nan, right=np.nan)
    return slope / np.exp(ln_asked)


def _ln(pressure_kpa: Floats) -> Floats:
    """Natural logarithm of the pressure, NaN where there is no logarithm."""
    asked = np.asarray(pressure_kpa, dtype=np.float64)
    return np.log(np.where(asked > 0.0, asked, np.nan))


@cache
def _saturation(refrigerant: Refrigerant) -> _Saturation:
    """The dense table of a refrigerant, built on first use and kept for the process."""
    from scipy.interpolate import CubicSpline  # noqa: PLC0415 - loaded with the library only

    asked = np.linspace(np.log(_LOWEST_KPA), np.log(_highest_kpa(refrigerant)), _ASKED_POINTS)
    dew_c, bubble_c = (_ask_library_c(asked, share, refrigerant) for share in (1.0, 0.0))
    found = np.isfinite(dew_c) & np.isfinite(bubble_c)
    _demand_sound(asked[found], dew_c[found], bubble_c[found], refrigerant)
    dense = np.linspace(asked[found][0], asked[found][-1], _TABLE_POINTS)
    return _Saturation(
        dense,
        CubicSpline(asked[found], dew_c[found])(dense),
        CubicSpline(asked[found], bubble_c[found])(dense),
    )


def _highest_kpa(refrigerant: Refrigerant) -> float:
    """The upper end of the validity: a share of the critical pressure."""
    state = _library().CoolProp.AbstractState("HEOS", refrigerant.library_name)
    if not refrigerant.is_blend:
        return _HIGHEST_SHARE_OF_CRITICAL * float(state.p_critical()) / 1000.0
    # the search for a blend's critical points also finds mathematical ones under vacuum
    critical_pa = max(point.p for point in state.all_critical_points() if point.stable)
    return _HIGHEST_SHARE_OF_CRITICAL_BLEND * float(critical_pa) / 1000.0


def _ask_library_c(ln_pressure: Floats, vapour_share: float, refrigerant: Refrigerant) -> Floats:
    """The library's saturation temperatures [degC]; infinite where it found none."""
    pascal = np.exp(ln_pressure) * 1000.0
    answered_k = _library().CoolProp.PropsSI(
        "T", "P", pascal, "Q", vapour_share, refrigerant.library_name
    )
    return np.asarray(answered_k, dtype=np.float64) - _ICE_POINT_K


def _demand_sound(
    ln_pressure: Floats, dew_c: Floats, bubble_c: Floats, refrigerant: Refrigerant
) -> None:
    """Nothing, when what the library answered can be a saturation curve.

    For blends the library sometimes finds no equilibrium at single pressures near the
    critical point (the spline bridges those), and could find a false one.
    """
    steps = np.diff(ln_pressure)
    bridged = steps.max(initial=0.0) / steps.min(initial=1.0)
    sound = (
        ln_pressure.size > _ASKED_POINTS // 2
        and bridged <= _LONGEST_BRIDGE
        and all(_is_smooth(ln_pressure, curve) for curve in (dew_c, bubble_c))
        and bool(np.all(bubble_c <= dew_c + 1e-6))
    )
    if not sound:
        raise PropertyLibraryError(
            f"The installed CoolProp {_library().__version__} gives no sound saturation curve "
            f"for {refrigerant.designation}. Install the version that constraints.txt names."
        )


def _is_smooth(ln_pressure: Floats, temperature_c: Floats) -> bool:
    """Whether temperature rises with ln p, and its slope changes little from step to step."""
    slope = np.diff(temperature_c) / np.diff(ln_pressure)
    return bool(np.all(slope > 0.0) and np.all(np.abs(np.diff(slope)) < 0.05 * slope[1:]))


@cache
def _library() -> ModuleType:
    """The property library, imported on first use."""
    import CoolProp  # noqa: PLC0415 - importing it takes over a second
    import CoolProp.CoolProp  # noqa: PLC0415

    return CoolProp
