"""Rows of `RECURRENCES` and `RECURRENCE_CURVES` for one cut of the cars and one component.

Takes a `Ledger` and the component's counts, gives the estimates of all cohorts side by side
as columns. Does not belong here: which cuts are made (`recurrence`), the estimators, the words
(`recurrence_sentences`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.recurrence.contrasts import Exposed, contrast_with_sound
from models.recurrence.defects import Ages, fit_defects
from models.recurrence.heterogeneity import extra_variation, laplace_trend
from models.recurrence.mean_cumulative import MeanCumulative, mean_cumulative
from models.recurrence.product_limit import CONFIDENCE, product_limit
from models.recurrence.weibull import LifeCounts, fit_weibull

if TYPE_CHECKING:
    from models.recurrence.ledger import ComponentLedger, Ledger
    from models.recurrence.settings import RecurrenceSettings

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Ages at which cohorts are told: the latest of these that enough cars have reached [default].
_TOLD_AT = {
    "months": (12.0, 24.0, 36.0, 48.0, 60.0),
    "km": (20_000.0, 40_000.0, 60_000.0, 80_000.0, 100_000.0),
    "cooling": (250.0, 500.0, 1000.0, 1500.0, 2000.0),
}
# Points of a stored curve are so far apart, in units of the clock.
CURVE_STEPS = {"months": 1.0, "km": 2500.0, "cooling": 50.0}
# A defect of a part of the cars is looked for with so many failures only, and told from this p.
_LEAST_DEFECT_FAILURES = 10
_MOST_SEARCHED = 12
_EXPOSURE_AGES = 300
DEFECT_P = 0.01


@dataclass(frozen=True)
class Estimates:
    """All that is estimated of the cohorts of one cut and component, (k,) or (k, b) each."""

    columns: dict[str, Array]
    means: MeanCumulative
    failed_share: Array
    failed_low: Array
    failed_high: Array


def estimate(ledger: Ledger, counted: ComponentLedger, settings: RecurrenceSettings) -> Estimates:
    """The estimates of all cohorts; NaN where a cohort is too small for one."""
    means = mean_cumulative(ledger.spans, counted.repairs, ledger.shape)
    survival = product_limit(counted.first, counted.at_risk_of_first)
    low, high = survival.interval()
    told = told_bins(ledger, settings.least_vehicles)
    columns = _watched(ledger, counted)
    variance = vehicle_variance(ledger, counted, means)
    columns |= variance.columns
    columns |= _at_told_age(ledger, told, means, (1.0 - survival.share, 1.0 - high, 1.0 - low))
    columns |= _contrast_columns(ledger, counted, variance.dispersion, settings)
    columns |= _weibull_columns(counted, settings, _is_worth_a_search(columns, settings))
    columns |= _trend_columns(ledger, counted, settings)
    return Estimates(columns, means, 1.0 - survival.share, 1.0 - high, 1.0 - low)


def told_bins(ledger: Ledger, least_vehicles: int) -> NDArray[np.int64]:
    """The last bin before the age at which each cohort is told, (k,); -1: too few cars."""
    ladder = _TOLD_AT[ledger.clock.name]
    enough = ledger.at_risk >= least_vehicles
    # cars that enter late leave the first ages to few; what counts is how far enough are seen
    reach = np.where(enough.any(axis=1), ledger.shape[1] - np.argmax(enough[:, ::-1], axis=1), 0)
    steps = np.floor(np.array(ladder) / ledger.clock.step).astype(np.int64)
    reached = (steps[None, :] <= reach[:, None]).sum(axis=1)
    chosen = np.where(reached > 0, steps[np.maximum(reached - 1, 0)], reach)
    return np.asarray(chosen - 1, dtype=np.int64)


def _watched(ledger: Ledger, counted: ComponentLedger) -> dict[str, Array]:
    repairs, n = counted.repairs, ledger.shape[0]
    begins = np.flatnonzero(np.r_[True, np.diff(repairs.car) != 0][: repairs.car.size])
    is_again = np.diff(np.r_[begins, repairs.car.size]) > 1
    return {
        "age_watched": ledger.at_risk.sum(axis=1) * ledger.clock.step,
        "n_repairs": counted.counts.sum(axis=1),
        "n_failed": counted.first.sum(axis=1),
        "n_again": np.bincount(repairs.cohort[begins[is_again]], minlength=n) * 1.0,
    }


@dataclass(frozen=True)
class Variation:
    """How much cars differ: columns of the row, by how much counts are over-dispersed, over all."""

    columns: dict[str, Array]
    dispersion: Array
    pooled: float


def vehicle_variance(ledger: Ledger, counted: ComponentLedger, means: MeanCumulative) -> Variation:
    """Variance of the factor by which cars of a cohort differ, from counts car by car.

    The dispersion that comparisons allow for is that of the whole cut: cohorts of few cars
    cannot tell their own.
    """
    spans, repairs, n = ledger.spans, counted.repairs, ledger.shape[0]
    expected = _expected(means.mean, spans.cohort, spans.enter_bin, spans.leave_bin)
    squares = np.bincount(spans.cohort, spans.weight * expected**2, n)
    totals = np.bincount(spans.cohort, spans.weight * expected, n)
    is_last = np.r_[repairs.car[1:] != repairs.car[:-1], True][: repairs.car.size]
    begins = np.flatnonzero(np.r_[True, is_last[:-1]]) if repairs.car.size else np.empty(0, int)
    count = np.diff(np.r_[begins, repairs.car.size]).astype(np.float64)
    cohort = repairs.cohort[begins]
    of_car = _expected(means.mean, cohort, repairs.enter_bin[begins], repairs.leave_bin[begins])
    # (n - e)^2 - n of cars with failures, beyond the e^2 that every car has
    excess = squares + np.bincount(cohort, count**2 - 2.0 * count * of_car - count, n)
    variance, trial = extra_variation(excess.astype(np.float64), squares.astype(np.float64))
    told = totals > 0.0
    variance = np.where(told, variance, np.nan)
    p_value = np.where(told, trial.p_value, np.nan)
    pooled = max(float(excess.sum()), 0.0) / max(float(squares.sum()), 1e-300)
    raised = np.divide(squares, totals, out=np.zeros(n), where=told)
    columns = {"vehicle_variance": variance, "vehicle_variance_p_value": p_value}
    return Variation(columns, 1.0 + pooled * raised, pooled)


def _expected(
    mean: Array, cohort: NDArray[np.int64], enter: NDArray[np.int64], leave: NDArray[np.int64]
) -> Array:
    before = np.where(enter > 0, mean[cohort, np.maximum(enter - 1, 0)], 0.0)
    return np.asarray(mean[cohort, leave] - before)


def _at_told_age(
    ledger: Ledger,
    told: NDArray[np.int64],
    means: MeanCumulative,
    failed: tuple[Array, Array, Array],
) -> dict[str, Array]:
    low, high = means.interval()
    curves = {
        "at_risk": ledger.at_risk,
        "failed_share": failed[0],
        "failed_share_low": failed[1],
        "failed_share_high": failed[2],
        "repairs_per_vehicle": means.mean,
        "repairs_per_vehicle_low": low,
        "repairs_per_vehicle_high": high,
    }
    row = np.arange(told.size)
    at = np.maximum(told, 0)
    columns = {name: np.where(told >= 0, curve[row, at], np.nan) for name, curve in curves.items()}
    # before the first failure the intervals are one-sided: so few could still hide that often
    hidden = -np.log(0.5 - 0.5 * CONFIDENCE) / np.maximum(columns["at_risk"], 1.0)
    is_none = columns["repairs_per_vehicle"] == 0.0
    for name, high_end in (
        ("failed_share_high", -np.expm1(-hidden)),
        ("repairs_per_vehicle_high", hidden),
    ):
        columns[name] = np.where(is_none, high_end, columns[name])
    return {"told_at": np.where(told >= 0, (told + 1.0) * ledger.clock.step, np.nan)} | columns


def _is_worth_a_search(columns: dict[str, Array], settings: RecurrenceSettings) -> Flags:
    """Where a defect of some cars is looked for: all of a small cut, else what stands out."""
    is_enough: Flags = np.greater_equal(columns["n_failed"], _LEAST_DEFECT_FAILURES)
    if is_enough.size <= _MOST_SEARCHED:
        return is_enough
    is_clear: Flags = np.less_equal(columns["q_value"], settings.false_discovery_rate)
    is_worse: Flags = np.greater(columns["n_repairs"], columns["expected_repairs"])
    return is_enough & is_clear & is_worse


def _weibull_columns(
    counted: ComponentLedger, settings: RecurrenceSettings, is_searched: Flags
) -> dict[str, Array]:
    n_failed = counted.first.sum(axis=1)
    rows = np.flatnonzero(n_failed >= settings.least_failures)
    names = ("weibull_shape", "weibull_scale", "defective_share")
    columns = {
        name + end: np.full(n_failed.size, np.nan)
        for name in names
        for end in ("", "_low", "_high")
    }
    columns["defective_p_value"] = np.full(n_failed.size, np.nan)
    if not rows.size:
        return columns
    lives = occupied(counted.lives, rows)
    fit = fit_weibull(with_coarse_exposure(lives))
    scale = fit.scale_interval()
    for name, values, ends in (
        ("weibull_shape", fit.shape, fit.shape_interval),
        ("weibull_scale", fit.scale, scale),
    ):
        for end, column in (("", values), ("_low", ends[:, 0]), ("_high", ends[:, 1])):
            columns[name + end][rows] = np.where(np.isfinite(column), column, np.nan)
    for place, row in enumerate(rows):
        if is_searched[row] and np.isfinite(fit.shape[place]):
            _fill_defects(columns, int(row), LifeCounts(*_of_cohort(lives, place)))
    return columns


def occupied(lives: LifeCounts, rows: NDArray[np.int64]) -> LifeCounts:
    """The lives of some cohorts, without the ages at which nothing happened to any of them."""
    failures, exposure = lives.failures[rows], lives.exposure[rows]
    some, more = failures.any(axis=0), exposure.any(axis=0)
    return LifeCounts(
        lives.failure_ages[some], failures[:, some], lives.exposure_ages[more], exposure[:, more]
    )


def ages_of(lives: LifeCounts, place: int) -> Ages:
    """The ages of one cohort as the search for defects takes them."""
    failures, exposure = lives.failures[place], lives.exposure[place].copy()
    # what left because it failed is told by the failure itself
    at = np.searchsorted(lives.exposure_ages[: lives.failure_ages.size], lives.failure_ages)
    exposure[at] -= failures
    has_failed, leaves, enters = failures > 0, exposure > 0, exposure < 0
    return Ages(
        lives.failure_ages[has_failed], failures[has_failed],
        lives.exposure_ages[leaves], exposure[leaves],
        lives.exposure_ages[enters], -exposure[enters],
    )  # fmt: skip


def _of_cohort(lives: LifeCounts, place: int) -> tuple[Array, Array, Array, Array]:
    at = slice(place, place + 1)
    return lives.failure_ages, lives.failures[at], lives.exposure_ages, lives.exposure[at]


def with_coarse_exposure(lives: LifeCounts) -> LifeCounts:
    """The lives with ages of leaving and entering taken together, failures as they were.

    A hundred and more ages are spread over up to `_EXPOSURE_AGES` of them at their mean; the
    sum of t^shape over them changes by some hundred-thousandths.
    """
    if lives.exposure_ages.size <= _EXPOSURE_AGES:
        return lives
    order = np.argsort(lives.exposure_ages)
    parts = np.linspace(0, order.size, _EXPOSURE_AGES + 1).astype(np.int64)[:-1]
    ages = np.add.reduceat(lives.exposure_ages[order], parts) / np.diff(np.r_[parts, order.size])
    exposure = np.add.reduceat(lives.exposure[:, order], parts, axis=1)
    return LifeCounts(lives.failure_ages, lives.failures, np.asarray(ages), exposure)


def _fill_defects(columns: dict[str, Array], row: int, lives: LifeCounts) -> None:
    """Write what speaks for a limited share into the columns, where anything does."""
    found = fit_defects(ages_of(lives, 0))
    if found is None:
        return
    columns["defective_p_value"][row] = found.p_value
    if found.p_value < DEFECT_P:
        ends = (found.share, found.share_low, found.share_high)
        for end, value in zip(("", "_low", "_high"), ends, strict=True):
            columns["defective_share" + end][row] = np.nan if value is None else value


def _contrast_columns(
    ledger: Ledger, counted: ComponentLedger, dispersion: Array, settings: RecurrenceSettings
) -> dict[str, Array]:
    exposed = Exposed(ledger.at_risk, counted.counts, ledger.parent)
    contrast, q_value = contrast_with_sound(exposed, dispersion, settings.false_discovery_rate)
    return {
        "expected_repairs": contrast.expected,
        "ratio": contrast.ratio,
        "ratio_low": contrast.low,
        "ratio_high": contrast.high,
        "p_value": contrast.p_value,
        "q_value": q_value,
    }


def _trend_columns(
    ledger: Ledger, counted: ComponentLedger, settings: RecurrenceSettings
) -> dict[str, Array]:
    repairs, step = counted.repairs, ledger.clock.step
    begun, age, ended = (
        np.asarray((bins + part) * step)
        for bins, part in ((repairs.enter_bin, 0.0), (repairs.bin, 0.5), (repairs.leave_bin, 1.0))
    )
    trend = laplace_trend(repairs.cohort, age, (begun, ended), ledger.shape[0])
    enough = counted.counts.sum(axis=1) >= settings.least_failures
    return {
        "trend_statistic": np.where(enough, trend.statistic, np.nan),
        "trend_p_value": np.where(enough, trend.p_value, np.nan),
    }


def curve_rows(ledger: Ledger, estimates: Estimates, least_vehicles: int) -> pl.DataFrame:
    """The curves at even ages, as far as enough cars are watched: number, age, and columns."""
    step = CURVE_STEPS[ledger.clock.name]
    n_points = int(ledger.shape[1] * ledger.clock.step / step)
    ages = step * np.arange(1, n_points + 1)
    at = np.floor(ages / ledger.clock.step + 1e-9).astype(np.int64) - 1
    low, high = estimates.means.interval()
    curves = {
        "at_risk": ledger.at_risk,
        "failed_share": estimates.failed_share,
        "failed_share_low": estimates.failed_low,
        "failed_share_high": estimates.failed_high,
        "repairs_per_vehicle": estimates.means.mean,
        "repairs_per_vehicle_low": low,
        "repairs_per_vehicle_high": high,
    }
    kept = (ledger.at_risk[:, at] >= least_vehicles).ravel()
    number = np.repeat(np.arange(ledger.shape[0]), ages.size)[kept]
    rows = {name: curve[:, at].ravel()[kept] for name, curve in curves.items()}
    return pl.DataFrame({"number": number, "age": np.tile(ages, ledger.shape[0])[kept]} | rows)
