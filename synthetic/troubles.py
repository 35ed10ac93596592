"""What can go wrong with a car: kinds, how often, how fast they grow, who feels them.

Loss of charge is not drawn as a fault: it follows from leaks (`Leak`) and from what shops and
works fill. All other faults are those of the plant, with a severity from 0 to 1. Shares are
starting priors of the trade (screening: none .85, low charge .08, rest .07; within the rest
the order of workshop complaints). Does not belong here: physics of a fault (`plant.faults`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from synthetic.plant.faults import ADDED_CHARGE_SHARE, LOST_CHARGE_SHARE

if TYPE_CHECKING:
    from datetime import date

    from synthetic.car_models import Model

# of the cars with something wrong, this share leaks: more than the 8 of 15 that show low charge
# in the screening priors, since a leak takes time to show (chosen)
LEAKER_SHARE = 0.62
# gross leak of a car: median and log spread; published static tests and fleet surveys span
# 3 to 130 g a year on cars and reach 1,300 g a year on buses: heavy-tailed
_LEAK_MEDIAN_G, _LEAK_LOG_SPREAD = 130.0, 0.75
# regular loss of a tight car: new-car design values average 15 g a year
_REGULAR_MEDIAN_G, _REGULAR_LOG_SPREAD = 14.0, 0.35
# charge that counts as a fault in the truth: a reserve of 50 to 150 g (common practice) is
# some fifth of a charge; too much shows sooner (chosen)
SHORT_FROM_SHARE, OVER_FROM_SHARE = 0.20, 0.12
FAULTY_FROM_SEVERITY = 0.1


@dataclass(frozen=True)
class Trouble:
    """One kind of fault: its weight among faults, its growth, how it is felt and repaired."""

    kind: str
    weight: float
    grows: bool
    felt: float
    component: str
    repair_action: str
    complaint: str

    @property
    def opens_circuit(self) -> bool:
        """Its repair recovers the refrigerant."""
        return self.repair_action in {"leak_repair", "recharge", "replace"} and (
            self.component not in {"blend_door", "heater_valve", "cabin_filter", "coil_sensor"}
        )


TROUBLES: tuple[Trouble, ...] = (
    Trouble("undercharge", 0.0, grows=True, felt=1.0,
            component="refrigerant_circuit", repair_action="leak_repair",
            complaint="not cold enough"),
    Trouble("overcharge", 0.05, grows=False, felt=0.5,
            component="refrigerant_circuit", repair_action="recharge",
            complaint="weak when standing"),
    Trouble("condenser_blockage", 0.06, grows=True, felt=0.7,
            component="condenser", repair_action="airflow", complaint="weak when standing"),
    Trouble("weak_fan", 0.06, grows=False, felt=0.9,
            component="condenser_fan", repair_action="electrical",
            complaint="weak when standing"),
    Trouble("evaporator_air_low", 0.05, grows=True, felt=0.7,
            component="cabin_filter", repair_action="airflow", complaint="too little air"),
    Trouble("blend_door_leak", 0.05, grows=False, felt=0.9,
            component="blend_door", repair_action="replace", complaint="one side warm"),
    Trouble("heater_valve_leak", 0.03, grows=False, felt=0.9,
            component="heater_valve", repair_action="replace", complaint="not cold enough"),
    Trouble("compressor_wear", 0.05, grows=True, felt=0.8,
            component="compressor", repair_action="replace", complaint="not cold enough"),
    Trouble("displacement_stuck_low", 0.03, grows=False, felt=1.0,
            component="control_valve", repair_action="replace", complaint="not cold enough"),
    Trouble("displacement_stuck_high", 0.02, grows=False, felt=0.4,
            component="control_valve", repair_action="replace", complaint="cold only at times"),
    Trouble("valve_under_feeding", 0.025, grows=True, felt=0.8,
            component="expansion_device", repair_action="replace",
            complaint="cold only at times"),
    Trouble("valve_over_feeding", 0.015, grows=False, felt=0.4,
            component="expansion_device", repair_action="replace",
            complaint="cold only at times"),
    Trouble("valve_hunting", 0.01, grows=False, felt=0.3,
            component="expansion_device", repair_action="replace",
            complaint="cold only at times"),
    Trouble("liquid_restriction", 0.02, grows=True, felt=0.8,
            component="receiver_drier", repair_action="replace", complaint="not cold enough"),
    Trouble("non_condensables", 0.03, grows=False, felt=0.6,
            component="refrigerant_circuit", repair_action="recharge",
            complaint="not cold enough"),
    Trouble("wrong_refrigerant", 0.01, grows=False, felt=0.4,
            component="refrigerant_circuit", repair_action="recharge",
            complaint="not cold enough"),
    Trouble("icing", 0.02, grows=False, felt=0.7,
            component="coil_sensor", repair_action="replace", complaint="air stops after a while"),
    Trouble("exchanger_fouled", 0.01, grows=True, felt=0.2,
            component="heat_exchanger", repair_action="replace", complaint="not cold enough"),
    Trouble("oil_overcharge", 0.02, grows=False, felt=0.5,
            component="refrigerant_circuit", repair_action="recharge",
            complaint="not cold enough"),
)  # fmt: skip
TROUBLE: dict[str, Trouble] = {each.kind: each for each in TROUBLES}
KINDS: tuple[str, ...] = tuple(TROUBLE)
# set right by any careful recovery, evacuation and recharge by weight
GONE_WITH_A_RECHARGE = ("non_condensables", "wrong_refrigerant")


@dataclass(frozen=True)
class Illness:
    """A fault of one car: what, how bad in the end, since when, days it takes to grow."""

    kind: str
    severity: float
    onset: date
    grows_over_days: float = 0.0

    def severity_on(self, day: date) -> float:
        """Severity on a day: 0 before onset, then at once or growing."""
        if day < self.onset:
            return 0.0
        if self.grows_over_days <= 0:
            return self.severity
        age = (day - self.onset).days / self.grows_over_days
        return round(self.severity * min(1.0, 0.3 + 0.7 * age), 4)


@dataclass(frozen=True)
class Leak:
    """A leak beyond the regular loss: rate and first day."""

    g_per_year: float
    onset: date

    def lost_g(self, start: date, end: date) -> float:
        """Mass lost from `start` to `end` [g]."""
        days = (end - max(start, self.onset)).days
        return self.g_per_year * max(days, 0) / 365.0


def regular_loss_g_per_year(rng: np.random.Generator) -> float:
    """Regular loss of a tight car [g a year]."""
    return float(_REGULAR_MEDIAN_G * np.exp(_REGULAR_LOG_SPREAD * rng.standard_normal()))


def draw_leak(rng: np.random.Generator, onset: date) -> Leak:
    """A gross leak from the heavy-tailed spread of rates."""
    rate = _LEAK_MEDIAN_G * np.exp(_LEAK_LOG_SPREAD * rng.standard_normal())
    return Leak(round(float(rate), 1), onset)


def can_have(model: Model, kind: str) -> bool:
    """Whether a model has the part that this fault is a fault of."""
    if kind.startswith("displacement_stuck"):
        return model.is_variable
    if kind in {"valve_hunting", "valve_over_feeding"}:
        return model.expansion_device == "txv"
    if kind == "exchanger_fouled":
        return model.internal_heat_exchanger
    # nothing hot to mix in without an engine
    return not (model.is_electric and kind in {"blend_door_leak", "heater_valve_leak"})


def draw_illness(rng: np.random.Generator, model: Model, onset: date) -> Illness:
    """A fault other than loss of charge, of a kind that the model can have."""
    possible = [each for each in TROUBLES if each.weight > 0 and can_have(model, each.kind)]
    weights = np.array([each.weight for each in possible])
    chosen = possible[int(rng.choice(len(possible), p=weights / weights.sum()))]
    severity = round(0.3 + 0.7 * float(rng.beta(1.6, 1.6)), 3)
    days = float(rng.uniform(60.0, 500.0)) if chosen.grows else 0.0
    return Illness(chosen.kind, severity, onset, days)


def draw_onset(rng: np.random.Generator, first: date, last: date) -> date:
    """A day on which something begins to fail, any day of the span alike."""
    return first + timedelta(days=int(rng.integers(0, max((last - first).days, 1))))


def charge_severity(charge_share: float) -> tuple[str, float]:
    """Fault and severity that a charge means, relative to the nominal one; else `none`."""
    if charge_share < 1.0 - SHORT_FROM_SHARE:
        return "undercharge", min(1.0, round((1.0 - charge_share) / LOST_CHARGE_SHARE, 4))
    if charge_share > 1.0 + OVER_FROM_SHARE:
        return "overcharge", min(1.0, round((charge_share - 1.0) / ADDED_CHARGE_SHARE, 4))
    return "none", 0.0
