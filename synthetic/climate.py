"""Weather where the workshops lie: seasons, times of day, dry and damp places, thin air.

Plain functions of a site, a day and an hour. "Chosen" numbers make a warm temperate year
(common practice, no source). Does not belong here: air inside a car or under a hood (`plant`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from datetime import date

    from synthetic.scenario import Site

# the year: mean, half swing and warmest day; the day: half swing and warmest hour (chosen)
_YEAR_MEAN_C, _YEAR_SWING_K, _WARMEST_DAY = 13.5, 11.0, 203
_DAY_SWING_K, _WARMEST_HOUR = 3.2, 15.0
_DAY_TO_DAY_K = 3.4
# no tests are driven in colder or hotter workshops (chosen)
TEST_AMBIENT_C = (15.0, 38.0)
# people cool their cars above this outside temperature (chosen)
_COOLING_FROM_C = 18.0
_AFTERNOON_K = 3.5


def site_pressure_kpa(altitude_m: float) -> float:
    """Air pressure [kPa] at an altitude [m] for a column of mean temperature (hypsometric)."""
    mean_k = 288.0 - 0.00325 * altitude_m
    return float(101.3 * np.exp(-altitude_m / (29.27 * mean_k)))


def mean_outside_c(site: Site, day: date) -> float:
    """Usual outside temperature of a site on a day [degC], over day and night."""
    season = np.cos(2 * np.pi * (day.timetuple().tm_yday - _WARMEST_DAY) / 365.0)
    return float(_YEAR_MEAN_C + _YEAR_SWING_K * season + site.warmer_k)


def cooling_degrees_k(site: Site, day: date) -> float:
    """How far a usual afternoon lies over the temperature from which people cool [K]."""
    return max(0.0, mean_outside_c(site, day) + _AFTERNOON_K - _COOLING_FROM_C)


def weather(rng: np.random.Generator, site: Site, day: date, hour: float) -> dict[str, float]:
    """Air outside the workshop: warm in July and in the afternoon, drier when warmer."""
    usual = mean_outside_c(site, day)
    usual += _DAY_SWING_K * np.cos(2 * np.pi * (hour - _WARMEST_HOUR) / 24.0)
    ambient = float(np.clip(usual + _DAY_TO_DAY_K * rng.standard_normal(), *TEST_AMBIENT_C))
    damp = site.humidity_pct - 1.3 * (ambient - 24.0) + 9.0 * rng.standard_normal()
    pressure = site_pressure_kpa(site.altitude_m) + 0.5 * rng.standard_normal()
    return {
        "true_ambient_c": round(ambient, 2),
        "true_ambient_humidity_pct": round(float(np.clip(damp, 14.0, 88.0)), 1),
        "true_site_kpa": round(float(pressure), 2),
    }
