"""The plan of an invented fleet over years: its cars, their tests, repairs and claims.

`plan_fleet` gives frames: `vehicles` and `repairs` (registry columns, truth prefixed `true_`)
and `tests` (see `planned_tests`). Does not belong here: what is wrong with a car (`lives`),
what workshops do (`service`), curves (`car_tests`), files (`registry_files`, `dialects`).
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from synthetic.car_models import FLEET_MODELS
from synthetic.lives import Car, begin_life
from synthetic.planned_tests import Habits, planned_row
from synthetic.repair_rows import repair_row
from synthetic.scenario import SITES
from synthetic.service import live_through, routine_visit

if TYPE_CHECKING:
    from synthetic.lives import Life
    from synthetic.service import Repair, Visit

LAST_YEAR = 2026
"""The fleet is watched until the autumn of this year."""
_SEASON_FROM, _SEASON_TO = (4, 20), (9, 25)
_FIRST_BUILT, _LAST_BUILT = date(2020, 2, 3), date(2026, 1, 30)
_LOST_PER_YEAR = 0.05
# at most this share of the tests asked for may come from complaints and repairs
_VISIT_SHARE = 0.6

# what differs between two cars of one model, each a standard normal number
OWN = (
    "own_pump", "own_coil", "own_blower", "own_condenser", "own_valve", "own_setting", "own_gain",
    "own_subcool", "own_exchanger", "own_fan", "own_target", "own_sides", "own_charge",
)  # fmt: skip


@dataclass(frozen=True)
class Fleet:
    """The planned fleet: one row per vehicle, per test and per repair."""

    vehicles: pl.DataFrame
    tests: pl.DataFrame
    repairs: pl.DataFrame


@dataclass(frozen=True)
class FleetSize:
    """How many cars and tests of how many models over how many warm seasons.

    `faulty_share`: share of the cars with which something begins to go wrong within two
    seasons, beside those from bad batches; with 0 there are no bad batches either.
    """

    vehicles: int = 200
    tests: int = 600
    faulty_share: float = 0.35
    n_models: int = 5
    years: int = 2
    habits: Habits = field(default_factory=Habits)

    @property
    def ever_faulty_share(self) -> float:
        """Share of the cars with which something begins to go wrong while they are watched."""
        return float(1.0 - (1.0 - self.faulty_share) ** (self.years / 2.0))

    @property
    def window(self) -> tuple[date, date]:
        """First and last day of the watch."""
        return date(LAST_YEAR - self.years + 1, *_SEASON_FROM), date(LAST_YEAR, *_SEASON_TO)


def _draw_car(rng: np.random.Generator, number: int, size: FleetSize) -> Car:
    """A car; models come in fixed shares so that every fleet has all of them."""
    models = FLEET_MODELS[: size.n_models]
    edges = np.cumsum([model.fleet_share for model in models])
    place = (number + 0.5) / size.vehicles * edges[-1]
    model = models[min(int(np.searchsorted(edges, place)), len(models) - 1)]
    home = SITES[int(rng.choice(len(SITES), p=[site.share for site in SITES]))]
    built = _FIRST_BUILT + timedelta(days=int(rng.integers(0, (_LAST_BUILT - _FIRST_BUILT).days)))
    service = built + timedelta(days=int(rng.integers(12, 90)))
    lost_after = timedelta(days=int(rng.exponential(365.0 / _LOST_PER_YEAR)))
    first = max(service + timedelta(days=30), size.window[0])
    own = dict(zip(OWN, np.clip(rng.standard_normal(len(OWN)), -2.5, 2.5).tolist(), strict=True))
    return Car(
        vehicle_id=f"v{number + 1:04d}",
        model=model,
        home=home,
        build_date=built,
        in_service_date=service,
        last_day=min(first + timedelta(days=40) + lost_after, size.window[1]),
        km_per_day=float(rng.gamma(5.0, 11.0)),
        own=own,
    )


def _lives(rng: np.random.Generator, size: FleetSize) -> list[Life]:
    """All cars, a share of them with something that goes wrong, whichever model they are."""
    cars = [_draw_car(rng, number, size) for number in range(size.vehicles)]
    ill = set(rng.permutation(len(cars))[: round(size.ever_faulty_share * len(cars))].tolist())
    return [
        begin_life(
            rng,
            car,
            size.window,
            falls_ill=number in ill,
            has_batches=size.faulty_share > 0,
        )
        for number, car in enumerate(cars)
    ]


def _season_day(rng: np.random.Generator, car: Car, size: FleetSize) -> date:
    """A day of a warm season while the car is in sight, more often in the middle of it."""
    first, last = max(car.in_service_date, size.window[0]), car.last_day
    for _ in range(40):
        year = LAST_YEAR - int(rng.integers(0, size.years))
        start, end = date(year, *_SEASON_FROM), date(year, *_SEASON_TO)
        day = start + timedelta(days=int(rng.beta(1.7, 1.7) * (end - start).days))
        if first <= day <= last:
            return day
    return last


def _routine_counts(rng: np.random.Generator, linked: list[int], total: int) -> np.ndarray:
    """Routine tests per car so that all tests make `total`, about as many for each car."""
    wanted = np.full(len(linked), (total + sum(linked)) // len(linked))
    counts = np.maximum(wanted - np.array(linked) + rng.integers(-1, 2, len(linked)), 0)
    while counts.sum() < total:
        counts[int(rng.integers(0, len(linked)))] += 1
    while counts.sum() > total:
        chosen = int(rng.choice(np.flatnonzero(counts == counts.max())))
        counts[chosen] -= 1
    return np.asarray(counts)


def _visits(
    rng: np.random.Generator, lives: list[Life], size: FleetSize
) -> tuple[list[Visit], list[Repair]]:
    """Exactly as many tests as asked for, and all repairs."""
    books = [live_through(rng, life, size.window) for life in lives]
    linked = [visit for each in books for visit in each.visits]
    most = round(_VISIT_SHARE * size.tests)
    if len(linked) > most:
        # the others were never logged
        kept = sorted(rng.permutation(len(linked))[:most].tolist())
        linked = [linked[number] for number in kept]
    tally = Counter(visit.life.car.vehicle_id for visit in linked)
    per_car = [tally[life.car.vehicle_id] for life in lives]
    counts = _routine_counts(rng, per_car, size.tests - len(linked))
    routine = [
        routine_visit(rng, life, _season_day(rng, life.car, size))
        for life, count in zip(lives, counts, strict=True)
        for _ in range(int(count))
    ]
    return [*linked, *routine], [repair for each in books for repair in each.repairs]


def _vehicle_row(life: Life, last_seen: date | None) -> dict[str, object]:
    """One vehicle as the registry shows it."""
    car = life.car
    return {
        "vehicle_id": car.vehicle_id,
        "model_id": car.model.model_id,
        "build_date": car.build_date,
        "in_service_date": car.in_service_date,
        "plant": "works_one" if int(car.vehicle_id[1:]) % 3 else "works_two",
        "region": car.home.region,
        "fleet": "parcels" if car.model.is_commercial else "pool",
        "odometer_km": car.odometer_km(last_seen or car.last_day),
        "last_seen_date": last_seen,
        "true_batch_id": life.batch_id,
        "true_loss_g_per_year": life.loss_g_per_year_on(car.last_day),
    }


def _last_seen(visits: list[Visit], repairs: list[Repair]) -> dict[str, date]:
    """Last day on which each vehicle was in a workshop."""
    contacts = [(each.life.car.vehicle_id, each.day) for each in visits]
    contacts += [(each.life.car.vehicle_id, each.day) for each in repairs]
    return dict(sorted(contacts))


def _test_frame(rows: list[dict[str, object]]) -> pl.DataFrame:
    """Tests in order of start, numbered `t00001` on."""
    tests = pl.DataFrame(rows, infer_schema_length=None).sort("started_at", "vehicle_id")
    number = pl.col("number").cast(pl.String).str.zfill(5)
    return tests.with_row_index("number", 1).select(
        pl.format("t{}", number).alias("test_id"), pl.exclude("number")
    )


def plan_fleet(rng: np.random.Generator, fleet_size: FleetSize) -> Fleet:
    """The planned fleet. The same generator state gives the same fleet."""
    lives = _lives(rng, fleet_size)
    visits, repairs = _visits(rng, lives, fleet_size)
    ordered = sorted(repairs, key=lambda each: (each.day, each.life.car.vehicle_id))
    ids = {id(repair): f"r{number + 1:04d}" for number, repair in enumerate(ordered)}
    rows = [
        planned_row(rng, visit, ids.get(id(visit.repair)), fleet_size.habits) for visit in visits
    ]
    seen = _last_seen(visits, repairs)
    vehicles = [_vehicle_row(life, seen.get(life.car.vehicle_id)) for life in lives]
    return Fleet(
        vehicles=pl.DataFrame(vehicles, infer_schema_length=None),
        tests=_test_frame(rows),
        repairs=pl.DataFrame(
            [repair_row(rng, ids[id(repair)], repair) for repair in ordered],
            infer_schema_length=None,
        ),
    )
