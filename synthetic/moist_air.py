"""Humid air around the simulated car: pressure with altitude, water content, relative humidity.

Array functions in degC, kPa, kg water per kg dry air, kJ per kg dry air. Its own formulas on
purpose. Does not belong here: coils and cabins (`circuit`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from synthetic.refrigerants import FloatArray

# heat capacity of dry air and heat of evaporation near 15 degC, kJ/kg/K and kJ/kg (from memory)
AIR_KJ_PER_KG_K = 1.008
WATER_KJ_PER_KG = 2466.0


def site_pressure_kpa(altitude_m: FloatArray) -> FloatArray:
    """Air pressure [kPa] at an altitude [m] for a column of mean temperature (hypsometric)."""
    mean_k = 288.0 - 0.00325 * altitude_m
    return np.asarray(101.3 * np.exp(-altitude_m / (29.27 * mean_k)))


def vapour_pressure_kpa(temperature_c: FloatArray) -> FloatArray:
    """Saturation pressure of water [kPa], Buck 1981 (coefficients from memory), -20 to 60 degC."""
    return np.asarray(
        0.61121
        * np.exp((18.678 - temperature_c / 234.5) * temperature_c / (257.14 + temperature_c))
    )


def water_content(
    temperature_c: FloatArray, relative_humidity: FloatArray, pressure_kpa: FloatArray
) -> FloatArray:
    """Water content [kg/kg dry air] at a relative humidity given as a share of 1."""
    vapour = relative_humidity * vapour_pressure_kpa(temperature_c)
    return np.asarray(0.622 * vapour / (pressure_kpa - vapour))


def relative_humidity(
    temperature_c: FloatArray, content: FloatArray, pressure_kpa: FloatArray
) -> FloatArray:
    """Relative humidity (share of 1) of air that carries a water content [kg/kg]."""
    vapour = pressure_kpa * content / (0.622 + content)
    return np.asarray(np.clip(vapour / vapour_pressure_kpa(temperature_c), 0.0, 1.0))
