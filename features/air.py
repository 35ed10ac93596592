"""Moist air and the atmosphere: pressure at altitude, humidity ratio, enthalpy.

Holds array functions (NaN where unknown or not valid) and, under the same name with
`_expression`, expression functions over those that frames need (null instead). Pressures in kPa
absolute, temperatures in degC, relative humidity in %, humidity ratio in kg water per kg
dry air. Does not belong here: refrigerants, coil performance, which air a probe reads.

Equations are those of the ASHRAE Handbook, Fundamentals (2017), chapter 1, except the
constants of the atmosphere, which carry one digit more (U.S. Standard Atmosphere 1976).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from features.elementwise import expression_of

if TYPE_CHECKING:
    import polars as pl
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_ICE_POINT_K = 273.15
_TRIPLE_POINT_C = 0.01
# ratio of the molar masses of water and dry air, ASHRAE 2017 ch. 1 eq. 20
_MASS_RATIO = 0.621945

# ASHRAE 2017 ch. 1 eq. 5 (Hyland and Wexler 1983), over ice, -100 to 0 degC
_OVER_ICE = (-5.6745359e3, 6.3925247, -9.6778430e-3, 6.2215701e-7, 2.0747825e-9, -9.4840240e-13)
_OVER_ICE_LN = 4.1635019
# eq. 6, over liquid water, 0 to 200 degC
_OVER_WATER = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8)
_OVER_WATER_LN = 6.5459673


def atmospheric_pressure_kpa(altitude_m: Floats | float) -> Floats:
    """Pressure of the standard atmosphere [kPa] at an altitude [m].

    p = 101.325 (1 - 2.25577e-5 h)^5.25588, ASHRAE 2017 ch. 1 eq. 3 with the exponent of
    the U.S. Standard Atmosphere 1976. Valid from -5000 to 11 000 m, else NaN. The weather
    moves the real pressure by a few per cent: a barometer is better where there is one.
    """
    h = _within(altitude_m, -5000.0, 11000.0)
    return 101.325 * (1.0 - 2.25577e-5 * h) ** 5.25588


def saturation_vapour_pressure_kpa(temperature_c: Floats | float) -> Floats:
    """Saturation pressure of water vapour [kPa] at a temperature [degC].

    ASHRAE 2017 ch. 1 eq. 5 over ice and eq. 6 over liquid water. Valid from -100 to
    200 degC, else NaN.
    """
    t = _within(temperature_c, -100.0, 200.0)
    kelvin = t + _ICE_POINT_K
    over_ice = _ln_vapour_pressure(kelvin, _OVER_ICE, _OVER_ICE_LN)
    over_water = _ln_vapour_pressure(kelvin, _OVER_WATER, _OVER_WATER_LN)
    return np.exp(np.where(t <= _TRIPLE_POINT_C, over_ice, over_water)) / 1000.0


def humidity_ratio(
    temperature_c: Floats | float,
    relative_humidity_pct: Floats | float,
    pressure_kpa: Floats | float,
) -> Floats:
    """Humidity ratio of moist air [kg/kg] from temperature, relative humidity and pressure.

    W = 0.621945 p_w / (p - p_w), ASHRAE 2017 ch. 1 eq. 20 and 22. NaN where the relative
    humidity is not within 0 to 100 %, or where the vapour alone would exceed the pressure.
    """
    share = _within(relative_humidity_pct, 0.0, 100.0) / 100.0
    p = np.asarray(pressure_kpa, dtype=np.float64)
    p_w = share * saturation_vapour_pressure_kpa(temperature_c)
    dry_air = np.where(p > p_w, p - p_w, np.nan)
    return _MASS_RATIO * p_w / dry_air


def moist_air_enthalpy_kj_per_kg(
    temperature_c: Floats | float, humidity_ratio_kg_per_kg: Floats | float
) -> Floats:
    """Enthalpy of moist air [kJ per kg dry air], zero for dry air and liquid water at 0 degC.

    h = 1.006 t + W (2501 + 1.86 t), ASHRAE 2017 ch. 1 eq. 30. Valid for -100 to 200 degC
    and W >= 0, else NaN. Above 50 degC expect an error of up to 1 %.
    """
    t = _within(temperature_c, -100.0, 200.0)
    w = _within(humidity_ratio_kg_per_kg, 0.0, np.inf)
    return 1.006 * t + w * (2501.0 + 1.86 * t)


def atmospheric_pressure_kpa_expression(altitude_m: pl.Expr) -> pl.Expr:
    """The column of `atmospheric_pressure_kpa`; null where not valid."""
    return expression_of(atmospheric_pressure_kpa, altitude_m)


def humidity_ratio_expression(
    temperature_c: pl.Expr, relative_humidity_pct: pl.Expr, pressure_kpa: pl.Expr
) -> pl.Expr:
    """The column of `humidity_ratio`; null where not valid."""
    return expression_of(humidity_ratio, temperature_c, relative_humidity_pct, pressure_kpa)


def moist_air_enthalpy_kj_per_kg_expression(
    temperature_c: pl.Expr, humidity_ratio_kg_per_kg: pl.Expr
) -> pl.Expr:
    """The column of `moist_air_enthalpy_kj_per_kg`; null where not valid."""
    return expression_of(moist_air_enthalpy_kj_per_kg, temperature_c, humidity_ratio_kg_per_kg)


def _within(values: Floats | float, lowest: float, highest: float) -> Floats:
    """The values, NaN outside [lowest, highest] and for infinities."""
    x = np.asarray(values, dtype=np.float64)
    return np.where((x >= lowest) & (x <= highest) & np.isfinite(x), x, np.nan)


def _ln_vapour_pressure(kelvin: Floats, powers: tuple[float, ...], of_ln: float) -> Floats:
    """ln(p / Pa) = C1/T + C2 + C3 T + C4 T^2 + ... + C ln T."""
    terms = (c * kelvin ** (power - 1) for power, c in enumerate(powers))
    return sum(terms, start=of_ln * np.log(kelvin))
