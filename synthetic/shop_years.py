"""Years of repairs at many shops whose quality is known: outcomes as numbers, no logs.

Draws shops, the cars they get, how bad each car was and was measured to be, what the repair
left, the test after, and how the car went on: it comes back, leaves, or is followed to the end.
Cars come in because a test read badly, so that what is read before overstates how bad they were.
All at once and vectorised, for studies of thousands of shops. Does not belong here: shops of a
simulated fleet with logs (`service`).

"Chosen" numbers are invented.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[Any]

# a test reads what is wrong with this error, and a car is repaired when it reads this bad (chosen)
_READING_ERROR, _BAD_ENOUGH = 1.2, 3.0
# what is wrong with the cars that come in: mean and spread of a gamma law (chosen)
_WRONG_MEAN, _WRONG_SHAPE = 4.0, 3.0
# a reading below this is in band (chosen)
_BAND_EDGE = 2.6
_CIRCUITS = ("circuit_a", "circuit_b", "circuit_c")
_LEADS = ("condenser_outlet_subcooling_k", "duct_drop_k", "high_side_kpa")
_KM_PER_YEAR = 14_000.0
_YEARS_SPAN_DAYS = 900.0
_WINDOW_DAYS = 180.0


@dataclass(frozen=True)
class ShopOrder:
    """What to simulate.

    Every shop has `repairs_each` repairs. A `bad_share` of the shops fails `bad_ratio` times as
    often; a `hard_share` gets cars that are older and worse by `hardness` spreads.
    `failing_share` of average repairs by an average shop fail, as seen in the test after;
    `coming_back_share` come back within half a year.
    """

    n_shops: int = 200
    repairs_each: int = 100
    bad_share: float = 0.0
    bad_ratio: float = 2.0
    hard_share: float = 0.0
    hardness: float = 1.0
    failing_share: float = 0.08
    coming_back_share: float = 0.08
    spread_of_shops: float = 0.0
    exits_per_year: float = 0.2
    tested_again_share: float = 0.8


@dataclass(frozen=True)
class ShopYears:
    """Repairs with what came of them, and the truth: one row per shop, one per repair."""

    repairs: pl.DataFrame
    shops: pl.DataFrame
    true_repairs: pl.DataFrame


def simulate_shop_years(rng: np.random.Generator, order: ShopOrder) -> ShopYears:
    """The repairs of all shops."""
    shops = _shops(rng, order)
    place = np.repeat(np.arange(order.n_shops), order.repairs_each)
    cars = _cars(rng, shops["hardness"][place])
    factor = shops["failure_ratio"][place]
    harder = np.exp(0.25 * cars["age_z"] + 0.20 * cars["wrong_z"])
    tested = _tested_after(rng, order, cars, factor * harder / _mean_harder())
    followed = _followed_up(rng, order, factor * harder / _mean_harder())
    n = place.size
    names = np.array([f"shop_{k:05d}" for k in range(order.n_shops)])
    repairs = pl.DataFrame(
        {
            "repair_id": [f"r{k:07d}" for k in range(n)],
            "vehicle_id": [f"car_{k:07d}" for k in range(n)],
            "shop_id": names[place],
            "action": np.full(n, "replace"),
            "is_last_of_visit": np.full(n, fill_value=True),
            **{name: cars[name] for name in ("age_years", "odometer_km", "architecture")},
            **{name: cars[name] for name in ("lead_feature", "severity_before")},
            **tested,
            **followed,
        }
    ).with_columns(pl.col("severity_after", "air_difference_k").fill_nan(None))
    truth = pl.DataFrame({"repair_id": repairs["repair_id"], "true_severity": cars["wrong"]})
    return ShopYears(repairs, pl.DataFrame({"shop_id": names, **shops}), truth)


def _shops(rng: np.random.Generator, order: ShopOrder) -> dict[str, Array]:
    """Failure ratio and hardness of each shop; the bad ones come first, the hard ones last."""
    n_bad, n_hard = round(order.bad_share * order.n_shops), round(order.hard_share * order.n_shops)
    number = np.arange(order.n_shops)
    own = np.exp(order.spread_of_shops * rng.standard_normal(order.n_shops))
    ratio = np.where(number < n_bad, order.bad_ratio, 1.0) * own
    hard = np.where(number >= order.n_shops - n_hard, order.hardness, 0.0)
    return {"failure_ratio": ratio, "hardness": hard}


def _cars(rng: np.random.Generator, hardness: Array) -> dict[str, Array]:
    """Cars that read badly enough to be repaired, with what is really wrong with them."""
    n = hardness.size
    age_z = rng.standard_normal(n) + hardness
    wrong, reading = np.zeros(n), np.zeros(n)
    missing = np.arange(n)
    while missing.size:
        drawn = rng.gamma(_WRONG_SHAPE, _WRONG_MEAN / _WRONG_SHAPE, missing.size)
        drawn = drawn * np.exp(0.3 * hardness[missing])
        seen = drawn + _READING_ERROR * rng.standard_normal(missing.size)
        bad = seen > _BAD_ENOUGH
        wrong[missing[bad]], reading[missing[bad]] = drawn[bad], seen[bad]
        missing = missing[~bad]
    years = np.clip(5.0 + 2.0 * age_z, 0.1, 25.0)
    return {
        "age_z": age_z,
        "wrong": wrong,
        "wrong_z": (wrong - _WRONG_MEAN) / 2.3,
        "severity_before": reading,
        "age_years": years,
        "odometer_km": np.round(years * _KM_PER_YEAR * np.exp(0.3 * rng.standard_normal(n))),
        "architecture": np.array(_CIRCUITS)[rng.integers(0, 3, n)],
        "lead_feature": np.array(_LEADS)[rng.integers(0, 3, n)],
    }


def _mean_harder() -> float:
    """About the mean of the factor by which the cars of an average shop fail more often."""
    return float(np.exp(0.5 * (0.25**2 + 0.20**2) + 0.20 * 0.35))


def _tested_after(
    rng: np.random.Generator, order: ShopOrder, cars: dict[str, Array], ratio: Array
) -> dict[str, Array | pl.Series]:
    """The test after, of those that have one: what is left, and in band or not."""
    n = ratio.size
    fails = rng.random(n) < np.minimum(order.failing_share * ratio, 0.95)
    left = np.where(fails, _BAND_EDGE + 0.5 * cars["wrong"], 0.0)
    is_tested = rng.random(n) < order.tested_again_share
    reading = left + np.where(fails, np.abs(rng.standard_normal(n)), 0.7 * rng.standard_normal(n))
    is_back = pl.Series(reading < _BAND_EDGE)
    told = pl.Series(is_tested)
    return {
        "comparison_code": np.where(is_tested, "comparable", "no_after_test"),
        "severity_after": np.where(is_tested, reading, np.nan),
        "air_difference_k": np.where(is_tested, 3.0 * rng.standard_normal(n), np.nan),
        "is_retested": told,
        "is_back_in_band": is_back.set(~told, None),
    }


def _followed_up(rng: np.random.Generator, order: ShopOrder, ratio: Array) -> dict[str, Array]:
    """Comeback, exit or the end of the years, whichever is first."""
    n = ratio.size
    per_day = -np.log1p(-order.coming_back_share) / _WINDOW_DAYS
    comes_back = rng.exponential(1.0, n) / (per_day * ratio)
    leaves = rng.exponential(365.25 / max(order.exits_per_year, 1e-9), n)
    ends = rng.uniform(0.0, _YEARS_SPAN_DAYS, n)
    first = np.argmin(np.stack([comes_back, leaves, ends]), axis=0)
    return {
        "followup_code": np.array(["came_back", "left", "still_followed"])[first],
        "followup_exposure": np.minimum(np.minimum(comes_back, leaves), ends),
        "exposure_code": np.full(n, "days"),
    }
