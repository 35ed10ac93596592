"""Refrigerant properties for the plant: tables from CoolProp, read by vector interpolation.

Tables of several refrigerants lie one behind the other, so that a batch may mix them; a
contaminated charge is read from two tables and weighted (no glide: a simplification). Grids
are even in the logarithm of pressure. Built once per process. Nothing about cars here.
"""

from dataclasses import dataclass
from functools import lru_cache

import CoolProp.CoolProp as coolprop
import numpy as np

from synthetic.plant.arrays import FloatArray, IndexArray

# name in CoolProp's list, by the plant's refrigerant number
REFRIGERANTS = ("R134a", "R1234yf", "R290")
R134A, R1234YF, PROPANE = range(3)

LOWEST_KPA = 8.0
# close enough to the critical point for any fault, far enough for smooth tables
HIGHEST_SHARE_OF_CRITICAL = 0.97
SATURATION_POINTS = 1500
VAPOUR_PRESSURES, VAPOUR_STEPS = 140, 120
GREATEST_SUPERHEAT_K = 140.0
GREATEST_SUPERHEAT_KJ_PER_KG = 160.0
LEAST_ENTROPY_STEP, GREATEST_ENTROPY_STEP = -0.15, 0.40
LIQUID_POINTS = 900
COLDEST_LIQUID_C = -45.0

# columns of the saturation table
(
    SATURATION_C,
    LIQUID_KJ_PER_KG,
    VAPOUR_KJ_PER_KG,
    LIQUID_KG_PER_M3,
    VAPOUR_KG_PER_M3,
    VAPOUR_KJ_PER_KG_K,
    SLOPE_K_PER_KPA,
    VAPOUR_SLOPE_KG_PER_M3_KPA,
    CONDENSING_KG_PER_M3,
    EVAPORATING_LIQUID_SHARE,
    VAPOUR_CP_KJ_PER_KG_K,
) = range(11)


@dataclass(frozen=True)
class Tables:
    """Tables of all refrigerants, flattened, with the bounds of each one's pressure grid."""

    least_log_kpa: FloatArray
    log_kpa_step: FloatArray
    highest_kpa: FloatArray
    saturation: FloatArray
    vapour_log_step: FloatArray
    superheat_k: FloatArray
    log_kg_per_m3: FloatArray
    entropy_kj_per_kg_k: FloatArray
    entropy_step: FloatArray
    isentropic_kj_per_kg: FloatArray
    liquid_c_step: FloatArray
    liquid: FloatArray


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


def _saturation_columns(name: str, kpa: FloatArray) -> FloatArray:
    pascal = kpa * 1e3

    def at(prop: str, quality: float) -> FloatArray:
        return np.asarray(coolprop.PropsSI(prop, "P", pascal, "Q", quality, name))

    liquid, vapour = at("D", 0.0), at("D", 1.0)
    celsius = at("T", 1.0) - 273.15
    return np.column_stack(
        [
            celsius,
            at("H", 0.0) / 1e3,
            at("H", 1.0) / 1e3,
            liquid,
            vapour,
            at("S", 1.0) / 1e3,
            np.gradient(celsius, kpa),
            np.gradient(vapour, kpa),
            _mean_zivi_density(liquid, vapour, (0.02, 0.98)),
            _mean_zivi_liquid_share(liquid, vapour, (0.25, 0.98)),
            at("C", 1.0) / 1e3,
        ]
    )


def _zivi_void(liquid: FloatArray, vapour: FloatArray, quality: float) -> FloatArray:
    """Void fraction [1] for least entropy production: Zivi 1964, J. Heat Transfer 86:247."""
    return 1.0 / (1.0 + (1.0 - quality) / quality * (vapour / liquid) ** (2.0 / 3.0))


def _mean_zivi_liquid_share(
    liquid: FloatArray, vapour: FloatArray, between: tuple[float, float]
) -> FloatArray:
    qualities = np.linspace(*between, 40)
    return np.mean([1.0 - _zivi_void(liquid, vapour, float(x)) for x in qualities], axis=0)


def _mean_zivi_density(
    liquid: FloatArray, vapour: FloatArray, between: tuple[float, float]
) -> FloatArray:
    share = _mean_zivi_liquid_share(liquid, vapour, between)
    return share * liquid + (1.0 - share) * vapour


def _vapour_rows(name: str, log_kpa: FloatArray) -> tuple[FloatArray, ...]:
    """Superheat, log density over enthalpy above saturation; enthalpy over entropy; entropy."""
    kpa = np.exp(log_kpa)
    saturated_k = np.asarray(coolprop.PropsSI("T", "P", kpa * 1e3, "Q", 1.0, name))
    superheat = GREATEST_SUPERHEAT_K * np.linspace(0.0, 1.0, 160) ** 1.5
    superheat[0] = 1e-4
    t, p = np.add.outer(saturated_k, superheat), np.repeat(kpa * 1e3, superheat.size)

    def at(prop: str) -> FloatArray:
        found = np.asarray(coolprop.PropsSI(prop, "T", t.ravel(), "P", p, name))
        return found.reshape(t.shape)

    enthalpy, entropy, log_density = at("H") / 1e3, at("S") / 1e3, np.log(at("D"))
    enthalpy_steps = np.linspace(0.0, GREATEST_SUPERHEAT_KJ_PER_KG, VAPOUR_STEPS)
    entropy_steps = np.linspace(LEAST_ENTROPY_STEP, GREATEST_ENTROPY_STEP, VAPOUR_STEPS)
    rows: list[tuple[FloatArray, ...]] = []
    for i, k in enumerate(saturated_k):
        above_h, above_s = enthalpy[i] - enthalpy[i, 0], entropy[i] - entropy[i, 0]
        isentropic = np.interp(entropy_steps, above_s, above_h)
        # inside the dome enthalpy and entropy fall together along the isobar: dh = T ds
        wet = np.where(entropy_steps < 0.0, k * entropy_steps, isentropic)
        rows.append(
            (
                np.interp(enthalpy_steps, above_h, superheat),
                np.interp(enthalpy_steps, above_h, log_density[i]),
                wet,
                np.interp(enthalpy_steps, above_h, above_s),
            )
        )
    return tuple(np.array(column) for column in zip(*rows, strict=True))


def _liquid_rows(name: str, hottest_c: float) -> FloatArray:
    """Saturated liquid over temperature: enthalpy, density, pressure (log), specific heat."""
    kelvin = np.linspace(COLDEST_LIQUID_C, hottest_c, LIQUID_POINTS) + 273.15

    def at(prop: str) -> FloatArray:
        return np.asarray(coolprop.PropsSI(prop, "T", kelvin, "Q", 0.0, name))

    return np.column_stack([at("H") / 1e3, at("D"), np.log(at("P") / 1e3), at("C") / 1e3])


@lru_cache(maxsize=1)
def tables() -> Tables:
    """Tables of all refrigerants of the plant, built at the first call of the process."""
    least = np.full(len(REFRIGERANTS), np.log(LOWEST_KPA))
    highest = np.array([coolprop.PropsSI("Pcrit", n) / 1e3 for n in REFRIGERANTS])
    highest = highest * HIGHEST_SHARE_OF_CRITICAL
    saturation, vapour, liquid, hottest = [], [], [], []
    for name, low, high in zip(REFRIGERANTS, least, np.log(highest), strict=True):
        columns = _saturation_columns(name, np.exp(np.linspace(low, high, SATURATION_POINTS)))
        saturation.append(columns)
        vapour.append(_vapour_rows(name, np.linspace(low, high, VAPOUR_PRESSURES)))
        hottest.append(float(columns[-1, SATURATION_C]))
        liquid.append(_liquid_rows(name, hottest[-1]))
    spread = np.log(highest) - least
    return Tables(
        least_log_kpa=least,
        log_kpa_step=spread / (SATURATION_POINTS - 1),
        highest_kpa=highest,
        saturation=np.concatenate(saturation),
        vapour_log_step=spread / (VAPOUR_PRESSURES - 1),
        superheat_k=np.concatenate([v[0].ravel() for v in vapour]),
        log_kg_per_m3=np.concatenate([v[1].ravel() for v in vapour]),
        entropy_step=np.array((GREATEST_ENTROPY_STEP - LEAST_ENTROPY_STEP) / (VAPOUR_STEPS - 1)),
        isentropic_kj_per_kg=np.concatenate([v[2].ravel() for v in vapour]),
        entropy_kj_per_kg_k=np.concatenate([v[3].ravel() for v in vapour]),
        liquid_c_step=(np.array(hottest) - COLDEST_LIQUID_C) / (LIQUID_POINTS - 1),
        liquid=np.concatenate(liquid),
    )


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
        found = _liquid_row(celsius, self.refrigerant)[2]
        if self.is_mixed:
            found = self._blend(found, _liquid_row(celsius, self.contaminant)[2])
        return np.exp(found)

    def liquid_kj_per_kg(self, celsius: FloatArray) -> FloatArray:
        """Enthalpy of liquid [kJ/kg] at a temperature [degC]; pressure has next to no effect."""
        found = _liquid_row(celsius, self.refrigerant)[0]
        if self.is_mixed:
            found = self._blend(found, _liquid_row(celsius, self.contaminant)[0])
        return found

    def liquid_cp_kj_per_kg_k(self, celsius: FloatArray) -> FloatArray:
        """Specific heat of liquid [kJ/kg/K] at a temperature [degC]."""
        found = _liquid_row(celsius, self.refrigerant)[3]
        if self.is_mixed:
            found = self._blend(found, _liquid_row(celsius, self.contaminant)[3])
        return found

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
