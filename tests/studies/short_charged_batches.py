"""How often a batch filled short at the works is found from forty tests of it.

`python -m tests.studies.short_charged_batches POOL [--runs 100] [--seed 1]` draws fleets from
a pool of simulated tests (`short_charged_pool`): 160 cars filled full and a batch of 40, filled
short or not, one test each; judges each fleet whole and counts the warnings of the batch.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import polars as pl

from models.assess import AssessmentInputs, assess
from models.batch_warning import find_batch_warnings
from models.recurrence.exposure import ClaimRecords
from models.settings import AssessmentSettings
from pipeline.registry_tables import REGISTRY_TABLES

SETTINGS = AssessmentSettings()
_AS_OF = datetime(2027, 1, 1, tzinfo=UTC)
_OTHER_MONTHS = tuple(date(2024, month, 1) for month in range(1, 11))
_BATCH_MONTH = date(2025, 3, 1)
BATCH = "2025-03"


@dataclass(frozen=True)
class Pool:
    """Features and contexts of the pool, with `true_fill` per test."""

    features: pl.DataFrame
    context: pl.DataFrame


def read_pool(folder: Path) -> Pool:
    """The pool that `short_charged_pool` left in a folder, one test per car."""
    truth = pl.read_parquet(folder / "truth.parquet").select("log", "true_fill")
    context = pl.read_parquet(folder / "context.parquet")
    one = context.sort("test_id").unique("vehicle_id", keep="first", maintain_order=True)
    return Pool(
        pl.read_parquet(folder / "features.parquet"),
        one.join(truth, left_on="log_path", right_on="log", maintain_order="left"),
    )


def draw_inputs(
    pool: Pool, model: str, fill: str, rng: np.random.Generator, n_cars: tuple[int, int]
) -> AssessmentInputs:
    """A fleet of `n_cars` (others, batch); the batch is built in one month."""
    own = pool.context.filter(pl.col("model_id") == model)
    full = own.filter(pl.col("true_fill") == "full").sample(
        fraction=1.0, shuffle=True, seed=int(rng.integers(2**31))
    )
    others = full.head(n_cars[0])
    rest = full.slice(n_cars[0]) if fill == "full" else own.filter(pl.col("true_fill") == fill)
    batch = rest.sample(min(n_cars[1], rest.height), seed=int(rng.integers(2**31)))
    months = [_OTHER_MONTHS[k] for k in rng.integers(0, len(_OTHER_MONTHS), others.height)]
    context = pl.concat([others, batch]).with_columns(
        build_date=pl.Series(months + [_BATCH_MONTH] * batch.height)
    )
    vehicles = context.select("vehicle_id", "model_id", "build_date")
    vehicles = REGISTRY_TABLES["vehicles"].conform(vehicles)
    repairs = REGISTRY_TABLES["repairs"].empty()
    models = context.select("model_id", "refrigerant", "architecture").unique()
    plain = context.drop(
        "true_fill", "build_date", "log_path", "profile", "refusal_code", "refusal"
    )
    features = pool.features.join(plain.select("test_id"), on="test_id", how="semi")
    return AssessmentInputs(features, plain, vehicles, models, repairs)


def warned_features(inputs: AssessmentInputs) -> list[str]:
    """Quantities by which the batch is warned of."""
    judged = assess(inputs, SETTINGS, _AS_OF)
    records = ClaimRecords(
        inputs.vehicles, inputs.models, inputs.repairs, REGISTRY_TABLES["volumes"].empty(),
        inputs.context,
    )  # fmt: skip
    found = find_batch_warnings(judged.residuals, records, SETTINGS)
    warned = found.filter(state_code="warned", kind_code="build_month", cohort=BATCH)
    return warned["feature"].to_list()


def found_share(pool: Pool, model: str, fill: str, runs: int, seed: int) -> float:
    """Share of the runs in which the batch of 40 tests is warned of."""
    hits = 0
    for number in range(runs):
        rng = np.random.default_rng([seed, number, len(fill)])
        hits += bool(warned_features(draw_inputs(pool, model, fill, rng, (160, 40))))
    return hits / runs


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def _main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("pool", type=Path)
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    pool = read_pool(asked.pool)
    for model in pool.context["model_id"].unique().sort():
        for fill in ("past_reserve", "within_reserve", "full"):
            share = found_share(pool, model, fill, asked.runs, asked.seed)
            _say(f"{model} {fill}: batch warned of in {share:.2f} of {asked.runs} runs")


if __name__ == "__main__":
    _main()
