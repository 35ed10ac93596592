"""What a car goes through: its condition day by day, from the works to loss from sight.

`begin_life` draws what is wrong with a car and when it starts; a `Life` then answers for any
day how much charge is left and how bad each fault is. Repairs add chapters (`service`).
Does not belong here: visits and shops (`service`), registry rows (`fleet`), physics (`plant`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING

from synthetic.scenario import BATCHES
from synthetic.troubles import (
    FAULTY_FROM_SEVERITY,
    LEAKER_SHARE,
    TROUBLE,
    Illness,
    Leak,
    charge_severity,
    draw_illness,
    draw_leak,
    draw_onset,
    regular_loss_g_per_year,
)

if TYPE_CHECKING:
    from datetime import date

    import numpy as np

    from synthetic.car_models import Model
    from synthetic.scenario import Site

# a second fault beside the first [share of faulty cars] (chosen)
_SECOND_SHARE = 0.12
# works fill to this spread of the nominal charge (chosen)
WORKS_FILL_SPREAD = 0.02
# gas that stays in tubes and oil when all pressure is gone, of the nominal charge (chosen)
_LEAST_CHARGE_SHARE = 0.04


@dataclass(frozen=True)
class Car:
    """A car as built and sold, with its own scatter (standard normal numbers)."""

    vehicle_id: str
    model: Model
    home: Site
    build_date: date
    in_service_date: date
    last_day: date
    km_per_day: float
    own: dict[str, float]

    def odometer_km(self, day: date) -> int:
        """Reading of the odometer on a day."""
        return round(30.0 + self.km_per_day * max((day - self.in_service_date).days, 0))


@dataclass(frozen=True)
class Chapter:
    """Condition of a car from a day on: charge that day, leaks and faults, also later ones."""

    since: date
    charge_g: float
    leaks: tuple[Leak, ...]
    illnesses: tuple[Illness, ...]


@dataclass(frozen=True)
class Health:
    """Truth of one day: charge, severity and onset of every fault, the one felt most first."""

    charge_g: float
    severities: dict[str, float]
    onset: date | None

    @property
    def worst(self) -> str:
        """The fault that the driver feels most, or `none`."""
        return next(iter(self.severities), "none")

    @property
    def severity(self) -> float:
        """Severity of the worst fault."""
        return self.severities.get(self.worst, 0.0)

    @property
    def felt(self) -> float:
        """How much worse than new the driver finds the cooling, from 0 to about 1."""
        return max((s * TROUBLE[kind].felt for kind, s in self.severities.items()), default=0.0)


@dataclass
class Life:
    """A car and its chapters in order of time."""

    car: Car
    chapters: list[Chapter]
    batch_id: str | None = None
    repaired_on: list[date] = field(default_factory=list)

    def chapter_on(self, day: date) -> Chapter:
        """The chapter that a day belongs to."""
        return next((c for c in reversed(self.chapters) if c.since <= day), self.chapters[0])

    def charge_on(self, day: date) -> float:
        """Charge left on a day [g]."""
        chapter = self.chapter_on(day)
        lost = sum(leak.lost_g(chapter.since, day) for leak in chapter.leaks)
        least = _LEAST_CHARGE_SHARE * self.car.model.charge_g
        return round(max(chapter.charge_g - lost, least), 1)

    def loss_g_per_year_on(self, day: date) -> float:
        """Rate at which the charge falls on a day [g a year]."""
        leaks = (leak for leak in self.chapter_on(day).leaks if leak.onset <= day)
        return round(sum(leak.g_per_year for leak in leaks), 1)

    def health_on(self, day: date) -> Health:
        """The truth of a day."""
        chapter, charge_g = self.chapter_on(day), self.charge_on(day)
        found = [(ill.kind, ill.severity_on(day), ill.onset) for ill in chapter.illnesses]
        kind, severity = charge_severity(charge_g / self.car.model.charge_g)
        found.append((kind, severity, _charge_onset(chapter, day)))
        there = [each for each in found if each[1] >= FAULTY_FROM_SEVERITY]
        there.sort(key=lambda each: -each[1] * TROUBLE[each[0]].felt)
        onset = there[0][2] if there else None
        return Health(charge_g, {name: size for name, size, _ in there}, onset)


def _charge_onset(chapter: Chapter, day: date) -> date:
    """First day of the leak that has taken most since the last fill, or the day of that fill."""
    leak = max(chapter.leaks, key=lambda each: each.lost_g(chapter.since, day))
    return max(leak.onset, chapter.since) if leak.onset <= day else chapter.since


def _batch_of(rng: np.random.Generator, car: Car) -> tuple[str | None, str, float]:
    """Defect from the works that a car has, if its batch is a bad one: batch, kind, size."""
    for batch in BATCHES:
        if batch.model_id != car.model.model_id:
            continue
        if batch.built_from <= car.build_date <= batch.built_to and rng.random() < batch.affected:
            return batch.batch_id, batch.kind, batch.size
    return None, "none", 0.0


def _drawn_defects(
    rng: np.random.Generator, car: Car, window: tuple[date, date]
) -> tuple[list[Leak], list[Illness]]:
    """What goes wrong with a car that is to have something wrong, one in eight twice."""
    leaks: list[Leak] = []
    illnesses: list[Illness] = []
    first = max(car.in_service_date, window[0] - timedelta(days=400))
    last = max(min(car.last_day, window[1]) - timedelta(days=60), first + timedelta(days=1))
    for _ in range(1 + int(rng.random() < _SECOND_SHARE)):
        onset = draw_onset(rng, first, last)
        if rng.random() < LEAKER_SHARE and not leaks:
            leaks.append(draw_leak(rng, onset))
        else:
            illness = draw_illness(rng, car.model, onset)
            if illness.kind not in {each.kind for each in illnesses}:
                illnesses.append(illness)
    return leaks, illnesses


def begin_life(
    rng: np.random.Generator,
    car: Car,
    window: tuple[date, date],
    *,
    falls_ill: bool,
    has_batches: bool = True,
) -> Life:
    """Life of a car from the works, with all that begins to fail before the window ends.

    Faults begin inside the window or in the year before it. A filling by somebody unknown that
    leaves too much in is a chapter of its own.
    """
    regular = Leak(round(regular_loss_g_per_year(rng), 1), car.build_date)
    leaks, illnesses = _drawn_defects(rng, car, window) if falls_ill else ([], [])
    batch_id, kind, size = _batch_of(rng, car) if has_batches else (None, "none", 0.0)
    fill = car.model.charge_g * (1.0 + WORKS_FILL_SPREAD * car.own["own_charge"])
    if kind == "leak":
        leaks.append(Leak(size, car.in_service_date))
    elif kind == "short_charged":
        fill *= 1.0 - size
    elif kind != "none":
        worn = car.in_service_date + timedelta(days=200)
        illnesses.append(Illness(kind, size, worn, 700.0))
    kept = tuple(each for each in illnesses if each.kind != "overcharge")
    chapters = [Chapter(car.build_date, round(fill, 1), (regular, *leaks), kept)]
    for filled in (each for each in illnesses if each.kind == "overcharge"):
        charge_g = round(car.model.charge_g * (1.1 + 0.3 * filled.severity), 1)
        chapters.append(Chapter(filled.onset, charge_g, (regular, *leaks), kept))
    return Life(car, chapters, batch_id)
