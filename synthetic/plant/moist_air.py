"""Moist air of the plant: saturation over water and ice from CoolProp's humid-air routines.

Array functions; temperatures in degC, humidity ratios in kg water per kg dry air. Only what
the coil, the cabin and the intake need.
"""

from functools import lru_cache

import numpy as np
from CoolProp.CoolProp import HAPropsSI

from synthetic.plant.arrays import FloatArray

AIR_CP_KJ_PER_KG_K = 1.006
STEAM_CP_KJ_PER_KG_K = 1.86
EVAPORATION_KJ_PER_KG = 2501.0
WATER_CP_KJ_PER_KG_K = 4.19
MOLAR_MASS_RATIO = 0.62195  # water over dry air
COLDEST_C, HOTTEST_C, STEP_C = -40.0, 95.0, 0.25


@lru_cache(maxsize=1)
def _log_saturation_kpa() -> FloatArray:
    """Logarithm of the pressure of saturated vapour, every quarter of a kelvin."""
    kelvin = np.arange(COLDEST_C, HOTTEST_C + STEP_C / 2, STEP_C) + 273.15
    pressure = [HAPropsSI("P_w", "T", k, "P", 101325.0, "R", 1.0) for k in kelvin]
    return np.log(np.array(pressure) / 1e3)


def vapour_saturation_kpa(celsius: FloatArray) -> FloatArray:
    """Pressure of saturated water vapour [kPa], over ice below 0 degC."""
    table = _log_saturation_kpa()
    position = np.clip((celsius - COLDEST_C) / STEP_C, 0.0, table.size - 1.000001)
    lower = position.astype(np.intp)
    low = table[lower]
    return np.exp(low + (position - lower) * (table[lower + 1] - low))


def saturated_humidity_ratio(celsius: FloatArray, barometric_kpa: FloatArray) -> FloatArray:
    """Humidity ratio of saturated air [kg/kg]."""
    vapour = np.minimum(vapour_saturation_kpa(celsius), 0.5 * barometric_kpa)
    return MOLAR_MASS_RATIO * vapour / (barometric_kpa - vapour)


def humidity_ratio(
    celsius: FloatArray, humidity_pct: FloatArray, barometric_kpa: FloatArray
) -> FloatArray:
    """Humidity ratio [kg/kg] of air at a relative humidity [%]."""
    vapour = humidity_pct / 100.0 * vapour_saturation_kpa(celsius)
    return MOLAR_MASS_RATIO * vapour / (barometric_kpa - vapour)


def relative_humidity_pct(
    celsius: FloatArray, ratio: FloatArray, barometric_kpa: FloatArray
) -> FloatArray:
    """Relative humidity [%] of air with a humidity ratio [kg/kg], at most 100."""
    vapour = barometric_kpa * ratio / (MOLAR_MASS_RATIO + ratio)
    return np.minimum(100.0 * vapour / vapour_saturation_kpa(celsius), 100.0)


def enthalpy_kj_per_kg(celsius: FloatArray, ratio: FloatArray) -> FloatArray:
    """Enthalpy of moist air [kJ per kg dry air]."""
    steam = EVAPORATION_KJ_PER_KG + STEAM_CP_KJ_PER_KG_K * celsius
    return AIR_CP_KJ_PER_KG_K * celsius + ratio * steam
