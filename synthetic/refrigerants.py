"""Property tables of the two refrigerants of the simulated fleet, built once from CoolProp.

`saturation(place, temperature_c)` reads the tables for many cars at once; the compression
surfaces give isentropic work and discharge temperature. Takes and gives NumPy arrays, in
degC, kPa, kJ/kg, kg/m3. Does not belong here: the circuit itself (`circuit`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FLUIDS = ("R1234yf", "R134a")
_COLDEST_C, _WARMEST_C, _STEP_C = -45.0, 90.0, 0.25


@dataclass(frozen=True)
class Saturation:
    """Saturated properties, one value per car."""

    pressure_kpa: FloatArray
    liquid_kj_per_kg: FloatArray
    vapour_kj_per_kg: FloatArray
    vapour_kg_per_m3: FloatArray
    liquid_kg_per_m3: FloatArray


@dataclass(frozen=True)
class Compression:
    """Ideal compression from a superheated suction state to a condensing temperature."""

    work_kj_per_kg: FloatArray
    end_c: FloatArray
    hot_gas_kj_per_kg_k: FloatArray


def _saturation_table(fluid: str) -> FloatArray:
    """Rows over temperature: pressure, both enthalpies, both densities."""
    from CoolProp.CoolProp import PropsSI  # noqa: PLC0415  importing it takes seconds

    kelvin = np.arange(_COLDEST_C, _WARMEST_C + _STEP_C, _STEP_C) + 273.15
    return np.column_stack(
        [
            PropsSI("P", "T", kelvin, "Q", 1, fluid) / 1e3,
            PropsSI("H", "T", kelvin, "Q", 0, fluid) / 1e3,
            PropsSI("H", "T", kelvin, "Q", 1, fluid) / 1e3,
            PropsSI("D", "T", kelvin, "Q", 1, fluid),
            PropsSI("D", "T", kelvin, "Q", 0, fluid),
        ]
    )


def _surface_terms(
    evaporating_c: FloatArray, superheat_k: FloatArray, condensing_c: FloatArray
) -> FloatArray:
    """Terms of the quadratic surface in evaporating, superheat and condensing temperature."""
    e, s, c = evaporating_c / 50.0, superheat_k / 50.0, condensing_c / 50.0
    return np.stack([np.ones_like(e), e, s, c, e * e, s * s, c * c, e * s, e * c, s * c], axis=-1)


def _compression_surface(fluid: str) -> FloatArray:
    """Coefficients of ideal work, ideal end temperature and hot-gas heat capacity."""
    from CoolProp.CoolProp import PropsSI  # noqa: PLC0415  importing it takes seconds

    grid = np.meshgrid(
        np.linspace(-25.0, 25.0, 9),
        np.linspace(1.0, 45.0, 7),
        np.linspace(28.0, 80.0, 9),
        indexing="ij",
    )
    evaporating_c, superheat_k, condensing_c = (axis.ravel() for axis in grid)
    low_pa = PropsSI("P", "T", evaporating_c + 273.15, "Q", 1, fluid)
    high_pa = PropsSI("P", "T", condensing_c + 273.15, "Q", 1, fluid)
    suction_k = evaporating_c + superheat_k + 273.15
    entropy = PropsSI("S", "P", low_pa, "T", suction_k, fluid)
    start = PropsSI("H", "P", low_pa, "T", suction_k, fluid)
    end = PropsSI("H", "P", high_pa, "S", entropy, fluid)
    end_k = PropsSI("T", "P", high_pa, "H", end, fluid)
    hotter_k = PropsSI("T", "P", high_pa, "H", end + 15e3, fluid)
    wanted = np.column_stack([(end - start) / 1e3, end_k - 273.15, 15.0 / (hotter_k - end_k)])
    terms = _surface_terms(evaporating_c, superheat_k, condensing_c)
    return np.asarray(np.linalg.lstsq(terms, wanted, rcond=None)[0], dtype=np.float64)


@cache
def _tables() -> tuple[FloatArray, FloatArray]:
    """Both refrigerants stacked: saturation rows end to end, surfaces one per refrigerant."""
    rows = np.concatenate([_saturation_table(fluid) for fluid in FLUIDS])
    return rows, np.stack([_compression_surface(fluid) for fluid in FLUIDS])


def saturation(fluid: IntArray, temperature_c: FloatArray) -> Saturation:
    """Saturated properties of each car's refrigerant at its temperature [degC].

    `fluid` indexes `FLUIDS`. Straight lines between rows 0.25 K apart.
    """
    rows, _ = _tables()
    n = rows.shape[0] // len(FLUIDS)
    place = np.clip((temperature_c - _COLDEST_C) / _STEP_C, 0.0, n - 1.001)
    lower = place.astype(np.int64)
    share = (place - lower)[..., None]
    at = lower + fluid * n
    value = rows[at] * (1.0 - share) + rows[at + 1] * share
    return Saturation(*(value[..., column] for column in range(value.shape[-1])))


def saturation_temperature_c(fluid: IntArray, pressure_kpa: FloatArray) -> FloatArray:
    """Saturation temperature [degC] at an absolute pressure [kPa], for one fluid per car."""
    rows, _ = _tables()
    n = rows.shape[0] // len(FLUIDS)
    grid_c = _COLDEST_C + _STEP_C * np.arange(n)
    out = np.empty(np.broadcast_shapes(fluid.shape, pressure_kpa.shape))
    which = np.broadcast_to(fluid, out.shape)
    pressure = np.broadcast_to(pressure_kpa, out.shape)
    for index in range(len(FLUIDS)):
        mine = which == index
        out[mine] = np.interp(pressure[mine], rows[index * n : (index + 1) * n, 0], grid_c)
    return out


def compression(
    fluid: IntArray, evaporating_c: FloatArray, superheat_k: FloatArray, condensing_c: FloatArray
) -> Compression:
    """Ideal (isentropic) compression of each car's refrigerant.

    Work [kJ/kg], end temperature [degC] and heat capacity of the hot gas [kJ/kg/K], from
    quadratic surfaces fitted to CoolProp; inputs are held inside the fitted range.
    """
    _, surfaces = _tables()
    terms = _surface_terms(
        np.clip(evaporating_c, -25.0, 25.0),
        np.clip(superheat_k, 0.0, 45.0),
        np.clip(condensing_c, 28.0, 80.0),
    )
    value = np.einsum("nk,nkj->nj", terms, surfaces[fluid])
    lift = np.maximum(condensing_c - evaporating_c, 0.0)
    work = np.maximum(value[:, 0], 0.25 * np.minimum(lift, 20.0))
    end_c = np.maximum(value[:, 1], evaporating_c + superheat_k)
    return Compression(work, end_c, np.maximum(value[:, 2], 0.8))
