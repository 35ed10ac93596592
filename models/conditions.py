"""Operating conditions: what a comparison allows for, and the set that each test can offer.

Holds the dictionary `CONDITIONS` (none of them answers to a fault of the circuit) and the
choice, per test, of the richest set of conditions that enough other cars were logged with.
Takes arrays of one group of cars (rows are tests in one regime), gives the set per row.
Does not belong here: fitting (`baseline`), pressures, temperatures of the circuit or the
duty of a switching fan, which answer to faults and would absorb them.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Numbers = NDArray[np.int64]

Role = Literal["heat_sink", "load", "setting"]


@dataclass(frozen=True)
class Condition:
    """One operating condition.

    `margin` is how far outside the range of the other cars a test may lie;
    `least_variation` the range (5 to 95 %) below which the condition counts as held
    constant and gets no coefficient. Both are defaults to be tuned on data.
    `needed` is the measurement to ask for when it is missing.
    """

    name: str
    role: Role
    unit: str
    margin: float
    least_variation: float
    words: str
    needed: str

    @property
    def bend(self) -> str:
        """What the condition counts as in a product of two."""
        return "fan" if self.name == "condenser_fan_pct" else self.role


# In order of preference within a role. Condenser air of different origin is not the same
# condition: at idle the condenser face can be 18 K above ambient (SAE 2015-01-1689).
CONDITIONS: tuple[Condition, ...] = (
    *(
        Condition(f"condenser_air_c@{source}", "heat_sink", "degC", 3.0, 2.0, words, words)
        for source, words in (
            ("condenser_inlet_air_c", "condenser inlet air"),
            ("ambient_air_c", "ambient air"),
            ("noted", "ambient air as noted"),
        )
    ),
    Condition(
        "intake_enthalpy_kj_per_kg", "load", "kJ/kg", 6.0, 4.0,
        "intake air enthalpy", "intake air temperature and humidity",
    ),
    Condition(
        "intake_air_c", "load", "degC", 3.0, 2.0,
        "intake air temperature", "intake air temperature",
    ),
    Condition(
        "condenser_fan_pct", "setting", "%", 20.0, 10.0,
        "condenser fan command", "condenser fan command",
    ),
    Condition("engine_rpm", "setting", "1/min", 200.0, 150.0, "engine speed", "engine speed"),
    Condition("blower_pct", "setting", "%", 10.0, 10.0, "blower setting", "blower setting"),
    Condition(
        "vehicle_speed_kmh", "setting", "km/h", 10.0, 10.0, "vehicle speed", "vehicle speed"
    ),
)  # fmt: skip

# While it holds one stage the fan command is a setting: high-side pressure then is what this
# air flow gives, and a pressure too high for the stage is the fault. The price: a fan that
# goes up a stage early is no longer a sign by itself. Over the cycles of a switching fan the
# mean is a duty, which answers to the fault and would absorb it.
STEADY_ONLY = ("condenser_fan_pct",)
CONDITION_NAMES = tuple(condition.name for condition in CONDITIONS)
# Products of conditions worth a coefficient, in this order.
_BENDS = (("load", "load"),)
_OF_ROLE: dict[Role, tuple[int, ...]] = {
    role: tuple(i for i, c in enumerate(CONDITIONS) if c.role == role)
    for role in ("heat_sink", "load", "setting")
}


@dataclass(frozen=True)
class Basis:
    """A set of conditions to compare under.

    `required` are the conditions (by place in `CONDITIONS`) that a test must know to be
    compared on this basis; `terms` those of them that vary and carry a coefficient;
    `products` the pairs of terms whose product carries one too (a square is a pair alike).
    """

    required: tuple[int, ...]
    terms: tuple[int, ...]
    products: tuple[tuple[int, int], ...] = ()

    @property
    def n_terms(self) -> int:
        """Coefficients besides the centre."""
        return len(self.terms) + len(self.products)

    @property
    def roles(self) -> frozenset[Role]:
        """Which roles the basis covers."""
        return frozenset(CONDITIONS[place].role for place in self.required)

    @property
    def label(self) -> str:
        """The conditions allowed for, in words."""
        return ", ".join(CONDITIONS[place].words for place in self.required)


@dataclass(frozen=True)
class BasisNeeds:
    """How many cars a basis needs: `least` in all, `per_term` for each coefficient."""

    least: int
    per_term: float

    def are_met(self, vehicles: int, terms: int) -> bool:
        """Whether so many other cars carry a fit with so many terms besides the centre."""
        return vehicles >= max(self.least, self.per_term * (1 + terms))


def varying(values: Array) -> Mask:
    """True for every condition (column) that varies enough to carry a coefficient."""
    result = np.zeros(values.shape[1], dtype=bool)
    for place, condition in enumerate(CONDITIONS):
        known = values[np.isfinite(values[:, place]), place]
        if known.size:
            low, high = np.quantile(known, (0.05, 0.95), method="nearest")
            result[place] = high - low >= condition.least_variation
    return result


@dataclass(frozen=True)
class Choice:
    """The bases that the rows of a group are compared on, and which conditions `varies`."""

    bases: tuple[Basis, ...]
    varies: Mask

    def of(self, known: Mask) -> Numbers:
        """Per row of `known` (n, conditions) the number of the richest basis, -1 is none.

        What a basis needs does not depend on who asks, so that a row has the basis that it
        had a part in choosing, and a row that comes later the richest that there is.
        """
        places = {basis.required: place for place, basis in enumerate(self.bases)}
        patterns, pattern_of_row = np.unique(known, axis=0, return_inverse=True)
        found = [
            next((places[r] for r in _ladder(pattern, self.varies) if r in places), -1)
            for pattern in patterns
        ]
        return np.array(found, dtype=np.int64)[pattern_of_row.reshape(-1)]


def choose_bases(values: Array, vehicles: Numbers, needs: BasisNeeds) -> Choice:
    """The richest bases that enough cars were logged with, one for every way to be logged.

    Parameters
    ----------
    values : (n, conditions), NaN where not known.
    vehicles : (n,) number of the vehicle of each row.
    """
    known = np.isfinite(values)
    varies = varying(values)
    found = [
        _richest(pattern, varies, known, vehicles, needs) for pattern in np.unique(known, axis=0)
    ]
    return Choice(tuple(dict.fromkeys(basis for basis in found if basis is not None)), varies)


def _richest(
    pattern: Mask, varies: Mask, known: Mask, vehicles: Numbers, needs: BasisNeeds
) -> Basis | None:
    for required in _ladder(pattern, varies):
        rows = known[:, required].all(axis=1)
        others = np.unique(vehicles[rows]).size - 1
        terms = tuple(place for place in required if varies[place])
        if needs.are_met(others, len(terms)):
            return Basis(required, terms, _products(terms, others, needs))
    return None


def _products(
    terms: tuple[int, ...], others: int, needs: BasisNeeds
) -> tuple[tuple[int, int], ...]:
    """The bends that so many cars can carry, the most needed first.

    A saturated system loses duct temperature faster than in proportion to the load, and a
    fan stage turns the slopes of the high side as well as its level. Which bends are fitted
    depends on the conditions and the number of cars alone, never on how well any of them
    explains a quantity that answers to faults.
    """
    wanted = [
        (first, second)
        for roles in _BENDS
        for first in terms
        for second in terms
        if first <= second
        and (CONDITIONS[first].bend, CONDITIONS[second].bend) in (roles, roles[::-1])
    ]
    fitting = [n for n in range(len(wanted) + 1) if needs.are_met(others, len(terms) + n)]
    return tuple(wanted[: max(fitting, default=0)])


def _ladder(pattern: Mask, varies: Mask) -> list[tuple[int, ...]]:
    """Sets of known conditions, richest first; settings go first, then humidity, then air."""
    loads: list[int | None] = [place for place in _OF_ROLE["load"] if pattern[place]]
    sinks: list[int | None] = [place for place in _OF_ROLE["heat_sink"] if pattern[place]]
    settings = [place for place in _OF_ROLE["setting"] if pattern[place] and varies[place]]
    ladder = []
    for sink, load in product([*sinks, None], [*loads, None]):
        core = tuple(place for place in (sink, load) if place is not None)
        if core:
            ladder += [core + tuple(settings[:n]) for n in range(len(settings), -1, -1)]
    return ladder


def lacking(bases: tuple[Basis, ...], known: Mask) -> list[str]:
    """Per row, the measurements that other cars are compared by and this test lacks.

    An empty text means none: the row is compared on as rich a basis as its kind allows.
    """
    richest: set[int] = {place for basis in bases for place in basis.required}
    patterns, pattern_of_row = np.unique(known, axis=0, return_inverse=True)
    texts = [_lacking_text(richest, pattern) for pattern in patterns]
    return [texts[number] for number in pattern_of_row.reshape(-1).tolist()]


def _lacking_text(richest: set[int], row: Mask) -> str:
    needed = [CONDITIONS[p].needed for p in sorted(richest) if not row[p] and not _stood_in(p, row)]
    return ", ".join(needed)


def _stood_in(place: int, row: Mask) -> bool:
    """Whether another condition of the row does the same service: condenser air does."""
    if CONDITIONS[place].role == "heat_sink":
        return bool(row[list(_OF_ROLE["heat_sink"])].any())
    return place == CONDITION_NAMES.index("intake_air_c") and bool(
        row[CONDITION_NAMES.index("intake_enthalpy_kj_per_kg")]
    )
