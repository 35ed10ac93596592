"""100,000 invented tests of 50 models, as a features frame: is the judgement fast enough?

Run as `python -m tests.benchmarks.many_tests [TESTS]`; prints one line of JSON with the time
and peak memory of `assess`, and its ratio to a bare sort of the same frame. The values are
straight lines in the conditions with noise, a tenth of the cars shifted; they mean nothing.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from features.catalogue import FEATURE, FEATURES
from features.context import CONTEXT
from models.assess import AssessmentInputs, assess
from models.findings import JUDGED
from models.settings import AssessmentSettings

N_MODELS = 50
TESTS_PER_CAR = 4
CLOCK = datetime(2026, 9, 1, tzinfo=UTC)


def invented_inputs(n_tests: int, seed: int = 5) -> AssessmentInputs:
    """Frames of a fleet of models of unequal size, each car tested four times."""
    rng = np.random.default_rng(seed)
    n_cars = n_tests // TESTS_PER_CAR
    model_of_car = rng.choice(N_MODELS, size=n_cars, p=rng.dirichlet(np.full(N_MODELS, 2.0)))
    car = np.repeat(np.arange(n_cars), TESTS_PER_CAR)
    visit = np.tile(np.arange(TESTS_PER_CAR), n_cars)
    models = [f"model-{m:02d}" for m in model_of_car]
    vehicles = [f"car-{c:06d}" for c in range(n_cars)]
    tests = pl.DataFrame(
        {
            "test_id": [f"test-{c:06d}-{k}" for c, k in zip(car, visit, strict=True)],
            "vehicle_id": pl.Series(vehicles).gather(car),
            "model_id": pl.Series(models).gather(car),
            "started_at": [
                CLOCK - timedelta(days=int(300 - 70 * k), minutes=int(c % 1440))
                for c, k in zip(car, visit, strict=True)
            ],
            "architecture": pl.Series([f"kind-{m % 6}" for m in model_of_car]).gather(car),
            "refrigerant": "R1234yf",
            "expansion_device": "txv",
            "internal_heat_exchanger": True,
            "rear_evaporator": False,
            "purpose": "screening",
        }
    ).with_columns(pl.col("started_at").cast(pl.Datetime("us", "UTC")))
    repairs = {"repair_id": pl.String, "vehicle_id": pl.String, "action": pl.String}
    return AssessmentInputs(
        features=_features(rng, tests["test_id"], car),
        context=CONTEXT.conform(tests),
        vehicles=pl.DataFrame({"vehicle_id": vehicles, "model_id": models}),
        models=pl.DataFrame({"model_id": sorted(set(models))}),
        repairs=pl.DataFrame(schema={**repairs, "performed_at": pl.Datetime("us", "UTC")}),
    )


def _features(rng: np.random.Generator, test_ids: pl.Series, car: np.ndarray) -> pl.DataFrame:
    n = len(car)
    air = rng.uniform(20, 38, n)
    faulty = rng.uniform(size=car.max() + 1) < 0.1
    columns = {
        "test_id": test_ids, "regime": "saturated", "window_kind_code": "steady",
        "n_windows": 2, "steady_s": 240.0, "condenser_air_source": "condenser_inlet_air_c",
        "condenser_air_c": air, "intake_enthalpy_kj_per_kg": 1.9 * air + rng.uniform(-8, 8, n),
        "intake_air_c": air - rng.uniform(0, 3, n), "engine_rpm": rng.normal(1500, 60, n),
    }  # fmt: skip
    for feature in JUDGED:
        if feature.is_for_whole_test or feature.name.startswith("rear_"):
            continue
        size = feature.least_effect / 3.0
        value = 10 * size + 0.05 * size * air + size * rng.standard_t(8, n)
        columns[feature.name] = value + 5 * size * faulty[car] * rng.integers(-1, 2)
        columns[FEATURE[feature.name].uncertainty_name] = np.full(n, 0.3 * size)
    return FEATURES.conform(pl.DataFrame(columns))


def main() -> None:
    """Judge once and print seconds, peak memory and the ratio to a sort."""
    n_tests = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    inputs = invented_inputs(n_tests)
    start = time.perf_counter()
    inputs.features.sort("duct_air_c", "test_id")
    floor = time.perf_counter() - start
    start = time.perf_counter()
    assessed = assess(inputs, AssessmentSettings(), CLOCK)
    seconds = time.perf_counter() - start
    if assessed.states.height != inputs.vehicles.height:
        raise RuntimeError("not every car was judged")
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    done = {"seconds": round(seconds, 2), "peak_mib": round(peak_mib), "floor_s": round(floor, 4)}
    print(json.dumps(done | {"ratio": round(seconds / floor, 1)}))


if __name__ == "__main__":
    main()
