"""The cars of a simulated claim history: where built, when in service, how used, until when.

Gives `ClaimFleet`, arrays with one entry per car; days count from 1 January 1970. Does not
belong here: failures (`claim_lives`), registry columns (`claim_frames`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from synthetic.claim_order import ClaimOrder, Clock, Region

Reals = NDArray[np.float64]
Indices = NDArray[np.int64]

DAYS_PER_MONTH = 365.25 / 12.0
_WARMEST_DAY = 200
# people cool their cars on days warmer than this; above the second they notice it fails (chosen)
_COOLING_FROM_C, _NOTICED_FROM_C = 18.0, 16.0
_EPOCH = date(1970, 1, 1)


def day_number(day: date) -> float:
    """Days from 1 January 1970 to a day."""
    return float((day - _EPOCH).days)


@dataclass(frozen=True)
class ClaimFleet:
    """The cars, (n,) each; days from 1 January 1970; `factor` is on every hazard."""

    model: Indices
    plant: Indices
    region: Indices
    built_day: Reals
    service_day: Reals
    km_per_day: Reals
    leaves_day: Reals
    factor: Reals


@dataclass(frozen=True)
class Seasons:
    """The cooling of each region: degree-days summed from `first_day`, and the next warm day."""

    first_day: float
    summed: Reals
    next_warm: Reals

    def cooling(self, region: Indices, day: Reals) -> Reals:
        """Degree-days from the first day up to a day, (n,)."""
        place = np.clip(day - self.first_day, 0.0, self.summed.shape[1] - 1.001)
        whole = place.astype(np.int64)
        before, after = self.summed[region, whole], self.summed[region, whole + 1]
        return np.asarray(before + (place - whole) * (after - before))

    def day_of(self, region: Indices, cooling: Reals) -> Reals:
        """The day on which so many degree-days are reached; inf when not within the years."""
        days = np.full(cooling.size, np.inf)
        for number, curve in enumerate(self.summed):
            here = region == number
            place = np.searchsorted(curve, cooling[here], side="left")
            inside = np.clip(place, 1, curve.size - 1)
            step = np.maximum(curve[inside] - curve[inside - 1], 1e-12)
            found = self.first_day + inside - 1 + (cooling[here] - curve[inside - 1]) / step
            days[here] = np.where(place < curve.size, found, np.inf)
        return days


def build_fleet(rng: np.random.Generator, order: ClaimOrder) -> ClaimFleet:
    """The cars of an order, drawn independently of each other."""
    n = order.n_vehicles
    first, last = day_number(order.first_build), day_number(order.last_build)
    built = np.sort(np.floor(rng.uniform(first, last + 1, n)))
    service = built + 5.0 + np.floor(rng.gamma(2.0, order.stock_days / 2.0, n))
    shares = np.array([region.share for region in order.regions])
    rate = order.leaving_per_year / 365.25
    stays = rng.exponential(1.0, n) / rate if rate > 0 else np.full(n, np.inf)
    spread = order.vehicle_variation
    return ClaimFleet(
        model=rng.integers(0, order.n_models, n),
        plant=rng.integers(0, len(order.plants), n),
        region=rng.choice(shares.size, size=n, p=shares / shares.sum()),
        built_day=built,
        service_day=service,
        km_per_day=order.km_per_month
        / DAYS_PER_MONTH
        * np.exp(order.km_variation * rng.standard_normal(n)),
        leaves_day=service + stays,
        factor=rng.gamma(1.0 / spread, spread, n) if spread > 0 else np.ones(n),
    )


def draw_seasons(regions: tuple[Region, ...], first: date, last: date) -> Seasons:
    """Mean daily temperatures of the regions turned into degree-days and warm days."""
    start = day_number(first)
    day = np.arange(start, day_number(last) + 800.0)
    season = np.cos(2.0 * np.pi * ((day + 1.0) % 365.25 - _WARMEST_DAY) / 365.25)
    outside = np.array([r.mean_c + r.swing_k * season for r in regions])
    summed = np.cumsum(np.maximum(outside - _COOLING_FROM_C, 0.0), axis=1)
    warm = np.where(outside >= _NOTICED_FROM_C, day, np.inf)
    next_warm = np.minimum.accumulate(warm[:, ::-1], axis=1)[:, ::-1]
    return Seasons(start, np.c_[np.zeros(len(regions)), summed], next_warm)


def clock_at(fleet: ClaimFleet, seasons: Seasons, cars: Indices, day: Reals, clock: Clock) -> Reals:
    """What a component's clock shows on a day, counted from the first day in service."""
    if clock == "cooling":
        region = fleet.region[cars]
        return seasons.cooling(region, day) - seasons.cooling(region, fleet.service_day[cars])
    pace = fleet.km_per_day[cars] if clock == "km" else 1.0 / DAYS_PER_MONTH
    return np.asarray((day - fleet.service_day[cars]) * pace)


def day_at(
    fleet: ClaimFleet, seasons: Seasons, cars: Indices, reading: Reals, clock: Clock
) -> Reals:
    """The day on which a component's clock shows a reading."""
    if clock == "cooling":
        region = fleet.region[cars]
        begun = seasons.cooling(region, fleet.service_day[cars])
        return seasons.day_of(region, begun + reading)
    pace = fleet.km_per_day[cars] if clock == "km" else 1.0 / DAYS_PER_MONTH
    return np.asarray(fleet.service_day[cars] + reading / pace)
