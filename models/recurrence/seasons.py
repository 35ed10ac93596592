"""How many repairs fall into each month of the year, beyond what ages of the cars explain.

Air conditioning fails when it is used, and is missed when it is hot: the same car brings more
repairs in June than in January. Takes cars and events by months in service and the law of
their ages, gives a factor per calendar month with its uncertainty. Does not belong here: the
law (`weibull`), climate (`climate`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.recurrence.exposure import DAYS_PER_MONTH

Array = NDArray[np.float64]

# The seasons of less than two years may be growth of the fleet.
_LEAST_YEARS = 2.0
_LEAST_REPAIRS = 60
_MOST_CERTAIN = 1e6


@dataclass(frozen=True)
class Seasons:
    """Gamma laws of the factors of the twelve months: shape and rate, (12,) each."""

    shape: Array
    rate: Array

    @property
    def factor(self) -> Array:
        """The expected factors, (12,)."""
        return np.asarray(self.shape / self.rate)


def no_seasons() -> Seasons:
    """Factors of 1 that are known for certain."""
    return Seasons(np.full(12, _MOST_CERTAIN), np.full(12, _MOST_CERTAIN))


def fit_seasons(cars: pl.DataFrame, events: pl.DataFrame, law: tuple[float, float]) -> Seasons:
    """The factors by months of the year.

    Parameters
    ----------
    cars : service_day, enter_day, leave_day, weight
    events : day
    law : shape and scale in months of the repairs of a car, (age / scale)^shape of them
    """
    if events.height < _LEAST_REPAIRS or cars.is_empty():
        return no_seasons()
    starts = _month_starts(cars)
    if (starts[-1] - starts[0]) / 365.25 < _LEAST_YEARS:
        return no_seasons()
    of_year = (starts[:-1] + 15).astype("datetime64[D]").astype("datetime64[M]").astype(int) % 12
    expected = np.bincount(of_year, _expected(cars, starts, law), 12).astype(np.float64)
    months = events.select((pl.col("day").cast(pl.Date).dt.month() - 1).alias("month"))["month"]
    observed = np.bincount(months.to_numpy(), minlength=12).astype(np.float64)
    expected *= observed.sum() / max(float(expected.sum()), 1e-300)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = observed / expected
        by_chance = 1.0 / expected
    told = np.isfinite(ratio)
    spread = float(ratio[told].var() - by_chance[told].mean())
    prior = min(1.0 / max(spread, 1.0 / _MOST_CERTAIN), _MOST_CERTAIN)
    return Seasons(np.asarray(observed + prior), np.asarray(expected + prior))


def _month_starts(cars: pl.DataFrame) -> NDArray[np.int64]:
    """First days of the calendar months from the first watch to the last, and the day after."""
    first, last = cars.select(
        pl.col("enter_day").min().cast(pl.Date), pl.col("leave_day").max().cast(pl.Date)
    ).row(0)
    end = np.datetime64(last, "M") + np.timedelta64(2, "M")
    months = np.arange(np.datetime64(first, "M"), end)
    return np.asarray(months.astype("datetime64[D]").astype(np.int64))


def _expected(cars: pl.DataFrame, starts: NDArray[np.int64], law: tuple[float, float]) -> Array:
    """Repairs expected in each calendar month by the ages of the cars alone."""
    days = ("service_day", "enter_day", "leave_day")
    # to a third of a month: the factors need no more, and a million cars become thousands
    coarse = cars.group_by((pl.col(name) // 10 * 10 + 5).alias(name) for name in days).agg(
        pl.col("weight").sum()
    )
    service, enter, leave = (coarse[name].to_numpy()[:, None] for name in days)
    at = np.clip(starts[None, :], enter, np.maximum(leave, enter)) - service
    shape, scale = law
    hazard = (np.maximum(at, 0.0) / DAYS_PER_MONTH / scale) ** shape
    return np.asarray(coarse["weight"].to_numpy() @ np.diff(hazard, axis=1))
