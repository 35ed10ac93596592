"""Refrigerant properties for the plant: array functions that read the tables.

Vector interpolation over a batch of tests; a contaminated charge is read from two tables and
weighted (no glide: a simplification). Nothing about cars here.
"""

from dataclasses import dataclass

import numpy as np

from synthetic.plant.arrays import FloatArray, IndexArray
from synthetic.plant.property_tables import (
    COLDEST_LIQUID_C,
    GREATEST_SUPERHEAT_KJ_PER_KG,
    LEAST_ENTROPY_STEP,
    LIQUID_POINTS,
    SATURATION_C,
    SATURATION_POINTS,
    VAPOUR_PRESSURES,
    VAPOUR_STEPS,
    tables,
)


@dataclass(frozen=True)
class Saturation:
    """Saturated states at a pressure, one array per property (see the units in the names)."""

    temperature_c: FloatArray
    liquid_kj_per_kg: FloatArray
    vapour_kj_per_kg: FloatArray
    liquid_kg_per_m3: FloatArray
    vapour_kg_per_m3: FloatArray
    vapour_kj_per_kg_k: FloatArray
    slope_k_per_kpa: FloatArray
    vapour_slope_kg_per_m3_kpa: FloatArray
    condensing_kg_per_m3: FloatArray
    evaporating_liquid_share: FloatArray
    vapour_cp_kj_per_kg_k: FloatArray

    @property
    def latent_kj_per_kg(self) -> FloatArray:
        """Heat of evaporation [kJ/kg]."""
        return self.vapour_kj_per_kg - self.liquid_kj_per_kg


def _place(position: FloatArray, points: int) -> tuple[IndexArray, FloatArray]:
    """Lower grid point and the share of the way to the next, held inside the grid."""
    held = np.minimum(np.maximum(position, 0.0), points - 1.000001)
    lower = held.astype(np.intp)
    return lower, held - lower


@dataclass(frozen=True)
class Charge:
    """Refrigerant of each test: its number, a second one mixed in, and that one's mass share."""

    refrigerant: IndexArray
    contaminant: IndexArray
    contaminant_share: FloatArray
    is_mixed: bool

    @classmethod
    def of(cls, refrigerant: FloatArray, contaminant: FloatArray, share: FloatArray) -> "Charge":
        """Charge from plain columns of numbers."""
        first, second = refrigerant.astype(np.intp), contaminant.astype(np.intp)
        return cls(first, second, share, bool(np.any(share > 0.0)))

    def _blend(self, first: FloatArray, second: FloatArray) -> FloatArray:
        return first + self.contaminant_share * (second - first)

    def highest_kpa(self) -> FloatArray:
        """Highest pressure that the tables hold [kPa]."""
        highest = tables().highest_kpa
        return np.minimum(highest[self.refrigerant], highest[self.contaminant])

    def saturation(self, kpa: FloatArray) -> Saturation:
        """Saturated states at a pressure [kPa]."""
        found = _saturation_rows(kpa, self.refrigerant)
        if self.is_mixed:
            found = self._blend(found, _saturation_rows(kpa, self.contaminant))
        return Saturation(*found)

    def saturation_c(self, kpa: FloatArray) -> FloatArray:
        """Saturation temperature [degC] at a pressure [kPa]."""
        found = _saturation_c(kpa, self.refrigerant)
        if self.is_mixed:
            found = self._blend(found, _saturation_c(kpa, self.contaminant))
        return found

    def saturation_kpa(self, celsius: FloatArray) -> FloatArray:
        """Saturation pressure [kPa] at a temperature [degC]."""
        return np.exp(self._liquid(celsius)[2])

    def _liquid(self, celsius: FloatArray) -> list[FloatArray]:
        first = _liquid_row(celsius, self.refrigerant)
        if self.is_mixed:
            first = self._blend(first, _liquid_row(celsius, self.contaminant))
        return list(first)

    def liquid_kj_per_kg(self, celsius: FloatArray) -> FloatArray:
        """Enthalpy of liquid [kJ/kg] at a temperature [degC]; pressure has next to no effect."""
        return self._liquid(celsius)[0]

    def liquid_cp_kj_per_kg_k(self, celsius: FloatArray) -> FloatArray:
        """Specific heat of liquid [kJ/kg/K] at a temperature [degC]."""
        return self._liquid(celsius)[3]

    def superheat_k(self, kpa: FloatArray, above_kj_per_kg: FloatArray) -> FloatArray:
        """Superheat [K] of vapour this far [kJ/kg] above its saturated state."""
        return self._vapour(tables().superheat_k, kpa, above_kj_per_kg)

    def vapour_kg_per_m3(self, kpa: FloatArray, above_kj_per_kg: FloatArray) -> FloatArray:
        """Density of vapour [kg/m3] this far [kJ/kg] above its saturated state."""
        return np.exp(self._vapour(tables().log_kg_per_m3, kpa, above_kj_per_kg))

    def _vapour(self, table: FloatArray, kpa: FloatArray, above: FloatArray) -> FloatArray:
        step = GREATEST_SUPERHEAT_KJ_PER_KG / (VAPOUR_STEPS - 1)
        return self._bilinear(table, kpa, above / step)

    def isentropic_kj_per_kg(self, kpa: FloatArray, above_kj_per_kg_k: FloatArray) -> FloatArray:
        """Enthalpy above saturated vapour [kJ/kg] for an entropy above it [kJ/kg/K]."""
        position = (above_kj_per_kg_k - LEAST_ENTROPY_STEP) / tables().entropy_step
        return self._bilinear(tables().isentropic_kj_per_kg, kpa, position)

    def entropy_above_kj_per_kg_k(
        self, kpa: FloatArray, above_kj_per_kg: FloatArray, saturation_c: FloatArray
    ) -> FloatArray:
        """Entropy above saturated vapour [kJ/kg/K] for an enthalpy above it, along the isobar."""
        wet = np.minimum(above_kj_per_kg, 0.0) / (saturation_c + 273.15)
        return wet + self._vapour(tables().entropy_kj_per_kg_k, kpa, above_kj_per_kg)

    def _bilinear(self, table: FloatArray, kpa: FloatArray, column: FloatArray) -> FloatArray:
        found = _bilinear(table, kpa, column, self.refrigerant)
        if self.is_mixed:
            found = self._blend(found, _bilinear(table, kpa, column, self.contaminant))
        return found


def _pressure_place(
    kpa: FloatArray, fluid: IndexArray, step: FloatArray, points: int
) -> tuple[IndexArray, FloatArray]:
    position = (np.log(kpa) - tables().least_log_kpa[fluid]) / step[fluid]
    return _place(position, points)


def _saturation_rows(kpa: FloatArray, fluid: IndexArray) -> FloatArray:
    lower, share = _pressure_place(kpa, fluid, tables().log_kpa_step, SATURATION_POINTS)
    row = fluid * SATURATION_POINTS + lower
    table = tables().saturation
    low = table.take(row, axis=0)
    return np.asarray((low + share[:, None] * (table.take(row + 1, axis=0) - low)).T)


def _saturation_c(kpa: FloatArray, fluid: IndexArray) -> FloatArray:
    lower, share = _pressure_place(kpa, fluid, tables().log_kpa_step, SATURATION_POINTS)
    row = fluid * SATURATION_POINTS + lower
    column = tables().saturation[:, SATURATION_C]
    low = column[row]
    return np.asarray(low + share * (column[row + 1] - low))


def _liquid_row(celsius: FloatArray, fluid: IndexArray) -> FloatArray:
    position = (celsius - COLDEST_LIQUID_C) / tables().liquid_c_step[fluid]
    lower, share = _place(position, LIQUID_POINTS)
    row = fluid * LIQUID_POINTS + lower
    table = tables().liquid
    low = table.take(row, axis=0)
    return np.asarray((low + share[:, None] * (table.take(row + 1, axis=0) - low)).T)


def _bilinear(
    table: FloatArray, kpa: FloatArray, column: FloatArray, fluid: IndexArray
) -> FloatArray:
    i, u = _pressure_place(kpa, fluid, tables().vapour_log_step, VAPOUR_PRESSURES)
    j, v = _place(column, VAPOUR_STEPS)
    corner = (fluid * VAPOUR_PRESSURES + i) * VAPOUR_STEPS + j
    low = table.take(corner) * (1.0 - v) + table.take(corner + 1) * v
    corner = corner + VAPOUR_STEPS
    high = table.take(corner) * (1.0 - v) + table.take(corner + 1) * v
    return np.asarray(low + u * (high - low))
