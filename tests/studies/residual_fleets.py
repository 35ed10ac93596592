"""Invented fleets at the level of residuals: who is faulty, and how far each value strays.

Values are what a test shows of a car, in units of the standard deviation of healthy cars;
the directions of faults are signs of published tables, not of the code under test. Nothing
here knows how a car is judged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm
from scipy.stats import t as student

FEATURES = (
    "duct_air_c", "duct_drop_k", "evaporator_approach_k", "low_side_kpa", "high_side_kpa",
    "condensing_over_air_k", "pressure_ratio", "evaporator_outlet_superheat_k",
    "rear_evaporator_outlet_superheat_k", "compressor_suction_superheat_k",
    "compressor_discharge_superheat_k", "compressor_discharge_c",
    "condenser_outlet_subcooling_k", "expansion_inlet_subcooling_k",
)  # fmt: skip

# What healthy cars have in common: each row says how a hidden cause (heat load, condenser
# air, charge within its tolerance, superheat setting of the valve) moves the features. The
# correlations that follow reach from -0.7 to 0.8.
_HIDDEN = np.array(
    [
        [0.6, -0.6, 0.3, 0.6, 0.3, 0.1, -0.2, 0.0, 0.0, 0.1, 0.0, 0.2, 0.0, 0.0],
        [0.2, -0.2, 0.0, 0.2, 0.8, 0.8, 0.7, 0.0, 0.0, 0.0, 0.3, 0.6, 0.1, 0.1],
        [-0.1, 0.1, 0.0, 0.0, 0.2, 0.2, 0.1, -0.1, -0.1, -0.1, 0.0, 0.0, 0.8, 0.7],
        [0.1, -0.1, 0.4, -0.3, 0.0, 0.0, 0.2, 0.8, 0.5, 0.7, 0.6, 0.4, 0.0, 0.0],
    ]
)
# Signs after Rossi & Braun (1997) and common practice for expansion-valve systems at full
# load, sizes relative to the largest; the share of each among faulty cars from surveys of
# workshops (low charge about half). Order as FEATURES.
_DIRECTIONS = {
    "low charge": (
        0.30, (0.3, -0.3, 0, 0.2, -0.3, -0.3, -0.3, 0, 0, 0.3, 0.1, 0.2, -1.0, -0.8),
    ),
    "very low charge": (
        0.15, (0.6, -0.6, 0.7, -0.8, -0.5, -0.4, 0.3, 0.9, 0.7, 1.0, 0.7, 0.5, -1.0, -0.9),
    ),
    "condenser air": (
        0.20, (0.2, -0.2, 0, 0.2, 1.0, 1.0, 0.6, 0, 0, 0.1, 0.3, 0.8, 0.1, 0.1),
    ),
    "overcharge": (0.07, (0.1, 0, 0, -0.1, 0.7, 0.7, 0.4, 0, 0, -0.1, 0, 0.3, 1.0, 0.8)),
    "compressor": (
        0.10, (0.6, -0.6, -0.3, 1.0, -0.6, -0.5, -1.0, -0.2, 0, -0.3, 0.6, 0.3, -0.2, -0.2),
    ),
    "valve starves": (
        0.06, (0.6, -0.6, 0.7, -1.0, -0.4, -0.3, 0.5, 1.0, 0, 1.0, 0.7, 0.8, 0.2, 0.2),
    ),
    "valve floods": (0.05, (0.2, -0.2, -0.2, 0.5, 0, 0, -0.2, -1.0, 0, -0.6, -0.6, -0.6, 0, 0)),
    "warm air door": (0.07, (1.0, -1.0, 0.9, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)),
}  # fmt: skip
FAULTS = tuple(_DIRECTIONS)
_SHARES = np.array([share for share, _ in _DIRECTIONS.values()])
DIRECTIONS = np.array([signs for _, signs in _DIRECTIONS.values()], dtype=float)
# Size of the largest shift of a faulty car, in standard deviations of healthy ones.
_SIZES = (2.0, 8.0)
_MISSING_CARS = 0.2
_MOST_MISSING = 4
_REPEATABLE_SHARE = 0.5


@dataclass(frozen=True)
class FleetPlan:
    """What a fleet is like; `tail` is None for normal residuals, else Student's t.

    `is_shared` lets the quantities of one car stray together (one chi-squared for all),
    otherwise every quantity has its own tail and they share the correlation alone.
    """

    n_vehicles: int = 2000
    n_models: int = 50
    contamination: float = 0.1
    tail: float | None = None
    is_shared: bool = False
    n_tests: int = 1


@dataclass(frozen=True)
class ResidualFleet:
    """`values` (vehicles, tests, features), NaN where missing; `faults` -1 is healthy."""

    models: np.ndarray
    values: np.ndarray
    shifts: np.ndarray
    faults: np.ndarray


def healthy_correlation() -> np.ndarray:
    """What an oracle knows: the correlation matrix of healthy residuals."""
    common = _HIDDEN.T @ _HIDDEN
    return common + np.diag(1.0 - np.diag(common))


def draw_fleet(rng: np.random.Generator, plan: FleetPlan) -> ResidualFleet:
    """One fleet: models of unequal size, correlated features, faults, gaps."""
    n = plan.n_vehicles
    shares = rng.dirichlet(np.full(plan.n_models, 1.2))
    models = np.sort(rng.choice(plan.n_models, size=n, p=shares))
    noise = _noise(rng, plan)
    faulty = rng.uniform(size=n) < plan.contamination
    faults = np.where(faulty, rng.choice(len(FAULTS), size=n, p=_SHARES), -1)
    sizes = np.where(faulty, rng.uniform(*_SIZES, size=n), 0.0)
    shifts = sizes[:, None] * DIRECTIONS[faults]
    values = noise + shifts[:, None, :]
    return ResidualFleet(models, _with_gaps(rng, values), shifts, faults)


def _noise(rng: np.random.Generator, plan: FleetPlan) -> np.ndarray:
    """(vehicles, tests, features): of the car and of the day, both alike correlated."""
    root = np.linalg.cholesky(healthy_correlation())
    shape = (plan.n_vehicles, plan.n_tests, len(FEATURES))
    of_car = rng.normal(size=(shape[0], 1, shape[2]))
    of_day = rng.normal(size=shape)
    mixed = np.sqrt(_REPEATABLE_SHARE) * of_car + np.sqrt(1 - _REPEATABLE_SHARE) * of_day
    normal = mixed @ root.T
    if plan.tail is None:
        return normal
    if plan.is_shared:
        return normal / np.sqrt(rng.chisquare(plan.tail, size=(shape[0], 1, 1)) / plan.tail)
    return student.ppf(norm.cdf(normal), plan.tail)


def _with_gaps(rng: np.random.Generator, values: np.ndarray) -> np.ndarray:
    """A fifth of the cars lack one to four features in all their tests."""
    n, _, n_features = values.shape
    count = np.where(
        rng.uniform(size=n) < _MISSING_CARS, rng.integers(1, _MOST_MISSING + 1, size=n), 0
    )
    rank = rng.uniform(size=(n, n_features)).argsort(axis=1).argsort(axis=1)
    gone = rank < count[:, None]
    return np.where(gone[:, None, :], np.nan, values)
