"""What a log could be judged by, and which one sensor more would buy most.

Takes the names that a log gives (channels, facts of the registry), gives an `Outlook`:
the judged features in reach, the sides of the system left open, and the best next sensor.
It speaks of what is logged, not of what a test then shows: a test that never settles gives
nothing all the same. Does not belong here: the ways to a feature (`features.requirements`),
gaps of a judged test (`coverage`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from features.catalogue import FEATURE, FEATURE_RECORDS
from features.channels import CHANNELS
from features.requirements import NOTED_FACTS, can_be_worked_out
from models.findings import CORE_SIDES, JUDGED

if TYPE_CHECKING:
    from collections.abc import Collection

    from models.conditions import Role
    from models.findings import CoreSide, JudgedFeature

# Any one of these names tells the condition (models.conditions holds how it is used).
_TELLS: dict[Role, frozenset[str]] = {
    "heat_sink": frozenset({"condenser_inlet_air_c", "ambient_air_c", "ambient_c"}),
    "load": frozenset({"intake_air_c"}),
    "setting": frozenset(),
}
_AT_THE_REAR = frozenset({"rear_evaporator_outlet_c", "duct_rear_c"})
_CANDIDATES = (*NOTED_FACTS, *(channel.name for channel in CHANNELS))


@dataclass(frozen=True)
class NextSensor:
    """One name more, and what it would buy: sides closed, features judged, features known."""

    name: str
    closes: tuple[CoreSide, ...]
    judges: tuple[JudgedFeature, ...]
    features: tuple[str, ...]

    @property
    def is_noted(self) -> bool:
        """True means: no sensor is needed, only an entry in the registry."""
        return self.name in NOTED_FACTS


@dataclass(frozen=True)
class Outlook:
    """What a log can be judged by, what stays open, and what would help most."""

    judged: tuple[JudgedFeature, ...]
    open_sides: tuple[CoreSide, ...]
    features: tuple[str, ...]
    next_sensor: NextSensor | None


def outlook(
    names: Collection[str], *, has_heat_exchanger: bool | None, has_rear_evaporator: bool | None
) -> Outlook:
    """What a log with these names can be judged by.

    Parameters
    ----------
    names
        Channels with readings, and of `ambient_c` and `refrigerant` those that are noted.
    has_heat_exchanger
        Whether the car has an internal heat exchanger; None counts as having one.
    has_rear_evaporator
        Whether it has a rear evaporator; without one no sensor there is proposed.
    """
    now = _in_reach(frozenset(names), has_heat_exchanger=has_heat_exchanger is not False)
    absent = frozenset() if has_rear_evaporator else _AT_THE_REAR
    return Outlook(now.judged, now.open_sides, now.features, _best(now, absent))


@dataclass(frozen=True)
class _Reach:
    names: frozenset[str]
    has_heat_exchanger: bool
    judged: tuple[JudgedFeature, ...]
    open_sides: tuple[CoreSide, ...]
    features: tuple[str, ...]


def _in_reach(names: frozenset[str], *, has_heat_exchanger: bool) -> _Reach:
    features = tuple(f.name for f in FEATURE_RECORDS if can_be_worked_out(f, names))
    judged = tuple(f for f in JUDGED if _can_be_judged(f, names))
    inside = {feature.name for feature in judged}
    open_sides = tuple(
        side for side in CORE_SIDES if not inside & _closing(side, has_heat_exchanger)
    )
    return _Reach(names, has_heat_exchanger, judged, open_sides, features)


def _can_be_judged(feature: JudgedFeature, names: frozenset[str]) -> bool:
    has_conditions = all(_TELLS[role] & names for role in feature.roles)
    return has_conditions and can_be_worked_out(FEATURE[feature.name], names)


def _closing(side: CoreSide, has_heat_exchanger: bool) -> frozenset[str]:  # noqa: FBT001  a fact of the car
    without = () if has_heat_exchanger else side.without_heat_exchanger
    return frozenset((*side.features, *without))


def _best(now: _Reach, absent: frozenset[str]) -> NextSensor | None:
    """The candidate that closes most sides, then has most features judged, then known."""
    offers = [_offer(name, now) for name in _CANDIDATES if name not in now.names | absent]
    useful = [offer for offer in offers if offer.judges or offer.features]
    # a note costs nothing: of equals it goes first, since it stands first among the candidates
    return max(
        useful,
        key=lambda o: (len(o.closes), len(o.judges), len(o.features)),
        default=None,
    )


def _offer(name: str, now: _Reach) -> NextSensor:
    then = _in_reach(now.names | {name}, has_heat_exchanger=now.has_heat_exchanger)
    return NextSensor(
        name,
        tuple(side for side in now.open_sides if side not in then.open_sides),
        tuple(feature for feature in then.judged if feature not in now.judged),
        tuple(feature for feature in then.features if feature not in now.features),
    )
