"""Failures of a simulated fleet: first lives, defects of bad batches, and what comes back.

Takes a `ClaimFleet` and the components of the order, gives `Failures`, arrays with one entry
per failure up to the end of the truth. Does not belong here: who hears of a failure and when
(`claim_years`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic.claim_vehicles import DAYS_PER_MONTH, Indices, Reals, clock_at, day_at, day_number

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from synthetic.claim_order import Batch, ClaimOrder, Component
    from synthetic.claim_vehicles import ClaimFleet, Seasons

# a car that fails more often than this with one component is given up (chosen)
_MOST_FAILURES = 200


@dataclass(frozen=True)
class Failures:
    """Failures, (m,) each: car, component, which of the car's, day, and lot fitted."""

    car: Indices
    component: Indices
    number: Indices
    day: Reals
    lot: Indices
    is_defect: NDArray[np.bool_]


def hazard_factors(order: ClaimOrder, fleet: ClaimFleet, component: Component) -> Reals:
    """The factor on a component's hazard of each car, its batches and its own, (n,)."""
    factor = fleet.factor.copy()
    for batch in order.batches:
        if batch.component == component.name:
            factor[in_batch(order, fleet, batch)] *= batch.hazard_factor
    return factor


def in_batch(order: ClaimOrder, fleet: ClaimFleet, batch: Batch) -> NDArray[np.bool_]:
    """Whether each car belongs to a batch, (n,)."""
    inside = fleet.built_day >= day_number(batch.first_build)
    inside &= fleet.built_day <= day_number(batch.last_build)
    if batch.model_id:
        inside &= fleet.model == int(batch.model_id.rsplit("_", 1)[1]) - 1
    if batch.plant:
        inside &= fleet.plant == order.plants.index(batch.plant)
    return np.asarray(inside)


def draw_failures(
    rng: np.random.Generator, order: ClaimOrder, fleet: ClaimFleet, seasons: Seasons
) -> Failures:
    """All failures of all components until the watch of each car or the truth ends."""
    ends = np.minimum(fleet.leaves_day, day_number(order.follow_until or order.as_of))
    parts = [
        _of_component(rng, order, number, (fleet, seasons, ends))
        for number in range(len(order.components))
    ]
    return Failures(
        *(
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("car", "component", "number", "day", "lot", "is_defect")
        )
    )


def _of_component(
    rng: np.random.Generator,
    order: ClaimOrder,
    number: int,
    cars_of: tuple[ClaimFleet, Seasons, Reals],
) -> Failures:
    """Rounds of failures: each round the cars that are still watched fail once more."""
    fleet, seasons, ends = cars_of
    component = order.components[number]
    factor = hazard_factors(order, fleet, component)
    cars = np.flatnonzero(fleet.service_day < ends)
    used, spent, divisor = (np.zeros(cars.size), np.zeros(cars.size), np.ones(cars.size))
    rounds = []
    for count in range(1, _MOST_FAILURES + 1):
        reading, spent = _next_reading(rng, component, (used, spent, factor[cars]), divisor)
        day = day_at(fleet, seasons, cars, reading, component.clock)
        is_defect = np.zeros(cars.size, dtype=bool)
        if count == 1:
            day, is_defect = _with_defects(rng, order, fleet, component, (cars, day))
        still = day < ends[cars]
        cars, day, spent = cars[still], day[still], spent[still]
        if cars.size == 0:
            break
        lot = rng.integers(0, order.n_lots, cars.size)
        rounds.append(
            Failures(
                cars, np.full(cars.size, number), np.full(cars.size, count), day, lot,
                is_defect[still],
            )
        )  # fmt: skip
        used = clock_at(fleet, seasons, cars, day, component.clock)
        divisor = _life_divisors(rng, order, component, lot)
    empty = np.empty(0, dtype=np.int64)
    rounds = rounds or [Failures(empty, empty, empty, np.empty(0), empty, np.empty(0, dtype=bool))]
    return Failures(
        *(
            np.concatenate([getattr(part, name) for part in rounds])
            for name in ("car", "component", "number", "day", "lot", "is_defect")
        )
    )


def _next_reading(
    rng: np.random.Generator,
    component: Component,
    state: tuple[Reals, Reals, Reals],
    divisor: Reals,
) -> tuple[Reals, Reals]:
    """Clock reading at the next failure, and the hazard spent by then."""
    used, spent, factor = state
    chance = rng.exponential(1.0, used.size) / factor
    if component.remedy == "as_before":
        spent = spent + chance
        return component.scale * spent ** (1.0 / component.shape), spent
    life = component.scale * chance ** (1.0 / component.shape) / divisor
    return used + life, spent


def _with_defects(
    rng: np.random.Generator,
    order: ClaimOrder,
    fleet: ClaimFleet,
    component: Component,
    first: tuple[Indices, Reals],
) -> tuple[Reals, NDArray[np.bool_]]:
    """The first failure days, where a batch's defect does not strike before."""
    cars, day = first
    is_defect = np.zeros(cars.size, dtype=bool)
    for batch in order.batches:
        if batch.component != component.name or batch.defective_share <= 0.0:
            continue
        bears = in_batch(order, fleet, batch)[cars]
        bears &= rng.uniform(size=cars.size) < batch.defective_share
        life = batch.defective_scale_months * rng.weibull(batch.defective_shape, cars.size)
        strikes = fleet.service_day[cars] + life * DAYS_PER_MONTH
        earlier = bears & (strikes < day)
        day, is_defect = np.where(earlier, strikes, day), is_defect | earlier
    return day, is_defect


def _life_divisors(
    rng: np.random.Generator, order: ClaimOrder, component: Component, lot: Indices
) -> Reals:
    """By how much the parts now fitted live shorter: bad lots and botched repairs."""
    divisor = np.ones(lot.size)
    for bad in order.bad_lots:
        if bad.component == component.name:
            divisor[lot == int(bad.lot.rsplit("_", 1)[1]) - 1] *= bad.life_divisor
    if component.botched_share > 0.0:
        botched = rng.uniform(size=lot.size) < component.botched_share
        divisor[botched] /= component.botched_factor
    return divisor
