"""Adverse directions: quantities that move together when something is wrong.

Holds the directions, and how the quantities of healthy cars go together. A direction is
one-sided, and its mirror image hardly occurs, which single quantities cannot offer: most of
them are adverse both ways. Directions are for detection; they name no cause. Does not belong
here: weighing a row along them (`adverse_likelihood`), p-values (`mirror`, `calibration`).

Source: signs after Rossi & Braun, HVAC&R Research 3 (1997) 19, table 1, for leakage, valve leak,
liquid restriction and condenser fouling, and common practice (no source) for expansion
valves, receivers and controlled compressors. Weights say clear (1) or slight (0.3 to 0.7).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from features.regimes import Regime

if TYPE_CHECKING:
    from models.conditions import Array, Mask

# Values beyond say no more of how healthy quantities go together.
_CLIP = 1.5
_MOST_CORRELATION = 0.98
# Clipping shrinks correlations by a fortieth [computed: normal pairs, 0.2 to 0.8].
_CLIP_LOSS = 1.025
_LEAST_PAIRS = 50
# A direction needs half of its squared weights measured.
_LEAST_KNOWN = 0.5
_TINY = 1e-12
# In regulation the control holds low side and duct: only what it does not hold may move.
_HELD = (Regime.REGULATING.value,)


@dataclass(frozen=True)
class Direction:
    """Weights by feature; `unless_regimes` where they do not hold."""

    code: str
    weights: dict[str, float]
    unless_regimes: tuple[str, ...] = ()
    is_for_orifice_tubes: bool = True


DIRECTIONS: tuple[Direction, ...] = (
    Direction(
        "liquid_short",
        {
            "condenser_outlet_subcooling_k": -1.0, "expansion_inlet_subcooling_k": -1.0,
            "condensing_over_air_k": -0.3, "high_side_kpa": -0.3, "pressure_ratio": -0.3,
            "duct_air_c": 0.3, "duct_drop_k": -0.3,
        },
    ),
    Direction(
        "evaporator_starved_without_liquid",
        {
            "low_side_kpa": -1.0, "evaporator_outlet_superheat_k": 1.0,
            "rear_evaporator_outlet_superheat_k": 1.0, "compressor_suction_superheat_k": 1.0,
            "duct_air_c": 0.7, "duct_drop_k": -0.7, "evaporator_approach_k": 0.7,
            "compressor_discharge_superheat_k": 0.5, "compressor_discharge_c": 0.3,
            "high_side_kpa": -0.4, "condensing_over_air_k": -0.4,
            "condenser_outlet_subcooling_k": -0.7, "expansion_inlet_subcooling_k": -0.7,
        },
    ),
    Direction(
        "high_side_hot",
        {
            "high_side_kpa": 1.0, "condensing_over_air_k": 1.0, "pressure_ratio": 0.7,
            "compressor_discharge_c": 0.7, "duct_air_c": 0.3, "duct_drop_k": -0.3,
        },
    ),
    Direction(
        "high_side_full",
        {
            "condenser_outlet_subcooling_k": 1.0, "expansion_inlet_subcooling_k": 1.0,
            "high_side_kpa": 0.5, "condensing_over_air_k": 0.5, "pressure_ratio": 0.3,
        },
    ),
    Direction(
        "little_pumped",
        {
            "low_side_kpa": 1.0, "pressure_ratio": -1.0, "high_side_kpa": -0.5,
            "condensing_over_air_k": -0.5, "duct_air_c": 0.6, "duct_drop_k": -0.6,
        },
        unless_regimes=_HELD,
    ),
    Direction(
        "evaporator_starved",
        {
            "low_side_kpa": -1.0, "evaporator_outlet_superheat_k": 1.0,
            "compressor_suction_superheat_k": 1.0, "compressor_discharge_superheat_k": 0.6,
            "compressor_discharge_c": 0.6, "duct_air_c": 0.6, "duct_drop_k": -0.6,
            "evaporator_approach_k": 0.6, "pressure_ratio": 0.5,
            "high_side_kpa": -0.3, "condensing_over_air_k": -0.3,
        },
    ),
    Direction(
        "evaporator_flooded",
        {
            "evaporator_outlet_superheat_k": -1.0, "compressor_suction_superheat_k": -1.0,
            "compressor_discharge_superheat_k": -0.6, "compressor_discharge_c": -0.5,
            "low_side_kpa": 0.5,
        },
        is_for_orifice_tubes=False,
    ),
    Direction(
        "air_warm", {"duct_air_c": 1.0, "duct_drop_k": -1.0, "evaporator_approach_k": 1.0}
    ),
    Direction(
        "discharge_hot",
        {"compressor_discharge_c": 1.0, "compressor_discharge_superheat_k": 1.0},
    ),
)  # fmt: skip


def robust_correlation(scores: Array) -> Array:
    """Correlation of standardised scores (n, features), clipped so that faults say little."""
    clipped = np.nan_to_num(np.clip(scores, -_CLIP, _CLIP))
    known = np.isfinite(scores).astype(float)
    squares = (clipped**2).T @ known
    together = np.sqrt(np.maximum(squares * squares.T, _TINY))
    correlation = _CLIP_LOSS * (clipped.T @ clipped) / together
    correlation[known.T @ known < _LEAST_PAIRS] = 0.0
    correlation = np.clip(correlation, -_MOST_CORRELATION, _MOST_CORRELATION)
    np.fill_diagonal(correlation, 1.0)
    return np.asarray(correlation)


def direction_weights(features: tuple[str, ...]) -> Array:
    """(directions, features): the weights of `DIRECTIONS` in the order of the features."""
    return np.array([[d.weights.get(name, 0.0) for name in features] for d in DIRECTIONS])


def is_enough_known(known: Mask, weights: Array) -> Mask:
    """(n, directions): where half of the squared weights of a direction is known."""
    squares = weights**2
    least = _LEAST_KNOWN * np.maximum(squares.sum(axis=1), _TINY)
    return np.asarray(known.astype(float) @ squares.T >= least)
