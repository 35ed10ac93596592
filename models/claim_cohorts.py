"""Cohorts of cars to be watched, and their claims by age and month, from the registry.

Takes what recurrence takes (`ClaimRecords`), gives one `CohortClaims` per kind of cohort, model
and component. A claim is a car's first repair of a component; repeats belong to recurrence, and
would make one unlucky car look like a batch. Months are counted back from the day of judgement
(`claim_expectation`). Does not belong here: how long a car was watched (`recurrence.exposure`),
how late claims are reported (`recurrence.reporting_lag`), expectation, evidence.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from models.claim_expectation import Followed
from models.recurrence.denominators import fleet_size
from models.recurrence.exposure import (
    DAYS_PER_MONTH,
    ClaimRecords,
    day_number,
    repair_events,
    watch_vehicles,
)
from models.recurrence.reporting_lag import fit_reporting_lag

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

    from models.claim_expectation import Array
    from models.recurrence.reporting_lag import LagLaw
    from models.recurrence.settings import RecurrenceSettings

# Kind of cohort: the expression that names a car's cohort, null where it cannot be told.
COHORT_KINDS: dict[str, pl.Expr] = {
    "build_month": pl.col("build_month"),
    "build_month_and_plant": pl.col("build_month") + " / " + pl.col("plant"),
    "plant": pl.col("plant"),
    "region": pl.col("region"),
}
KIND_WORDS = {
    "build_month": "build months",
    "build_month_and_plant": "build months and plants",
    "plant": "plants",
    "region": "regions",
}
# Points of a month at which the share of claims reported is averaged.
_POINTS = 30


@dataclass(frozen=True)
class Claims:
    """What is known on a day: cars watched, first claims, and how late claims are reported.

    `cars`: model, a column per kind, weight, and service, entry and exit as `*_back`, months
    before the day. `claims`: vehicle_id, component, `arose_back`, `reported_back` (months,
    not whole), model, kinds, age (months in service). `can_tell` is false where the size of
    the fleet is not known.
    """

    cars: pl.DataFrame
    claims: pl.DataFrame
    reported: Array
    can_tell: bool


@dataclass(frozen=True)
class CohortClaims:
    """The cohorts of one kind, model and component.

    `reported` is the share of claims reported within so many months; `reports` holds, per
    cohort, when its claims were reported, in months since the first month of `followed`.
    """

    kind_code: str
    model_id: str
    component: str
    cohorts: tuple[str, ...]
    followed: Followed
    reported: Array
    reports: tuple[Array, ...]


def known_claims(records: ClaimRecords, settings: RecurrenceSettings, last_day: date) -> Claims:
    """What the registry tells on a day; claims reported later do not exist."""
    watches = watch_vehicles(records, settings, last_day)
    fleet = fleet_size(records, watches, settings)
    today = pl.lit(last_day).cast(pl.Date).cast(pl.Int32)
    repairs = _reported(records.repairs).filter(day_number("reported_at") <= today)
    known = ClaimRecords(records.vehicles, records.models, repairs, records.volumes, records.tests)
    cars = fleet.watches.filter(pl.col("reason_code").is_null()).select(
        "vehicle_id",
        "weight",
        pl.col("model").alias("model_id"),
        *(
            _months_back(day_number, today)
            for day_number in ("service_day", "enter_day", "leave_day")
        ),
        *(expression.alias(kind) for kind, expression in COHORT_KINDS.items()),
    )
    claims = _first_claims(repair_events(known, watches).events, repairs, today)
    age = pl.col("service_day_back") - pl.col("arose_back").floor().cast(pl.Int64)
    return Claims(
        cars,
        claims.join(cars, on="vehicle_id").with_columns(age=age).filter(pl.col("age") >= 0),
        monthly_shares(fit_reporting_lag(repairs, last_day)),
        fleet.basis != "presented",
    )


def _reported(repairs: pl.DataFrame) -> pl.DataFrame:
    """The repairs with the instant they were reported, which is that of the repair at least."""
    instant = pl.Datetime("us", "UTC")
    stated = pl.col("reported_at") if "reported_at" in repairs.columns else pl.lit(None)
    done = pl.col("performed_at").cast(instant)
    return repairs.with_columns(
        performed_at=done, reported_at=pl.max_horizontal(stated.cast(instant), done)
    )


def _first_claims(events: pl.DataFrame, repairs: pl.DataFrame, today: pl.Expr) -> pl.DataFrame:
    """First event per car and component: months since it arose and since it was reported."""
    reports = repairs.group_by(
        "vehicle_id", "component", day_number("performed_at").alias("day")
    ).agg(reported_day=pl.col("reported_at").min().dt.epoch("s") / 86400.0)
    first = events.sort("vehicle_id", "component", "day").unique(
        ["vehicle_id", "component"], keep="first", maintain_order=True
    )
    return first.join(reports, on=["vehicle_id", "component", "day"]).select(
        "vehicle_id",
        "component",
        arose_back=(today - pl.col("day")) / DAYS_PER_MONTH,
        reported_back=((today + 1 - pl.col("reported_day")) / DAYS_PER_MONTH).clip(0.0),
    )


def _months_back(column: str, today: pl.Expr) -> pl.Expr:
    whole = ((today - pl.col(column)) / DAYS_PER_MONTH).floor().cast(pl.Int64)
    return whole.alias(f"{column}_back")


def monthly_shares(lag: LagLaw) -> Array:
    """Share of the claims of a month that is reported by the end of it, of the next, ..."""
    if not lag.is_known:
        return np.ones(1)
    n_months = int(lag.share.size / DAYS_PER_MONTH) + 2
    waited = (np.arange(n_months)[:, None] + (np.arange(_POINTS) + 0.5) / _POINTS) * DAYS_PER_MONTH
    return np.asarray(lag.reported_by(waited).mean(axis=1))


def cohort_claims(claims: Claims, ages: int, kinds: tuple[str, ...]) -> Iterator[CohortClaims]:
    """The cohorts of each kind, model and component, with their claims up to an age.

    A kind that gives one cohort only, or none, has nothing to compare; neither has a list of
    cars that is not the fleet.
    """
    if claims.cars.is_empty() or not claims.can_tell:
        return
    n_months = 1 + int(claims.cars["service_day_back"].max() or 0)  # type: ignore[arg-type]
    young = claims.claims.filter(pl.col("age") < ages).sort("vehicle_id", "component")
    for (model,), own in claims.cars.sort("model_id", "vehicle_id").group_by(
        "model_id", maintain_order=True
    ):
        of_model = young.filter(pl.col("model_id") == model)
        for kind in kinds:
            grid = _Grid(kind, str(model), ages, n_months, claims.reported)
            named = own.filter(pl.col(kind).is_not_null())
            if named[kind].n_unique() > 1:
                yield from _by_component(named, of_model.filter(pl.col(kind).is_not_null()), grid)


@dataclass(frozen=True)
class _Grid:
    """What the cohorts of one kind and model have in common."""

    kind: str
    model: str
    ages: int
    n_months: int
    reported: Array


def _by_component(cars: pl.DataFrame, claims: pl.DataFrame, grid: _Grid) -> Iterator[CohortClaims]:
    cohorts = cars[grid.kind].unique().sort().to_list()
    place = {name: number for number, name in enumerate(cohorts)}
    at_risk = _at_risk(cars, place, grid)
    for (component,), own in claims.group_by("component", maintain_order=True):
        whose = own[grid.kind].replace_strict(place, return_dtype=pl.Int64).to_numpy()
        table = np.zeros((len(place), grid.ages, grid.n_months))
        month = grid.n_months - 1 - own["arose_back"].floor().cast(pl.Int64).to_numpy()
        np.add.at(table, (whose, own["age"].to_numpy(), month), 1.0)
        times = grid.n_months - own["reported_back"].to_numpy()
        reports = tuple(np.sort(times[whose == number]) for number in range(len(place)))
        yield CohortClaims(
            grid.kind, grid.model, str(component), tuple(cohorts), Followed(at_risk, table),
            grid.reported, reports,
        )  # fmt: skip


def _at_risk(cars: pl.DataFrame, place: dict[str, int], grid: _Grid) -> Array:
    """Cars at risk by cohort, age and month, (c, a, t); half of those that come in a month."""
    last = grid.n_months - 1
    whose = cars[grid.kind].replace_strict(place, return_dtype=pl.Int64).to_numpy()
    service, enter, leave = (
        last - cars[f"{name}_day_back"].to_numpy() for name in ("service", "enter", "leave")
    )
    weight = cars["weight"].to_numpy().astype(float)
    change = np.zeros((len(place), grid.n_months, grid.n_months + 1))
    np.add.at(change, (whose, service, enter), weight)
    np.add.at(change, (whose, service, leave + 1), -weight)
    present = change.cumsum(axis=2)[:, :, :-1]
    at_risk = np.zeros((len(place), grid.ages, grid.n_months))
    for age in range(min(grid.ages, grid.n_months)):
        came = np.arange(grid.n_months - age)
        at_risk[:, age, age:] = present[:, came, came + age]
    at_risk[:, 0] *= 0.5
    return at_risk
