"""What happens to each car of the plan: visits, complaints, repairs and retests.

Takes the cars drawn by `fleet` and gives `Visit`s (one per test) and `Repair`s. A faulty car
may be repaired after a test that found it and comes back within days for a retest; some
repairs do not hold. Does not belong here: conditions of a test and registry columns (`fleet`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING

from synthetic.faults import BY_KIND

if TYPE_CHECKING:
    import numpy as np

    from synthetic.scenario import Model, Site


@dataclass(frozen=True)
class Illness:
    """A car's fault: what, how bad in the end, since when, how many days it takes to grow."""

    kind: str
    severity: float
    onset: date
    grows_over_days: float

    def severity_on(self, day: date) -> float:
        """Severity on a day: 0 before onset, then at once or growing."""
        if day < self.onset:
            return 0.0
        if self.grows_over_days <= 0:
            return self.severity
        age = (day - self.onset).days / self.grows_over_days
        return round(self.severity * min(1.0, 0.6 + 0.4 * age), 4)


@dataclass
class Car:
    """A car while its life is being drawn."""

    vehicle_id: str
    model: Model
    home: Site
    build_date: date
    in_service_date: date
    odometer_km: float
    km_per_day: float
    own: dict[str, float]
    days: list[date] = field(default_factory=list)
    illness: Illness | None = None


@dataclass
class Visit:
    """One test of a car: true fault and severity that day, and the repair it belongs to."""

    car: Car
    day: date
    purpose: str
    kind: str
    severity: float
    filled_on: date
    repair: Repair | None = None


@dataclass
class Repair:
    """One service event and whether it really cured the car (truth, not registry)."""

    car: Car
    day: date
    complaint: str
    component: str
    action: str
    is_cured: bool
    leak_found: bool | None

    @property
    def opens_circuit(self) -> bool:
        """Refrigerant was recovered and the charge weighed in again."""
        opened = self.action in {"leak_repair", "recharge", "replace"}
        return opened and self.component != "blend_door"


def _repair_of(rng: np.random.Generator, car: Car, illness: Illness, day: date) -> Repair:
    """A repair of the true fault that holds four times in five."""
    fault = BY_KIND[illness.kind]
    cured = bool(rng.random() < 0.8)
    leak = cured if illness.kind == "undercharge" else None
    action = fault.repair_action if cured or leak is None else "recharge"
    return Repair(car, day, fault.complaint, fault.component, action, cured, leak)


def _ill_life(rng: np.random.Generator, car: Car, illness: Illness) -> list[Visit]:
    """Visits of a car that gets a fault: perhaps repaired and retested, perhaps ill again."""
    visits: list[Visit] = []
    current: Illness | None = illness
    repair: Repair | None = None
    filled_on = car.build_date
    for number, planned in enumerate(car.days):
        if repair is not None and visits[-1].purpose == "before_repair":
            day = repair.day + timedelta(days=int(rng.integers(0, 6)))
            visit = Visit(car, day, "after_repair", "none", 0.0, filled_on, repair)
        else:
            # a retest may have pushed the car past its next planned day
            day = max([planned, *(earlier.day + timedelta(days=7) for earlier in visits[-1:])])
            purpose = "complaint" if rng.random() < 0.5 else "screening"
            visit = Visit(car, day, purpose, "none", 0.0, filled_on)
        if current is not None and current.severity_on(day) > 0:
            visit.kind, visit.severity = current.kind, current.severity_on(day)
        elif visit.repair is None:
            visit.purpose = "screening"
        visits.append(visit)
        more = number + 1 < len(car.days)
        if visit.severity > 0 and visit.repair is None and more and rng.random() < 0.35:
            repair = _repair_of(rng, car, illness, day + timedelta(days=int(rng.integers(1, 9))))
            visit.purpose, visit.repair = "before_repair", repair
            current = None if repair.is_cured else _returned(illness, repair)
            filled_on = repair.day if repair.opens_circuit else filled_on
    return visits


def _returned(illness: Illness, repair: Repair) -> Illness:
    """The fault left in by a repair that did not cure: a recharge hides a leak for a while."""
    if illness.kind != "undercharge":
        return illness
    later = repair.day + timedelta(days=25)
    return Illness(illness.kind, illness.severity, later, illness.grows_over_days)


def visits_of(rng: np.random.Generator, car: Car) -> list[Visit]:
    """All visits of a car in order of date."""
    if car.illness is not None:
        return _ill_life(rng, car, car.illness)
    visits = [Visit(car, day, "screening", "none", 0.0, car.build_date) for day in car.days]
    for visit in visits:
        # some healthy cars come with a complaint, and some of those get a needless service
        if rng.random() < 0.05:
            visit.purpose = "complaint"
    if len(visits) > 1 and rng.random() < 0.05:
        needless = Repair(
            car, visits[0].day + timedelta(days=2), "not cold enough", "refrigerant_circuit",
            "recharge", is_cured=True, leak_found=False,
        )  # fmt: skip
        visits[0].purpose, visits[0].repair = "before_repair", needless
        visits[1].purpose, visits[1].repair = "after_repair", needless
        visits[1].day = needless.day + timedelta(days=1)
        for later in visits[1:]:
            later.filled_on = needless.day
    return sorted(visits, key=lambda visit: visit.day)


def repairs_in(visits: list[Visit]) -> list[Repair]:
    """The repairs that the visits belong to, each once, in order."""
    found: list[Repair] = []
    for visit in visits:
        if visit.repair is not None and all(visit.repair is not known for known in found):
            found.append(visit.repair)
    return found
