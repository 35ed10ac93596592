"""Years of warranty claims of an invented fleet, with the truth beside the registry files.

`simulate_claim_years` gives registry-shaped frames (vehicles, repairs, volumes, models) as
they stand on the order's day, and every failure that really happened. Vectorised over the
cars: a million of them take seconds. Does not belong here: what is asked for (`claim_order`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic.claim_frames import (
    Reports,
    model_frame,
    repair_frame,
    truth_frame,
    truth_vehicle_frame,
    vehicle_frame,
    volume_frame,
)
from synthetic.claim_lives import Failures, draw_failures
from synthetic.claim_vehicles import DAYS_PER_MONTH, build_fleet, draw_seasons

if TYPE_CHECKING:
    import polars as pl

    from synthetic.claim_order import ClaimOrder
    from synthetic.claim_vehicles import ClaimFleet, Seasons

# costs scatter by about this much around the component's own (chosen)
_COST_LOG_SPREAD = 0.25


@dataclass(frozen=True)
class ClaimYears:
    """Registry-shaped frames, and the truth.

    `failures`: one row per failure up to the end of the truth (vehicle_id, component,
    failure_number, failed_at, performed_at, reported_at, months_in_service, is_defect);
    `truth_vehicles`: vehicle_id, hazard_factor, km_per_day, in_service_at, leaves_at.
    """

    vehicles: pl.DataFrame
    repairs: pl.DataFrame
    volumes: pl.DataFrame
    models: pl.DataFrame
    failures: pl.DataFrame
    truth_vehicles: pl.DataFrame


def simulate_claim_years(order: ClaimOrder) -> ClaimYears:
    """The claim history that an order asks for; the same order gives the same frames."""
    rng = np.random.default_rng(order.seed)
    fleet = build_fleet(rng, order)
    seasons = draw_seasons(order.regions, order.first_build, order.follow_until or order.as_of)
    failures = draw_failures(rng, order, fleet, seasons)
    failures, reports = _reported(rng, order, (fleet, seasons), failures)
    vehicles = vehicle_frame(order, fleet)
    return ClaimYears(
        vehicles=vehicles,
        repairs=repair_frame(order, fleet, failures, reports),
        volumes=volume_frame(vehicles),
        models=model_frame(order),
        failures=truth_frame(order, fleet, failures, reports),
        truth_vehicles=truth_vehicle_frame(order, fleet),
    )


def _reported(
    rng: np.random.Generator,
    order: ClaimOrder,
    cars_of: tuple[ClaimFleet, Seasons],
    failures: Failures,
) -> tuple[Failures, Reports]:
    """Repairs and reports of the failures that the warranty pays and the car lives to see."""
    fleet, seasons = cars_of
    repaired = failures.day
    if order.noticed_when_warm:
        place = np.floor(repaired - seasons.first_day).astype(np.int64)
        warm = seasons.next_warm[fleet.region[failures.car], place]
        repaired = np.maximum(repaired, warm + rng.uniform(size=repaired.size))
    kept = repaired < fleet.leaves_day[failures.car]
    if order.warranty_months is not None:
        service = fleet.service_day[failures.car]
        kept &= repaired < service + order.warranty_months * DAYS_PER_MONTH
    names = Failures.__dataclass_fields__
    failures = Failures(*(getattr(failures, name)[kept] for name in names))
    return failures, _reports(rng, order, failures, repaired[kept])


def _reports(
    rng: np.random.Generator, order: ClaimOrder, failures: Failures, repaired: np.ndarray
) -> Reports:
    count = repaired.size
    lag = np.zeros(count)
    if order.lag_days > 0.0:
        lag = rng.gamma(order.lag_shape, order.lag_days / order.lag_shape, count)
    parts = np.array([component.parts_cost for component in order.components])
    labour = np.array([component.labour_cost for component in order.components])
    scatter = np.exp(_COST_LOG_SPREAD * rng.standard_normal((2, count)))
    return Reports(
        repaired_day=repaired,
        reported_day=repaired + lag,
        shop=rng.integers(0, order.n_shops, count),
        parts_cost=np.round(parts[failures.component] * scatter[0], 2),
        labour_cost=np.round(labour[failures.component] * scatter[1], 2),
    )
