"""Cohorts of cars to be watched, and their claims by age and month, from the registry.

Takes the vehicles, repairs and models of the registry as frames, gives one `CohortClaims` per
kind of cohort, model and component. A claim is a car's first repair of a component; repeats
belong to recurrence, and would make one unlucky car look like a batch. Months are counted back
from the day of judgement (`claim_expectation`). Does not belong here: expectation, evidence.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from models.claim_expectation import DAYS_PER_MONTH, Array, Followed, Numbers

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

# Kind of cohort: the expression that names a car's cohort, null where it cannot be told.
COHORT_KINDS: dict[str, pl.Expr] = {
    "build_month": pl.col("build_date").dt.strftime("%Y-%m"),
    "build_month_and_plant": pl.col("build_date").dt.strftime("%Y-%m") + " / " + pl.col("plant"),
    "plant": pl.col("plant"),
    "region": pl.col("region"),
}
KIND_WORDS = {
    "build_month": "build months",
    "build_month_and_plant": "build months and plants",
    "plant": "plants",
    "region": "regions",
}
# What a repair that names no component is filed under.
ANY_COMPONENT = "not stated"
_NO_CLAIM = ("inspect", "none")


@dataclass(frozen=True)
class CohortClaims:
    """The cohorts of one kind, model and component.

    `delays` and `since` (months) are those of all claims of the model, for the reporting
    delay; `reports` holds, per cohort, when its claims were reported, in months since the
    first month of `followed`, in order.
    """

    kind_code: str
    model_id: str
    component: str
    cohorts: tuple[str, ...]
    followed: Followed
    delays: Numbers
    since: Numbers
    reports: tuple[Array, ...]


def claims_of(repairs: pl.DataFrame, as_of: datetime) -> pl.DataFrame:
    """First claim per car and component known at `as_of`, with both dates.

    Where any repair names a claim, only those that do are claims; else every repair is that
    was more than a look. Columns vehicle_id, component, arose_at, reported_at.
    """
    columns = {"component": pl.String, "claim_id": pl.String, "reported_at": pl.Datetime}
    known = repairs.with_columns(
        pl.lit(None, dtype).alias(name) for name, dtype in columns.items() if name not in repairs
    )
    if known["claim_id"].is_not_null().any():
        known = known.filter(pl.col("claim_id").is_not_null())
    instant = pl.Datetime("us", "UTC")
    return (
        known.filter(~pl.col("action").is_in(_NO_CLAIM).fill_null(value=False))
        .select(
            "vehicle_id",
            pl.col("component").fill_null(ANY_COMPONENT),
            arose_at=pl.col("performed_at").cast(instant),
            reported_at=pl.coalesce("reported_at", "performed_at").cast(instant),
        )
        .filter(pl.col("reported_at") <= as_of, pl.col("arose_at") <= pl.col("reported_at"))
        .sort("arose_at", "reported_at", "vehicle_id")
        .unique(["vehicle_id", "component"], keep="first", maintain_order=True)
    )


def cohort_claims(
    vehicles: pl.DataFrame, claims: pl.DataFrame, as_of: datetime, ages: int, kinds: list[str]
) -> Iterator[CohortClaims]:
    """The cohorts of each kind, model and component, with their claims up to an age.

    Cars without a day of service count from their build date; without either they cannot be
    followed. A kind that gives one cohort only, or none, has nothing to compare.
    """
    cars = _dated(vehicles, as_of)
    if cars.is_empty():
        return
    n_months = 1 + int(cars["service_back"].max() or 0)  # type: ignore[arg-type]
    seen = claims.join(cars, on="vehicle_id").with_columns(
        arose_back=_months_back("arose_at", as_of), report_back=_months_back("reported_at", as_of)
    )
    age = pl.col("service_back") - pl.col("arose_back")
    seen = seen.with_columns(age=age).filter(age.is_between(0, ages - 1))
    for (model,), own in cars.group_by("model_id", maintain_order=True):
        of_model = seen.filter(pl.col("model_id") == model)
        for kind in kinds:
            grid = _Grid(kind, str(model), ages, n_months, as_of)
            named = own.filter(pl.col(kind).is_not_null())
            if named[kind].n_unique() > 1:
                yield from _by_component(named, of_model.filter(pl.col(kind).is_not_null()), grid)


def _dated(vehicles: pl.DataFrame, as_of: datetime) -> pl.DataFrame:
    """Cars in service by `as_of`: model, cohort of every kind, months since service."""
    start = pl.coalesce("in_service_date", "build_date").cast(pl.Datetime("us", "UTC"))
    return (
        vehicles.with_columns(started=start)
        .filter(pl.col("started") <= as_of)
        .select(
            "vehicle_id",
            "model_id",
            _months_back("started", as_of).alias("service_back"),
            *(expression.alias(kind) for kind, expression in COHORT_KINDS.items()),
        )
        .sort("model_id", "vehicle_id")
    )


def _months_back(column: str, as_of: datetime) -> pl.Expr:
    days = (pl.lit(as_of) - pl.col(column)).dt.total_seconds() / 86400.0
    return (days / DAYS_PER_MONTH).floor().cast(pl.Int64)


@dataclass(frozen=True)
class _Grid:
    """What the cohorts of one kind and model have in common."""

    kind: str
    model: str
    ages: int
    n_months: int
    as_of: datetime


def _by_component(cars: pl.DataFrame, claims: pl.DataFrame, grid: _Grid) -> Iterator[CohortClaims]:
    cohorts = cars[grid.kind].unique().sort()
    place = {name: number for number, name in enumerate(cohorts)}
    in_service = np.zeros((len(place), grid.n_months))
    who = cars[grid.kind].replace_strict(place, return_dtype=pl.Int64).to_numpy()
    np.add.at(in_service, (who, grid.n_months - 1 - cars["service_back"].to_numpy()), 1.0)
    delays = (claims["arose_back"] - claims["report_back"]).to_numpy()
    for (component,), own in claims.group_by("component", maintain_order=True):
        whose = own[grid.kind].replace_strict(place, return_dtype=pl.Int64).to_numpy()
        table = np.zeros((len(place), grid.ages, grid.n_months))
        month = grid.n_months - 1 - own["arose_back"].to_numpy()
        np.add.at(table, (whose, own["age"].to_numpy(), month), 1.0)
        yield CohortClaims(
            grid.kind, grid.model, str(component), tuple(cohorts),
            Followed(in_service, table), delays, claims["arose_back"].to_numpy(),
            _report_times(own, whose, len(place), grid),
        )  # fmt: skip


def _report_times(
    claims: pl.DataFrame, whose: Numbers, n_cohorts: int, grid: _Grid
) -> tuple[Array, ...]:
    """When each cohort's claims were reported, in months since the first month, in order."""
    back = (pl.lit(grid.as_of) - pl.col("reported_at")).dt.total_seconds() / 86400.0
    times = grid.n_months - (claims.select(back).to_series().to_numpy() / DAYS_PER_MONTH)
    return tuple(np.sort(times[whose == number]) for number in range(n_cohorts))
