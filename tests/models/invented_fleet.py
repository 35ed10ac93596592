"""An invented fleet at the level of features, with a known truth, for the tests beside it.

Every healthy value is a straight line in the conditions plus a car's own offset plus
noise; nothing of it comes from the code under test.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from features.catalogue import FEATURE_RECORDS, FEATURES
from features.context import CONTEXT
from models.assess import AssessmentInputs, assess
from models.settings import AssessmentSettings

START = datetime(2026, 5, 1, 9, tzinfo=UTC)
AS_OF = datetime(2026, 8, 1, tzinfo=UTC)

# name: (level, per K of condenser air, per kJ/kg of intake enthalpy, sd of cars, sd of tests,
# standard uncertainty of the sensors)
LINES = {
    "low_side_kpa": (300.0, 1.0, 0.8, 5.0, 4.0, 3.0),
    "high_side_kpa": (700.0, 25.0, 2.0, 20.0, 15.0, 12.0),
    "pressure_ratio": (2.5, 0.05, 0.0, 0.08, 0.06, 0.05),
    "evaporator_outlet_superheat_k": (6.0, 0.0, 0.02, 0.6, 0.7, 0.6),
    "compressor_suction_superheat_k": (14.0, 0.1, 0.02, 0.9, 0.8, 0.6),
    "compressor_discharge_c": (40.0, 1.2, 0.1, 1.4, 1.2, 0.7),
    "condenser_outlet_subcooling_k": (7.0, -0.05, 0.02, 0.5, 0.5, 0.45),
    "expansion_inlet_subcooling_k": (13.0, -0.05, 0.02, 0.6, 0.5, 0.45),
    "duct_air_c": (0.0, 0.1, 0.12, 0.5, 0.4, 0.3),
    "duct_drop_k": (18.0, -0.1, -0.05, 0.5, 0.4, 0.35),
    "evaporator_approach_k": (3.0, 0.0, 0.02, 0.4, 0.4, 0.35),
    "condensing_over_air_k": (17.0, -0.1, 0.05, 0.9, 0.6, 0.5),
}
UNCERTAINTY = {feature.name: feature.uncertainty_name for feature in FEATURE_RECORDS}


@dataclass(frozen=True)
class Plan:
    """`faults` maps a vehicle number to shifts by feature, in all its tests."""

    seed: int = 1
    n_vehicles: int = 40
    n_tests: int = 3
    model_id: str = "aster"
    architecture: str = "variable/txv"
    level_shift: float = 0.0
    days_apart: float = 20.0
    faults: dict[int, dict[str, float]] = field(default_factory=dict)
    student: float | None = None


def _noise(rng: np.random.Generator, plan: Plan, size):
    if plan.student is None:
        return rng.normal(size=size)
    nu = plan.student
    return rng.standard_t(nu, size=size)


def make_inputs(*plans: Plan) -> AssessmentInputs:
    parts = [_model(plan) for plan in plans]
    features, context, vehicles, models = (pl.concat([p[i] for p in parts]) for i in range(4))
    repairs = pl.DataFrame(
        schema={
            "repair_id": pl.String,
            "vehicle_id": pl.String,
            "performed_at": pl.Datetime("us", "UTC"),
            "action": pl.String,
        }
    )
    return AssessmentInputs(features, context, vehicles, models, repairs)


def _model(plan: Plan):
    rng = np.random.default_rng(plan.seed)
    n = plan.n_vehicles * plan.n_tests
    car = np.repeat(np.arange(plan.n_vehicles), plan.n_tests)
    visit = np.tile(np.arange(plan.n_tests), plan.n_vehicles)
    air = rng.uniform(22, 36, n)
    intake = air - rng.uniform(0, 3, n)
    enthalpy = 1.9 * intake + rng.uniform(-6, 6, n)
    ids = [f"{plan.model_id}-{c:03d}" for c in car]
    test_ids = [f"{v}-t{k}" for v, k in zip(ids, visit, strict=True)]
    columns = {
        "test_id": test_ids,
        "regime": ["saturated"] * n,
        "window_kind_code": ["steady"] * n,
        "n_windows": [2] * n,
        "steady_s": [240.0] * n,
        "condenser_air_source": ["condenser_inlet_air_c"] * n,
        "condenser_air_c": air,
        "intake_air_c": intake,
        "intake_enthalpy_kj_per_kg": enthalpy,
        "engine_rpm": rng.normal(1500, 10, n),
    }
    for name, (level, by_air, by_load, of_car, of_test, uncertainty) in LINES.items():
        offset = of_car * _noise(rng, plan, plan.n_vehicles)[car]
        value = level + by_air * air + by_load * enthalpy + offset
        value += of_test * _noise(rng, plan, n) + plan.level_shift * of_car
        for vehicle, shifts in plan.faults.items():
            value[car == vehicle] += shifts.get(name, 0.0)
        columns[name] = value
        columns[UNCERTAINTY[name]] = np.full(n, uncertainty)
    started = [
        START + timedelta(days=plan.days_apart * int(k), minutes=int(c))
        for c, k in zip(car, visit, strict=True)
    ]
    context = CONTEXT.conform(
        pl.DataFrame(
            {
                "test_id": test_ids,
                "vehicle_id": ids,
                "model_id": [plan.model_id] * n,
                "started_at": started,
                "refrigerant": ["R1234yf"] * n,
                "architecture": [plan.architecture] * n,
                "internal_heat_exchanger": [True] * n,
                "purpose": ["screening"] * n,
            }
        )
    )
    vehicles = pl.DataFrame({"vehicle_id": ids, "model_id": [plan.model_id] * n}).unique(
        maintain_order=True
    )
    models = pl.DataFrame({"model_id": [plan.model_id], "refrigerant": ["R1234yf"]})
    return FEATURES.conform(pl.DataFrame(columns)), context, vehicles, models


def judge(inputs: AssessmentInputs, as_of: datetime = AS_OF, **settings):
    return assess(inputs, AssessmentSettings(**settings), as_of)


def state_of(assessed, vehicle_id: str) -> dict:
    return assessed.states.filter(pl.col("vehicle_id") == vehicle_id).to_dicts()[0]


def with_features(inputs: AssessmentInputs, features: pl.DataFrame) -> AssessmentInputs:
    return replace(inputs, features=features)


def without(inputs: AssessmentInputs, where: pl.Expr, *names: str) -> AssessmentInputs:
    """The inputs with these columns (and their uncertainties) unknown where `where` holds."""
    columns = [*names, *(UNCERTAINTY[n] for n in names if n in UNCERTAINTY)]
    gone = [pl.when(~where).then(pl.col(c)).alias(c) for c in columns]
    return with_features(inputs, inputs.features.with_columns(gone))
