"""Rows of `CLAIM_FORECASTS`: models and components month by month, and all months together.

Takes what was prepared, cars and repairs by months, and the ledger of models. Does not belong
here: drawing (`forecasts`), seasons (`seasons`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from models.recurrence.clocks import CLOCKS
from models.recurrence.cohort_rows import ages_of, occupied, vehicle_variance
from models.recurrence.defects import fit_defects
from models.recurrence.exposure import DAYS_PER_MONTH
from models.recurrence.forecasts import (
    Drawn,
    History,
    Service,
    draw_claims,
    interval,
    interval_of_counts,
)
from models.recurrence.ledger import component_ledger
from models.recurrence.mean_cumulative import mean_cumulative
from models.recurrence.seasons import fit_seasons
from models.recurrence.weibull import LifeCounts, fit_weibull

if TYPE_CHECKING:
    from datetime import date

    from numpy.typing import NDArray

    from models.recurrence.clocks import Aged
    from models.recurrence.ledger import ComponentLedger, Ledger
    from models.recurrence.recurrence import Prepared

# The same inputs give the same draws.
_SEED = 19_630_501
# Ages in service are taken together to so many days.
_AGE_DAYS = 5
# A defect of a share of the cars is looked for from so many failures on, and counts in the
# draws from so much weight on; it is said to be the law from `_SURE_WEIGHT` on.
_LEAST_DEFECT_FAILURES = 20
_LEAST_WEIGHT, _SURE_WEIGHT = 0.38, 0.9
_LEAST_FOR_A_LAW = 5


@dataclass(frozen=True)
class _Ahead:
    """The months ahead: first days (m + 1,), and months of the year, (m,)."""

    starts: list[date]
    months: NDArray[np.int64]


def forecast_rows(prepared: Prepared, aged: Aged, ledger: Ledger) -> pl.DataFrame:
    """Forecasts of all models and components with repairs enough for a law."""
    ahead = _months_ahead(prepared.as_of, prepared.settings.forecast_months)
    rng = np.random.default_rng(_SEED)
    rows: list[dict[str, object]] = []
    in_service = _services(prepared, aged, ledger)
    for component in prepared.components:
        events = aged.of(component)
        counted = component_ledger(ledger, events)
        variance = _differences(ledger, counted)
        for number, model in enumerate(ledger.cohorts["model"]):
            of_it = events.filter(pl.Series(counted.repairs.cohort == number))
            history = _history(ledger, counted, number, (variance, of_it))
            service = in_service[number]
            if history is None or service.n_cars.sum() <= 0:
                continue
            cars = aged.cars.filter(pl.col("model").eq_missing(pl.lit(model)))
            law = (float(history.law.shape[0]), float(history.law.scale[0]))
            seasons = fit_seasons(cars, of_it, law)
            drawn = draw_claims(rng, history, service, seasons, ahead.months)
            key = {"model": model, "component": component}
            rows += _told(key | {"basis_code": prepared.denominator.basis}, history, drawn, ahead)
    return pl.DataFrame(rows, infer_schema_length=None)


def _months_ahead(as_of: date, n_months: int) -> _Ahead:
    begin = pl.Series([as_of]).cast(pl.Date)
    starts = [begin.dt.offset_by(f"{month}mo")[0] for month in range(n_months + 1)]
    middles = pl.Series(starts[:-1]).dt.offset_by("15d").dt.month().to_numpy().astype(np.int64)
    return _Ahead(starts, middles - 1)


def _differences(ledger: Ledger, counted: ComponentLedger) -> tuple[float, np.ndarray]:
    """Variance between cars over all models, and the dispersion of each model's count."""
    means = mean_cumulative(ledger.spans, counted.repairs, ledger.shape)
    found = vehicle_variance(ledger, counted, means)
    return found.pooled, found.dispersion


def _history(
    ledger: Ledger,
    counted: ComponentLedger,
    number: int,
    more: tuple[tuple[float, np.ndarray], pl.DataFrame],
) -> History | None:
    """The law of a model's repairs; None with too few of them."""
    (variance, dispersion), events = more
    row = np.array([number])
    lives = _all_repairs_as_lives(ledger, counted, row)
    if lives.failures.sum() < _LEAST_FOR_A_LAW:
        return None
    law = fit_weibull(lives)
    if not np.isfinite(law.shape[0]):
        return None
    defects = None
    first = occupied(counted.lives, row)
    if first.failures.sum() >= _LEAST_DEFECT_FAILURES:
        defects = fit_defects(ages_of(first, 0))
        if defects is not None and defects.weight < _LEAST_WEIGHT:
            defects = None
    costs = events["cost"].drop_nulls().to_numpy()
    return History(lives, law, variance, float(dispersion[number]), costs, defects)


def _all_repairs_as_lives(
    ledger: Ledger, counted: ComponentLedger, row: NDArray[np.int64]
) -> LifeCounts:
    """All repairs, first or not, over all cars watched: the law of their rate by age."""
    bins, step = np.arange(ledger.shape[1]), ledger.clock.step
    # the rise and fall of cars at risk are their entries and leavings
    change = np.diff(ledger.at_risk[row], axis=1, append=0.0)
    exposure = -change
    middle, end = np.asarray((bins + 0.5) * step), np.asarray((bins + 1.0) * step)
    some, more = counted.counts[row].any(axis=0), exposure.any(axis=0)
    return LifeCounts(middle[some], counted.counts[row][:, some], end[more], exposure[:, more])


def _services(prepared: Prepared, aged: Aged, ledger: Ledger) -> list[Service]:
    """Cars of each model that are still in service, by age on the day of the forecast."""
    since = (prepared.as_of - prepared.last_day).days
    stays = aged.cars.filter(pl.col("ending_code") == "as_of")
    left = aged.cars.filter(pl.col("ending_code") == "last_seen")
    services = []
    for number, model in enumerate(ledger.cohorts["model"]):
        is_it = pl.col("model").eq_missing(pl.lit(model))
        age_days = (pl.col("leave_bin") + since) // _AGE_DAYS * _AGE_DAYS + _AGE_DAYS / 2
        ages = stays.filter(is_it).group_by(age_days.alias("days")).agg(pl.col("weight").sum())
        ages = ages.sort("days")
        n_left = float(left.filter(is_it)["weight"].sum())
        watched = float(ledger.at_risk[number].sum()) * CLOCKS["months"].step
        services.append(
            Service(
                ages["days"].to_numpy() / DAYS_PER_MONTH, ages["weight"].to_numpy() * 1.0,
                n_left / max(watched, 1e-300), n_left, _last_age(prepared, model),
            )
        )  # fmt: skip
    return services


def _last_age(prepared: Prepared, model: str | None) -> float:
    """Months in service at which the watch of a model's cars ends."""
    if not prepared.settings.is_warranty_only:
        return np.inf
    months = prepared.records.models.filter(pl.col("model_id") == model)["warranty_months"]
    known = months.drop_nulls()
    return float(known[0]) if known.len() else np.inf


def _told(
    key: dict[str, object], history: History, drawn: Drawn, ahead: _Ahead
) -> list[dict[str, object]]:
    """One row per month, and one of all of them."""
    mean_cost = float(history.costs.mean()) if history.costs.size else None
    said = key | {"method_code": _method(history)}
    n_months = ahead.months.size
    spans = [(0, 0, n_months), *((month + 1, month, month + 1) for month in range(n_months))]
    rows = []
    for number, begin, end in spans:
        low, high, held = interval_of_counts(drawn.claims[:, begin:end].sum(axis=1))
        expected = float(drawn.expected[begin:end].sum())
        row = said | {
            "month_number": number,
            "begins_on": ahead.starts[begin],
            "ends_on": ahead.starts[end] - timedelta(days=1),
            "n_vehicles": float(drawn.n_cars[begin]),
            "claims": expected,
            "claims_low": low,
            "claims_high": high,
            "claims_share_held": held,
        }
        if mean_cost is not None:
            reserve = interval(drawn.costs[:, begin:end].sum(axis=1))
            row |= {
                "mean_cost": mean_cost,
                "reserve": expected * mean_cost,
                "reserve_low": reserve[0],
                "reserve_high": reserve[1],
            }
        rows.append(row)
    return rows


def _method(history: History) -> str:
    if history.defects is None:
        return "power_law"
    return "defects" if history.defects.weight >= _SURE_WEIGHT else "either"
