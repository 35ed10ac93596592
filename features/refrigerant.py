"""Saturation properties of refrigerants: the one door to the property library.

Holds array functions (dew and bubble temperature from pressure, the inverse, the slope),
the expression functions over them, the frame function `add_saturation_temperatures`, and
`check_property_library`, which compares the installed library with published points.
Pressures are absolute. The dew point is where vapour begins to condense: superheat is
counted from it. The bubble point is where liquid begins to boil: subcooling is counted
from it. For a pure refrigerant the two are one. Takes samples and the context of their
tests. Does not belong here: superheat and subcooling (`catalogue`), designations and
refusals (`designations`, re-exported here), air (`air`).

The library (CoolProp) was asked at a few hundred pressures per refrigerant; its answers
ship with the package (`saturation_points`), and everything is read from the dense table
made of those (`saturation_curve`). It is imported only to be asked anew: by the check,
and for a refrigerant without shipped points.
"""

from __future__ import annotations

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
from features.published_points import PUBLISHED_POINTS, PublishedPoint
from features.saturation_curve import (
    SaturationCurve,
    curve_through,
    is_sound,
    pressure_on_kpa,
    slope_on_k_per_kpa,
    temperature_on_c,
)
from features.saturation_points import SaturationPoints, shipped_points

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from types import ModuleType

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = [
    "REFRIGERANTS",
    "PressureRange",
    "PropertyLibraryError",
    "Refrigerant",
    "RefrigerantError",
    "add_saturation_temperatures",
    "bubble_pressure_kpa",
    "bubble_temperature",
    "bubble_temperature_c",
    "bubble_temperature_slope_k_per_kpa",
    "by_refrigerant",
    "check_property_library",
    "dew_pressure_kpa",
    "dew_temperature",
    "dew_temperature_c",
    "dew_temperature_slope_k_per_kpa",
    "library_points",
    "property_library",
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
_ASKED_POINTS = 257
# rounding of the library where dew and bubble point are one
_SAME_K = 1e-6


class PressureRange(NamedTuple):
    """The absolute pressures [kPa] between which saturation is given."""

    lowest_kpa: float
    highest_kpa: float


class PropertyLibraryError(RuntimeError):
    """The installed property library does not reproduce published values."""


def dew_temperature_c(pressure_kpa: Floats, refrigerant: Refrigerant) -> Floats:
    """Dew temperature [degC] at absolute pressures [kPa]; NaN outside the validity.

    Valid from 1 kPa to 0.95 of the critical pressure (blends: 0.90). Within 1e-3 K of
    the property library (blends: 5e-3 K).
    """
    return temperature_on_c(_dew_curve(refrigerant), pressure_kpa)


def bubble_temperature_c(pressure_kpa: Floats, refrigerant: Refrigerant) -> Floats:
    """Bubble temperature [degC] at absolute pressures [kPa]; NaN outside the validity.

    Validity and accuracy as for `dew_temperature_c`.
    """
    return temperature_on_c(_bubble_curve(refrigerant), pressure_kpa)


def dew_pressure_kpa(temperature_c: Floats, refrigerant: Refrigerant) -> Floats:
    """Absolute pressure [kPa] at which vapour of a temperature [degC] begins to condense.

    The exact inverse of `dew_temperature_c`; NaN outside its range.
    """
    return pressure_on_kpa(_dew_curve(refrigerant), temperature_c)


def bubble_pressure_kpa(temperature_c: Floats, refrigerant: Refrigerant) -> Floats:
    """Absolute pressure [kPa] at which liquid of a temperature [degC] begins to boil.

    The exact inverse of `bubble_temperature_c`; NaN outside its range.
    """
    return pressure_on_kpa(_bubble_curve(refrigerant), temperature_c)


def dew_temperature_slope_k_per_kpa(pressure_kpa: Floats, refrigerant: Refrigerant) -> Floats:
    """Rise of the dew temperature per pressure [K/kPa]: what a gauge error costs in superheat."""
    return slope_on_k_per_kpa(_dew_curve(refrigerant), pressure_kpa)


def bubble_temperature_slope_k_per_kpa(pressure_kpa: Floats, refrigerant: Refrigerant) -> Floats:
    """Rise of the bubble temperature per pressure [K/kPa]: see the dew point's."""
    return slope_on_k_per_kpa(_bubble_curve(refrigerant), pressure_kpa)


def valid_pressures_kpa(refrigerant: Refrigerant) -> PressureRange:
    """The absolute pressures [kPa] between which saturation temperatures are given."""
    curve = _dew_curve(refrigerant)
    return PressureRange(curve.lowest_kpa, curve.highest_kpa)


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

    Imports the library, which takes over a second.

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
            f"The installed CoolProp {property_library().__version__} does not reproduce published "
            f"values. {'; '.join(faults)}. Install the version that constraints.txt names."
        )


def _found_kpa(point: PublishedPoint) -> float:
    refrigerant = REFRIGERANTS[point.designation]
    if point.density_mol_per_m3 is None:
        asked_c = np.array([point.temperature_k - _ICE_POINT_K])
        points = library_points(refrigerant)
        curve = curve_through(points.ln_pressure, points.dew_c)
        return float(pressure_on_kpa(curve, asked_c)[0])
    pascal = property_library().CoolProp.PropsSI(
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


def by_refrigerant(
    function: Callable[[Mapping[str, Floats], Refrigerant], tuple[Floats, ...]],
    names: tuple[str, ...],
    designations: pl.Series,
    arrays: Mapping[str, Floats],
) -> dict[str, Floats]:
    """Several columns at once, each row by its own refrigerant; NaN where it has none.

    `function` takes the arrays of the rows of one refrigerant and gives one array per name.
    """
    found = {name: np.full(designations.len(), np.nan) for name in names}
    for text in designations.drop_nulls().unique(maintain_order=True):
        refrigerant = _judged(text)
        if refrigerant is not None:
            rows = (designations == text).fill_null(value=False).to_numpy()
            values = function({name: a[rows] for name, a in arrays.items()}, refrigerant)
            for name, column in zip(names, values, strict=True):
                found[name][rows] = column
    return found


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


def _dew_curve(refrigerant: Refrigerant) -> SaturationCurve:
    return _curves(refrigerant)[0]


def _bubble_curve(refrigerant: Refrigerant) -> SaturationCurve:
    return _curves(refrigerant)[1]


@cache
def _curves(refrigerant: Refrigerant) -> tuple[SaturationCurve, SaturationCurve]:
    """The dew and the bubble curve, built on first use and kept for the process."""
    points = shipped_points(refrigerant.designation) or library_points(refrigerant)
    return (
        curve_through(points.ln_pressure, points.dew_c),
        curve_through(points.ln_pressure, points.bubble_c),
    )


def library_points(refrigerant: Refrigerant) -> SaturationPoints:
    """What the installed library answers for a refrigerant, over its whole validity.

    For blends the library finds no equilibrium at some single pressures near the critical
    point, and could find a false one: the first are bridged, the second refused.

    Raises
    ------
    PropertyLibraryError
        The answers are no sound saturation curve.
    """
    asked = np.linspace(np.log(_LOWEST_KPA), np.log(_highest_kpa(refrigerant)), _ASKED_POINTS)
    dew_c, bubble_c = (_ask_library_c(asked, share, refrigerant) for share in (1.0, 0.0))
    found = np.isfinite(dew_c) & np.isfinite(bubble_c)
    ln_pressure, dew_c, bubble_c = asked[found], dew_c[found], bubble_c[found]
    if not (
        is_sound(ln_pressure, dew_c)
        and is_sound(ln_pressure, bubble_c)
        and np.all(bubble_c <= dew_c + _SAME_K)
    ):
        raise PropertyLibraryError(
            f"The installed CoolProp {property_library().__version__} gives no sound saturation "
            f"curve for {refrigerant.designation}. Install the version that constraints.txt names."
        )
    return SaturationPoints(ln_pressure, dew_c, bubble_c)


def _highest_kpa(refrigerant: Refrigerant) -> float:
    """The upper end of the validity: a share of the critical pressure."""
    state = property_library().CoolProp.AbstractState("HEOS", refrigerant.library_name)
    if not refrigerant.is_blend:
        return _HIGHEST_SHARE_OF_CRITICAL * float(state.p_critical()) / 1000.0
    # the search for a blend's critical points also finds mathematical ones under vacuum
    critical_pa = max(point.p for point in state.all_critical_points() if point.stable)
    return _HIGHEST_SHARE_OF_CRITICAL_BLEND * float(critical_pa) / 1000.0


def _ask_library_c(ln_pressure: Floats, vapour_share: float, refrigerant: Refrigerant) -> Floats:
    """The library's saturation temperatures [degC]; infinite where it found none."""
    pascal = np.exp(ln_pressure) * 1000.0
    answered_k = property_library().CoolProp.PropsSI(
        "T", "P", pascal, "Q", vapour_share, refrigerant.library_name
    )
    return np.asarray(answered_k, dtype=np.float64) - _ICE_POINT_K


@cache
def property_library() -> ModuleType:
    """The property library, imported on first use."""
    import CoolProp  # noqa: PLC0415 - importing it takes over a second
    import CoolProp.CoolProp  # noqa: PLC0415

    return CoolProp
