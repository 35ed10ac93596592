"""Pressures of refrigerants as printed in the literature, to hold the property library against.

Holds the record `PublishedPoint` and the list `PUBLISHED_POINTS`. Does not belong here:
the comparison (`refrigerant.check_property_library`), values computed with any library.
"""

from __future__ import annotations

from dataclasses import dataclass


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
