"""How many claims the coming months bring, with 90 % prediction intervals, and what they cost.

Takes cars in service by age and the repairs so far of one model and component; draws the law
of the repairs from its likelihood, seasons and leavings from theirs, then counts and costs.
What a draw does not know: cars sold from now on, changes of price, of part or of warranty.
Does not belong here: which models and components (`recurrence`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models.recurrence.defects import DefectFit, struck_share

if TYPE_CHECKING:
    from models.recurrence.seasons import Seasons
    from models.recurrence.weibull import LifeCounts, WeibullFit

Array = NDArray[np.float64]

N_DRAWS = 2000
_SHAPE_POINTS = 161
_ENDS = (0.05, 0.95)
# of a likelihood that no data narrows
_FARTHEST_LOG_SHAPE = 2.5


@dataclass(frozen=True)
class Service:
    """Cars in service by age: ages in months (n,), cars of that age (n,), and the leavings.

    `left_per_month` of a car and the number `n_left` that it was told from; at `last_age`
    months the watch of every car ends (inf: never).
    """

    ages: Array
    n_cars: Array
    left_per_month: float
    n_left: float
    last_age: float = np.inf


@dataclass(frozen=True)
class History:
    """Repairs so far: counts for the law, its best fit, dispersion, costs known.

    `vehicle_variance`: of the factor by which cars differ; `dispersion`: by how much the
    variance of the number of repairs so far exceeds that number; `defects`: the law by which only
    a share of the cars fails, where it has any weight.
    """

    lives: LifeCounts
    law: WeibullFit
    vehicle_variance: float
    dispersion: float
    costs: Array
    defects: DefectFit | None = None


@dataclass(frozen=True)
class Drawn:
    """Draws of the claims and their cost by month, (d, m) each, and expected cars in service."""

    claims: Array
    costs: Array
    expected: Array
    n_cars: Array


def draw_claims(
    rng: np.random.Generator,
    history: History,
    service: Service,
    seasons: Seasons,
    months: NDArray[np.int64],
) -> Drawn:
    """Claims of the coming months, drawn many times.

    Parameters
    ----------
    months : months of the year, 0 to 11, of each coming month
    """
    stays = _staying(rng, service, months.size)
    mean = _power_law_rates(rng, history, service, months.size)
    if history.defects is not None:
        is_defect = rng.random(N_DRAWS) < history.defects.weight
        by_defects = _defect_rates(rng, history, history.defects, service, months.size)
        mean = np.where(is_defect[:, None], by_defects, mean)
    mean *= stays
    mean *= rng.gamma(seasons.shape[months], 1.0 / seasons.rate[months], (N_DRAWS, months.size))
    mean *= _fleet_factor(rng, history, service)
    claims = rng.poisson(mean).astype(np.float64)
    n_cars = service.n_cars.sum() * stays.mean(axis=0)
    return Drawn(claims, _costs(rng, claims, history.costs), mean.mean(axis=0), n_cars)


def interval(draws: Array) -> tuple[float, float]:
    """Ends of the 90 % interval of draws."""
    low, high = np.quantile(draws, _ENDS)
    return float(low), float(high)


def interval_of_counts(draws: Array) -> tuple[float, float, float]:
    """Ends of the tightest interval of counts that holds 90 % of the draws, and what it holds.

    With both ends counting as inside, few counts hold more than 90 %; an end without which
    90 % still lie inside is therefore left out, first the less likely one.
    """
    low = float(np.quantile(draws, _ENDS[0], method="lower"))
    high = float(np.quantile(draws, _ENDS[1], method="higher"))
    held = float(((draws >= low) & (draws <= high)).mean())
    while low < high:
        at_ends = [float((draws == low).mean()), float((draws == high).mean())]
        if held - min(at_ends) < _ENDS[1] - _ENDS[0]:
            break
        low, high = (low + 1.0, high) if at_ends[0] < at_ends[1] else (low, high - 1.0)
        held -= min(at_ends)
    return low, high, held


def _staying(rng: np.random.Generator, service: Service, n_months: int) -> Array:
    """Share of the cars still in service in the middle of each month, (d, m)."""
    rate = np.zeros(N_DRAWS)
    if service.n_left > 0:
        rate = service.left_per_month * rng.gamma(service.n_left, 1.0 / service.n_left, N_DRAWS)
    return np.asarray(np.exp(-rate[:, None] * (np.arange(n_months) + 0.5)))


def _power_law_rates(
    rng: np.random.Generator, history: History, service: Service, n_months: int
) -> Array:
    """Expected claims of the cars as they are, by draws of the law, (d, m).

    Given the shape, the claims so far over their exposure have a gamma law; the shape has that
    of its profile. Both are widened by the dispersion.
    """
    lives = history.lives
    n = float(lives.failures.sum())
    shapes, weights = _shape_law(history, n)
    exposure = lives.exposure[0] @ lives.exposure_ages[:, None] ** shapes
    coming = np.stack([_between(service, month, shapes) for month in range(n_months)], axis=1)
    drawn = rng.choice(shapes.size, N_DRAWS, p=weights)
    level = rng.gamma(n / history.dispersion, history.dispersion, N_DRAWS)
    return np.asarray(level[:, None] * coming[drawn] / exposure[drawn, None])


def _shape_law(history: History, n: float) -> tuple[Array, Array]:
    """Shapes and their weights by the profile likelihood, widened by the dispersion."""
    lives, best = history.lives, float(history.law.shape[0])
    reach = min(6.0 * np.sqrt(history.dispersion / n) + 0.1, _FARTHEST_LOG_SHAPE)
    shapes = best * np.exp(np.linspace(-reach, reach, _SHAPE_POINTS))
    exposure = lives.exposure[0] @ lives.exposure_ages[:, None] ** shapes
    log_sum = float(lives.failures[0] @ np.log(lives.failure_ages))
    profile = n * np.log(shapes) - n * np.log(exposure) + shapes * log_sum
    weights = np.exp((profile - profile.max()) / history.dispersion)
    return shapes, weights / weights.sum()


def _between(service: Service, month: int, shapes: Array) -> Array:
    """Sum over cars of t^shape over a month ahead, (g,)."""
    begins = np.minimum(service.ages + month, service.last_age)
    ends = np.minimum(service.ages + month + 1.0, service.last_age)
    step = ends[:, None] ** shapes - begins[:, None] ** shapes
    return np.asarray(service.n_cars @ step)


def _defect_rates(
    rng: np.random.Generator,
    history: History,
    found: DefectFit,
    service: Service,
    n_months: int,
) -> Array:
    """Expected claims where only a share of the cars bears a defect, (d, m).

    Cars that were struck count no more; repairs beyond the first of a car come with it as often
    as they did so far.
    """
    laws, which = np.unique(
        found.draw(rng, N_DRAWS, history.dispersion), axis=0, return_inverse=True
    )
    ages = [np.minimum(service.ages + month, service.last_age) for month in range(n_months + 1)]
    struck = np.stack([struck_share(laws, age) @ service.n_cars for age in ages], axis=1)
    repeats = float(history.lives.failures.sum()) / float(found.ages.n_failed.sum())
    return np.asarray(repeats * np.diff(struck, axis=1)[which.ravel()])


def _fleet_factor(rng: np.random.Generator, history: History, service: Service) -> Array:
    """By how much these cars together may differ from cars of their kind, (d, 1)."""
    shape = float(history.law.shape[0])
    rate = np.maximum(service.ages, 0.5) ** (shape - 1.0)
    total = float(service.n_cars @ rate)
    variance = history.vehicle_variance * float(service.n_cars @ rate**2) / max(total**2, 1e-300)
    if variance <= 1e-12:
        return np.ones((N_DRAWS, 1))
    return rng.gamma(1.0 / variance, variance, (N_DRAWS, 1))


def _costs(rng: np.random.Generator, claims: Array, costs: Array) -> Array:
    """Cost of the claims: the mean cost is uncertain, and single claims scatter around it."""
    if costs.size == 0:
        return np.full(claims.shape, np.nan)
    spread = float(costs.std(ddof=1)) if costs.size > 1 else 0.0
    mean = costs.mean() + spread / np.sqrt(costs.size) * rng.standard_normal((N_DRAWS, 1))
    scatter = spread * np.sqrt(claims) * rng.standard_normal(claims.shape)
    return np.asarray(np.maximum(claims * mean + scatter, 0.0))
