"""How well each pattern explains the residuals of a car: robust likelihood, severity profiled.

Array functions. Takes z (n, quantities) with NaN where not known, least effects in spreads,
and shapes; gives log likelihoods and severities. Does not belong here: priors, frames, words.

Each z is Student t about severity times shift; its scale grows with severity, because marks
say a sign and learned sizes a typical car. Quantities that share a pressure or a clamp count
less each: what they say is said twice. Source of the form: severity a_f >= 0 profiled per
fault, and a ratio between best and second-best (Rossi & Braun, HVAC&R Research 3 (1997) 19);
Student t instead of a normal distribution for robustness.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from models.fault_signs_numbers import QUANTITIES

if TYPE_CHECKING:
    from models.conditions import Array
    from models.fault_signs_numbers import Shape

FREEDOM = 5.0
SEVERITIES = np.concatenate([[0.0], np.geomspace(0.15, 12.0, 15)])
# Severity is one fitted number, which costs half the logarithm of what is known (Schwarz, Ann.
# Statist. 6 (1978) 461).
_HALF = 0.5
# Share of its log likelihood that a car counts for: marks are cruder than their doubt says
# [default, tune on data].
TEMPER = 0.6
_FAMILIES = (
    ("low_side_kpa", "pressure_ratio", "evaporator_approach_k"),
    ("high_side_kpa", "condensing_over_air_k"),
    ("duct_air_c", "duct_drop_k", "coil_effectiveness"),
    ("evaporator_outlet_superheat_k", "rear_evaporator_outlet_superheat_k"),
    ("compressor_suction_superheat_k", "heat_exchanger_effectiveness"),
    ("condenser_outlet_subcooling_k", "subcooling_share"),
    ("expansion_inlet_subcooling_k", "heat_exchanger_balance"),
    ("compressor_discharge_c", "compressor_discharge_superheat_k", "discharge_over_reference_k"),
    ("static_over_saturation_kpa",),
)
_MEMBER = np.array([[name in family for name in QUANTITIES] for family in _FAMILIES], dtype=float)


def weights(known: Array) -> Array:
    """Weight of every known quantity: members of a family share the square root of their number."""
    count = known @ _MEMBER.T
    share = np.divide(1.0, np.sqrt(count), out=np.zeros_like(count), where=count > 0)
    return np.asarray(known * (share @ _MEMBER))


def log_student(distance: Array, scale: Array) -> Array:
    """Log density up to a constant, of a distance in units of z with a scale."""
    return np.asarray(
        -np.log(scale) - 0.5 * (FREEDOM + 1) * np.log1p((distance / scale) ** 2 / FREEDOM)
    )


def fit(z: Array, unit: Array, shapes: tuple[Shape, ...]) -> Array:
    """(n, severities, shapes) profile of log likelihoods.

    Parameters
    ----------
    z : (n, quantities), NaN where not known.
    unit : (n, quantities), one least effect in spreads of the quantity.
    """
    known = np.isfinite(z).astype(float)
    value, unit = np.nan_to_num(z), np.where(known > 0, np.nan_to_num(unit), 1.0)
    weight = weights(known)
    profile = np.empty((len(z), SEVERITIES.size, len(shapes)))
    for place, shape in enumerate(shapes):
        size = SEVERITIES[None, :, None] * unit[:, None, :]
        logs = log_student(
            value[:, None, :] - size * shape.shift, np.sqrt(1.0 + (size * shape.doubt) ** 2)
        )
        profile[:, :, place] = np.einsum("naf,nf->na", logs, weight)
    cost = _HALF * np.log(np.maximum(known.sum(axis=1), 1.0))
    profile[:, 1:, :] -= cost[:, None, None]
    return np.asarray(TEMPER * profile)
