"""Property tables of the plant's refrigerants, made from CoolProp once per process.

Tables of several refrigerants lie one behind the other, so that a batch may mix them. Grids
are even in the logarithm of pressure. Nothing reads them here: `properties` does.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from CoolProp.CoolProp import PropsSI

from synthetic.plant.arrays import FloatArray

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


def _saturation_columns(name: str, kpa: FloatArray) -> FloatArray:
    pascal = kpa * 1e3

    def at(prop: str, quality: float) -> FloatArray:
        return np.asarray(PropsSI(prop, "P", pascal, "Q", quality, name))

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
    shares = [1.0 - _zivi_void(liquid, vapour, float(x)) for x in qualities]
    return np.asarray(np.mean(shares, axis=0))


def _mean_zivi_density(
    liquid: FloatArray, vapour: FloatArray, between: tuple[float, float]
) -> FloatArray:
    share = _mean_zivi_liquid_share(liquid, vapour, between)
    return share * liquid + (1.0 - share) * vapour


def _vapour_rows(name: str, log_kpa: FloatArray) -> tuple[FloatArray, ...]:
    """Superheat, log density over enthalpy above saturation; enthalpy over entropy; entropy."""
    kpa = np.exp(log_kpa)
    saturated_k = np.asarray(PropsSI("T", "P", kpa * 1e3, "Q", 1.0, name))
    superheat = GREATEST_SUPERHEAT_K * np.linspace(0.0, 1.0, 160) ** 1.5
    superheat[0] = 1e-4
    t, p = np.add.outer(saturated_k, superheat), np.repeat(kpa * 1e3, superheat.size)

    def at(prop: str) -> FloatArray:
        found = np.asarray(PropsSI(prop, "T", t.ravel(), "P", p, name))
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
        return np.asarray(PropsSI(prop, "T", kelvin, "Q", 0.0, name))

    return np.column_stack([at("H") / 1e3, at("D"), np.log(at("P") / 1e3), at("C") / 1e3])


@lru_cache(maxsize=1)
def tables() -> Tables:
    """Tables of all refrigerants of the plant, built at the first call of the process."""
    least = np.full(len(REFRIGERANTS), np.log(LOWEST_KPA))
    highest = np.array([PropsSI("Pcrit", n) / 1e3 for n in REFRIGERANTS])
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
