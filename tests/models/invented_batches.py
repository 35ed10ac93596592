"""Residuals of an invented model at the level of z, with batches known to be bad.

Healthy cars: correlated quantities with heavy tails (`tests.studies.residual_fleets`), labels
drawn at random. Nothing of it comes from the code under test.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime

import numpy as np
import polars as pl

from features.context import CONTEXT
from models.recurrence.exposure import ClaimRecords
from models.tables import RESIDUALS
from pipeline.registry_tables import REGISTRY_TABLES
from tests.studies.residual_fleets import FEATURES, healthy_correlation

N_MONTHS, N_SITES, TAIL = 18, 6, 5.0
TESTED = datetime(2026, 5, 1, 9, tzinfo=UTC)


@dataclass(frozen=True)
class Plan:
    """`n_bad` cars of build months 5 to 7 stray by `shift`; `bad_site` adds to all of a shop."""

    n_cars: int = 240
    n_bad: int = 0
    shift: dict[str, float] = field(default_factory=dict)
    bad_site: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Invented:
    """Residuals, the registry's frames, and the ids of the bad cars."""

    residuals: pl.DataFrame
    records: ClaimRecords
    bad: list[str]


def invent(seed: int, plan: Plan) -> Invented:
    rng = np.random.default_rng(seed)
    n = plan.n_cars
    z = rng.normal(size=(n, len(FEATURES))) @ np.linalg.cholesky(healthy_correlation()).T
    z /= np.sqrt(rng.chisquare(TAIL, size=(n, 1)) / TAIL)
    month, site = rng.integers(0, N_MONTHS, n), rng.integers(0, N_SITES, n)
    bad = np.flatnonzero((month >= 5) & (month <= 7))[: plan.n_bad]
    for name, by in plan.shift.items():
        z[bad, FEATURES.index(name)] += by
    for name, by in plan.bad_site.items():
        z[site == 0, FEATURES.index(name)] += by
    ids = [f"v{k:04d}" for k in range(n)]
    tests = [f"t{k:04d}" for k in range(n)]
    residuals = pl.concat(
        pl.DataFrame({"test_id": tests, "vehicle_id": ids, "model_id": "m", "regime": "saturated",
                      "feature": name, "z": z[:, k]})
        for k, name in enumerate(FEATURES)
    )  # fmt: skip
    vehicles = pl.DataFrame(
        {
            "vehicle_id": ids,
            "model_id": "m",
            "build_date": [date(2024 + m // 12, m % 12 + 1, 9) for m in month.tolist()],
            "plant": [f"p{k}" for k in rng.integers(0, 2, n)],
        }
    )
    context = pl.DataFrame(
        {"test_id": tests, "vehicle_id": ids, "model_id": "m", "started_at": TESTED,
         "site_id": [f"s{k}" for k in site]}
    )  # fmt: skip
    return Invented(
        RESIDUALS.conform(residuals),
        ClaimRecords(
            REGISTRY_TABLES["vehicles"].conform(vehicles),
            REGISTRY_TABLES["models"].conform(pl.DataFrame({"model_id": ["m"]})),
            REGISTRY_TABLES["repairs"].empty(),
            REGISTRY_TABLES["volumes"].empty(),
            CONTEXT.conform(context),
        ),
        [ids[k] for k in bad],
    )


def shuffled(records: ClaimRecords, seed: int) -> ClaimRecords:
    """The same cars, who is of which month and plant drawn anew."""
    labels = ["build_date", "plant"]
    order = np.random.default_rng(seed).permutation(records.vehicles.height)
    mixed = records.vehicles.with_columns(records.vehicles.select(labels)[order])
    return replace(records, vehicles=mixed)
