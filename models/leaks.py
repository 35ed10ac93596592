"""Leak rates from weighed services, and what these teach of a model's reserve.

Takes repairs, vehicles and models of the registry, gives the rows of `LEAKS` that rest on
recovered mass: what is gone since the charge was full, over the time between. And from
services with a test shortly before them the reserve in grams and the kelvins of subcooling
per gram of a model, as a `LeakPrior`. Does not belong here: leaks seen by subcooling alone
(`hinge`), words (`drift_sentences`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import log_ndtr

from models.leak_priors import PUBLISHED, LeakPrior
from models.visits import years_between

if TYPE_CHECKING:
    from models.settings import AssessmentSettings

Array = NDArray[np.float64]

# Share of what is in the circuit that a service station gets out of it [default].
RECOVERED_SHARE = 0.95
# A period shorter than this says nothing of a rate per year.
_LEAST_YEARS = 0.1
# With less than this share of the charge left the circuit may have been empty for long.
_EMPTY_SHARE = 0.1
_RATES = np.geomspace(0.5, 20000.0, 400)
# Actions that leave the charge as specified where the mass is not noted.
_FILLS = ("recharge", "leak_repair")
# A test tells of the charge at a service when it is not older than this.
_TEST_BEFORE = pl.duration(days=60)
_LEAST_SERVICES = 5
# Beyond this deviation of its logarithm the kelvins per gram count as not known.
_MOST_LOG_DEVIATION = 0.4
# Cars of one model differ by about so much in reserve and kelvins per gram [default].
_LOG_VARIANCE_OF_CARS = 0.1**2
_KELVIN_PER_GRAM = np.geomspace(0.01, 1.0, 60)
_RESERVES_G = np.geomspace(10.0, 400.0, 48)


@dataclass(frozen=True)
class RateLaw:
    """Median and ends of the 90 % interval of many leak rates, g/a, (m,) each."""

    middle: Array
    low: Array
    high: Array


def fillings(repairs: pl.DataFrame, models: pl.DataFrame, vehicles: pl.DataFrame) -> pl.DataFrame:
    """When each car was full and with how much: vehicle_id, full_at, full_g (null: not known)."""
    of_car = vehicles.select("vehicle_id", "model_id").join(
        models.select("model_id", "charge_g"), on="model_id", how="left"
    )
    is_filled = pl.col("charged_g").is_not_null() | pl.col("action").is_in(_FILLS).fill_null(
        value=False
    )
    return (
        repairs.filter(is_filled)
        .join(of_car, on="vehicle_id")
        .select(
            "vehicle_id",
            pl.col("performed_at").alias("full_at"),
            pl.coalesce("charged_g", "charge_g").alias("full_g"),
        )
        .sort("full_at")
    )


def weighed_services(
    repairs: pl.DataFrame, models: pl.DataFrame, vehicles: pl.DataFrame
) -> pl.DataFrame:
    """Services with a recovered mass and a known full charge before them.

    Gives vehicle_id, model_id, since_at, until_at, years, lost_g, full_g. A new car counts as
    full when it went into service.
    """
    new = (
        vehicles.join(models.select("model_id", "charge_g"), on="model_id", how="left")
        .filter(pl.col("in_service_date").is_not_null())
        .select(
            "vehicle_id",
            pl.col("in_service_date").cast(pl.Datetime("us", "UTC")).alias("full_at"),
            pl.col("charge_g").alias("full_g"),
        )
    )
    full = pl.concat([new, fillings(repairs, models, vehicles)]).sort("full_at")
    return (
        repairs.filter(pl.col("recovered_g").is_not_null())
        .sort("performed_at")
        .join_asof(
            full,
            left_on="performed_at",
            right_on="full_at",
            by="vehicle_id",
            strategy="backward",
            allow_exact_matches=False,
            check_sortedness=False,
        )
        .join(vehicles.select("vehicle_id", "model_id"), on="vehicle_id")
        .select(
            "vehicle_id",
            "model_id",
            pl.col("full_at").alias("since_at"),
            pl.col("performed_at").alias("until_at"),
            years_between(pl.col("full_at"), pl.col("performed_at")).alias("years"),
            (pl.col("full_g") - pl.col("recovered_g") / RECOVERED_SHARE).alias("lost_g"),
            "full_g",
        )
        .filter(pl.col("lost_g").is_not_null() & (pl.col("years") >= _LEAST_YEARS))
        .sort("vehicle_id", "until_at")
    )


def weighed_rates(services: pl.DataFrame, settings: AssessmentSettings) -> pl.DataFrame:
    """The services with rate_g_per_year and the ends of its 90 % interval.

    The published rates are the prior. From a circuit found empty it is only known that at
    least its charge is gone.
    """
    lost, years, full = (services[name].to_numpy() for name in ("lost_g", "years", "full_g"))
    score = (_RATES * years[:, None] - lost[:, None]) / settings.weighing_uncertainty_g
    is_empty = (lost > (1.0 - _EMPTY_SHARE) * full)[:, None]
    log_weights = np.where(is_empty, log_ndtr(score), -0.5 * score**2) + _log_prior_of_rates()
    law = _rate_law(log_weights)
    return services.with_columns(
        pl.Series("rate_g_per_year", law.middle, pl.Float64),
        pl.Series("rate_low_g_per_year", law.low, pl.Float64),
        pl.Series("rate_high_g_per_year", law.high, pl.Float64),
        pl.Series("is_empty", is_empty[:, 0], pl.Boolean),
    )


def _log_prior_of_rates() -> Array:
    """Published prior over the rates of the grid, whose steps are equal in the logarithm."""
    log_rate = np.log(_RATES)
    kinds = [
        np.log(kind.share / kind.log_sigma)
        - 0.5 * ((log_rate - kind.log_mean) / kind.log_sigma) ** 2
        for kind in PUBLISHED.kinds
    ]
    return np.asarray(np.logaddexp.reduce(kinds))


def _rate_law(log_weights: Array) -> RateLaw:
    weights = np.exp(log_weights - log_weights.max(axis=1, keepdims=True, initial=-np.inf))
    cumulated = np.cumsum(weights, axis=1)
    shares = (cumulated - 0.5 * weights) / np.maximum(cumulated[:, -1:], 1e-300)
    log_rate = np.log(_RATES)

    def quantile(share: float) -> Array:
        return np.array([np.exp(np.interp(share, row, log_rate)) for row in shares])

    return RateLaw(quantile(0.5), quantile(0.05), quantile(0.95))


def learn_priors(
    services: pl.DataFrame, residuals: pl.DataFrame, settings: AssessmentSettings
) -> dict[tuple[str, str, str], LeakPrior]:
    """Reserve and kelvins per gram by (model, feature, regime), where services teach them.

    Parameters
    ----------
    services : frame
        As from `weighed_services`.
    residuals : frame
        vehicle_id, tested_at, feature, regime, observed, expected, spread of subcooling.
    """
    latest = (
        residuals.filter(pl.col("expected").is_not_null())
        .sort("tested_at")
        .join(services.select("vehicle_id", "model_id", "until_at", "lost_g"), on="vehicle_id")
        .filter(
            (pl.col("tested_at") <= pl.col("until_at"))
            & (pl.col("tested_at") >= pl.col("until_at") - _TEST_BEFORE)
        )
        .group_by("vehicle_id", "until_at", "model_id", "feature", "regime")
        .agg(pl.col("observed", "expected", "spread", "lost_g").last())
    )
    learned = {}
    for key, rows in latest.group_by("model_id", "feature", "regime"):
        if rows.height >= _LEAST_SERVICES:
            prior = _learn(rows.sort("vehicle_id", "until_at"), settings.weighing_uncertainty_g)
            if prior is not None:
                learned[tuple(str(part) for part in key)] = prior
    return {(key[0], key[1], key[2]): learned[key] for key in sorted(learned)}


def _learn(rows: pl.DataFrame, weighing_g: float) -> LeakPrior | None:
    """The posterior of reserve and kelvins per gram as log-normals; None while too wide."""
    lost, spread, expected = (
        rows[name].to_numpy()[:, None, None] for name in ("lost_g", "spread", "expected")
    )
    fall = expected - rows["observed"].to_numpy()[:, None, None]
    per_gram, reserve = _KELVIN_PER_GRAM[:, None], _RESERVES_G
    course = np.minimum(per_gram * np.maximum(lost - reserve, 0.0), expected)
    steep = np.where((lost > reserve) & (course < expected), per_gram, 0.0)
    variance = spread**2 + (steep * weighing_g) ** 2
    log_weights = (-0.5 * ((fall - course) ** 2 / variance + np.log(variance))).sum(axis=0)
    log_weights -= (np.log(per_gram) - PUBLISHED.kelvin_log_mean) ** 2 / (
        2.0 * PUBLISHED.kelvin_log_variance
    )
    log_weights -= (np.log(reserve) - PUBLISHED.reserve_log_mean) ** 2 / (
        2.0 * PUBLISHED.reserve_log_variance
    )
    weights = np.exp(log_weights - log_weights.max())
    weights /= weights.sum()
    of_kelvin = _moments(np.log(_KELVIN_PER_GRAM), weights.sum(axis=1))
    of_reserve = _moments(np.log(_RESERVES_G), weights.sum(axis=0))
    away = (np.log(per_gram) - of_kelvin[0]) * (np.log(reserve) - of_reserve[0])
    if of_kelvin[1] > _MOST_LOG_DEVIATION**2:
        return None
    return replace(
        PUBLISHED,
        kelvin_log_mean=of_kelvin[0],
        kelvin_log_variance=of_kelvin[1] + _LOG_VARIANCE_OF_CARS,
        reserve_log_mean=of_reserve[0],
        reserve_log_variance=of_reserve[1] + _LOG_VARIANCE_OF_CARS,
        log_covariance=float((weights * away).sum()),
        is_learned=True,
    )


def _moments(values: Array, weights: Array) -> tuple[float, float]:
    mean = float((weights * values).sum())
    # the step of the grid bounds how well anything is known
    step = float(values[1] - values[0])
    return mean, float((weights * (values - mean) ** 2).sum()) + step**2 / 12.0
