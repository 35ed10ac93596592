"""What a simulated claim history is to contain: fleet, components, bad batches, reporting.

Frozen records only, with an invented scenario as their defaults. All names are made up; the
default numbers are chosen, none is measured (common practice, no source). Does not belong
here: any random draw (`claim_vehicles`, `claim_lives`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Literal

Clock = Literal["months", "km", "cooling"]
Remedy = Literal["new_part", "as_before"]


@dataclass(frozen=True)
class Region:
    """A region: its share of the fleet and its year of outside temperatures, degC."""

    name: str
    share: float
    mean_c: float
    swing_k: float


@dataclass(frozen=True)
class Component:
    """How one component fails: a Weibull life on its own clock, and what a repair makes of it.

    `scale` counts months in service, km or cooling degree-days, as `clock` says. After a
    repair the part is new (`new_part`: a fresh life, shorter for `botched_share` of the
    repairs by `botched_factor`) or the car is as it was just before (`as_before`: failures go
    on along the same hazard).
    """

    name: str
    shape: float
    scale: float
    clock: Clock = "months"
    remedy: Remedy = "new_part"
    botched_share: float = 0.0
    botched_factor: float = 0.1
    supplier: str = "north_works"
    parts_cost: float = 300.0
    labour_cost: float = 180.0


@dataclass(frozen=True)
class Batch:
    """Cars that fare worse with one component: which, and how much worse.

    An empty `model_id` or `plant` means any. The hazard is multiplied by `hazard_factor`;
    `defective_share` of the cars bear a defect that strikes by a Weibull life of its own, in
    months in service.
    """

    component: str
    first_build: date
    last_build: date
    model_id: str = ""
    plant: str = ""
    hazard_factor: float = 1.0
    defective_share: float = 0.0
    defective_shape: float = 1.5
    defective_scale_months: float = 8.0


@dataclass(frozen=True)
class BadLot:
    """A lot of spare parts whose lives are divided by `life_divisor`."""

    component: str
    lot: str
    life_divisor: float


REGIONS = (
    Region("shore", 0.4, 14.0, 7.0),
    Region("plain", 0.35, 13.0, 12.0),
    Region("basin", 0.25, 18.0, 11.0),
)
COMPONENTS = (
    Component("condenser", 1.4, 220.0, parts_cost=240.0),
    Component("compressor", 1.1, 360.0, parts_cost=620.0, labour_cost=310.0),
    Component("seal", 2.0, 130.0, parts_cost=14.0, labour_cost=120.0),
)


@dataclass(frozen=True)
class ClaimOrder:
    """The whole order of a simulated claim history.

    Parameters
    ----------
    first_build, last_build : first and last day of production.
    as_of : the day on which registry files are drawn up; later reports are not in them.
    follow_until : up to here the truth is simulated; null is `as_of`.
    records_from : repairs before this day were never recorded; null: all were.
    vehicle_variation : variance of the factor (mean 1) by which cars differ in hazard.
    leaving_per_year : hazard of leaving the watch (sold abroad, scrapped, other shops).
    stock_days : mean time from build to service.
    km_per_month, km_variation : median distance and the sd of its logarithm.
    lag_days, lag_shape : mean and gamma shape of repair-to-report; mean 0: at once.
    noticed_when_warm : a failure is noticed on the next warm day only.
    warranty_months : repairs after it are not claimed, so not recorded; null: no end.
    """

    n_vehicles: int
    seed: int
    n_models: int = 3
    plants: tuple[str, ...] = ("hill_plant", "lake_plant")
    regions: tuple[Region, ...] = REGIONS
    components: tuple[Component, ...] = COMPONENTS
    batches: tuple[Batch, ...] = ()
    bad_lots: tuple[BadLot, ...] = ()
    first_build: date = date(2022, 1, 1)
    last_build: date = date(2024, 12, 31)
    as_of: date = date(2026, 1, 1)
    follow_until: date | None = None
    records_from: date | None = None
    vehicle_variation: float = 0.0
    leaving_per_year: float = 0.04
    stock_days: float = 40.0
    km_per_month: float = 1200.0
    km_variation: float = 0.45
    lag_days: float = 18.0
    lag_shape: float = 1.3
    noticed_when_warm: bool = False
    warranty_months: float | None = None
    n_shops: int = 40
    n_lots: int = 12
    architectures: tuple[str, ...] = field(default=("variable_txv", "electric_txv"))
