"""Visits to the workshop: complaints, diagnosis, repairs done well or badly, retests, claims.

`live_through` walks a life week by week: the worse the cooling and the hotter the week, the
likelier a complaint. What a repair leaves behind becomes the next chapter of the life, so that
comebacks follow from what is still wrong. Does not belong here: routine tests (`fleet`),
what is wrong with a car (`lives`, `troubles`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from synthetic.climate import cooling_degrees_k
from synthetic.lives import Chapter
from synthetic.troubles import GONE_WITH_A_RECHARGE, TROUBLE, Illness

if TYPE_CHECKING:
    from datetime import date

    import numpy as np

    from synthetic.lives import Health, Life
    from synthetic.scenario import Site, Technician

# chance of a complaint a week and K of cooling: from what is felt, and without any cause (chosen)
_COMPLAINS_PER_K, _COMPLAINS_WITHOUT_CAUSE_PER_K = 0.020, 0.0002
# after a visit, nobody comes back within these days
_PATIENCE_DAYS = 14
_LOGS_A_COMPLAINT = 0.80
_PART_IS_GOOD, _SEAL_IS_GOOD = 0.94, 0.95
_WRONG_GAS_SHARE = 0.004
_NEEDLESS_RECHARGE = 0.4
_WRONG_PARTS = ("compressor", "expansion_device", "condenser_fan")
WARRANTY_MONTHS, WARRANTY_KM = 36, 100_000


@dataclass
class Visit:
    """One test: the car that day, at which workshop, by whom, why, and of which repair."""

    life: Life
    day: date
    purpose: str
    site: Site
    technician: Technician
    repair: Repair | None = None


@dataclass
class Repair:
    """One service event: what the books say, and what was really done."""

    life: Life
    day: date
    site: Site
    technician: Technician
    complaint: str
    component: str
    action: str
    leak_found: bool | None
    before: Health
    claim_reported: date | None = None
    charged_g: float | None = None
    found_cause: bool = False
    after: Health | None = None
    left_leak_g_per_year: float = 0.0
    part_lot: str | None = None
    supplier: str | None = None

    @property
    def opens_circuit(self) -> bool:
        """Refrigerant was recovered and the charge weighed in again."""
        return self.charged_g is not None


@dataclass(frozen=True)
class Books:
    """All visits and repairs of a life."""

    visits: list[Visit]
    repairs: list[Repair]


def _any_technician(rng: np.random.Generator, site: Site) -> Technician:
    return site.technicians[int(rng.integers(0, len(site.technicians)))]


def _complains(rng: np.random.Generator, life: Life, day: date) -> bool:
    """Whether the driver comes in this week because of poor cooling."""
    cooling = cooling_degrees_k(life.car.home, day)
    if cooling <= 0:
        return False
    felt = life.health_on(day).felt
    chance = cooling * (_COMPLAINS_PER_K * felt**1.5 + _COMPLAINS_WITHOUT_CAUSE_PER_K)
    return bool(rng.random() < chance)


def _decided(
    rng: np.random.Generator, health: Health, site: Site, technician: Technician
) -> tuple[str, str, bool | None, bool]:
    """Component, action, whether a leak was found, and whether the cause was."""
    finds = bool(rng.random() < technician.finds_cause)
    if health.worst == "none":
        action = "recharge" if rng.random() < _NEEDLESS_RECHARGE else "inspect"
        return "refrigerant_circuit", action, False, finds
    trouble = TROUBLE[health.worst]
    if health.worst == "undercharge":
        repairs = finds and rng.random() >= site.leaves_leaks
        action = "leak_repair" if repairs else "recharge"
        return trouble.component, action, finds, finds
    if finds:
        return trouble.component, trouble.repair_action, None, True
    if rng.random() < 0.7:
        return "refrigerant_circuit", "recharge", False, False
    return _WRONG_PARTS[int(rng.integers(0, len(_WRONG_PARTS)))], "replace", None, False


def _filled_g(rng: np.random.Generator, life: Life, site: Site) -> float:
    """What really goes in when a workshop fills a car [g]."""
    error = site.charge_bias + site.charge_error * float(rng.standard_normal())
    return round(life.car.model.charge_g * max(0.5, 1.0 + error), 1)


def _illnesses_left(
    rng: np.random.Generator, repair: Repair, there: tuple[Illness, ...]
) -> tuple[Illness, ...]:
    """Faults after a repair: what was cured goes, what bad work brought in comes."""
    cured = set()
    if repair.found_cause and rng.random() < _PART_IS_GOOD:
        cured.add(repair.before.worst)
    if repair.opens_circuit:
        cured.update(GONE_WITH_A_RECHARGE)
    left = [ill for ill in there if ill.kind not in cured or ill.onset > repair.day]
    if repair.opens_circuit and rng.random() < repair.site.evacuates_badly:
        severity = round(float(rng.uniform(0.2, 0.6)), 3)
        left.append(Illness("non_condensables", severity, repair.day))
    if repair.opens_circuit and rng.random() < _WRONG_GAS_SHARE:
        severity = round(float(rng.uniform(0.3, 0.9)), 3)
        left.append(Illness("wrong_refrigerant", severity, repair.day))
    return tuple(left)


def _perform(rng: np.random.Generator, repair: Repair) -> None:
    """Do the repair: the next chapter of the life begins."""
    life, day = repair.life, repair.day
    chapter = life.chapter_on(day)
    is_open = repair.action in {"leak_repair", "recharge"} or (
        repair.action == "replace" and _opens(repair.component)
    )
    repair.charged_g = _filled_g(rng, life, repair.site) if is_open else None
    leaks = chapter.leaks
    if repair.action == "leak_repair" and rng.random() < _SEAL_IS_GOOD:
        # the first is the regular loss, which no repair ends
        leaks = (leaks[0], *(leak for leak in leaks[1:] if leak.onset > day))
    charge_g = repair.charged_g if repair.charged_g is not None else life.charge_on(day)
    illnesses = _illnesses_left(rng, repair, chapter.illnesses)
    life.chapters = [each for each in life.chapters if each.since <= day]
    life.chapters.append(Chapter(day, charge_g, leaks, illnesses))
    repair.after = life.health_on(day)
    repair.left_leak_g_per_year = sum(leak.g_per_year for leak in leaks[1:] if leak.onset <= day)
    if repair.action == "replace":
        repair.supplier = "sup_orlun" if rng.random() < 0.6 else "sup_keddar"
        repair.part_lot = f"lot_{day.year}_{1 + day.month // 4}"


def _opens(component: str) -> bool:
    return any(each.component == component and each.opens_circuit for each in TROUBLE.values())


def _claim_day(rng: np.random.Generator, life: Life, day: date) -> date | None:
    """Day on which a claim reaches the books, if the car is under warranty: weeks later."""
    months = (day - life.car.in_service_date).days / 30.4
    if months > WARRANTY_MONTHS or life.car.odometer_km(day) > WARRANTY_KM:
        return None
    return day + timedelta(days=3 + int(rng.gamma(2.0, 14.0)))


def _come_in(rng: np.random.Generator, life: Life, day: date) -> Books:
    """One complaint from the counter to the retest."""
    site = life.car.home
    technician = _any_technician(rng, site)
    health = life.health_on(day)
    component, action, leak_found, finds = _decided(rng, health, site, technician)
    visits, repairs = [], []
    repair: Repair | None = None
    if action != "inspect":
        repair = Repair(
            life, day + timedelta(days=1 + int(rng.integers(0, 6))), site, technician,
            TROUBLE[health.worst].complaint if health.worst != "none" else "not cold enough",
            component, action, leak_found, health, found_cause=finds,
        )  # fmt: skip
        repair.claim_reported = _claim_day(rng, life, repair.day)
        repairs.append(repair)
    if rng.random() < _LOGS_A_COMPLAINT:
        purpose = "complaint"
        if repair is not None:
            claims = repair.claim_reported is not None and rng.random() < 0.5
            purpose = "claim" if claims else "before_repair"
        visits.append(Visit(life, day, purpose, site, technician, repair))
    if repair is not None:
        _perform(rng, repair)
        if rng.random() < site.retests:
            later = repair.day + timedelta(days=int(rng.integers(0, 4)))
            visits.append(Visit(life, later, "after_repair", site, technician, repair))
    return Books(visits, repairs)


def live_through(rng: np.random.Generator, life: Life, window: tuple[date, date]) -> Books:
    """All complaints of a life within a window, in order, with what came of them."""
    books = Books([], [])
    day = max(window[0], life.car.in_service_date)
    last = min(window[1], life.car.last_day) - timedelta(days=12)
    while day < last:
        if _complains(rng, life, day):
            came = _come_in(rng, life, day)
            books.visits.extend(came.visits)
            books.repairs.extend(came.repairs)
            day += timedelta(days=_PATIENCE_DAYS)
        day += timedelta(days=7)
    return books


def routine_visit(rng: np.random.Generator, life: Life, day: date) -> Visit:
    """A screening test, mostly at the home workshop."""
    return Visit(life, day, "screening", life.car.home, _any_technician(rng, life.car.home))
