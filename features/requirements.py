"""What each feature needs to be worked out: channels logged and facts noted.

Holds the ways to a feature (each a set of names that suffices), whether a log with given
names can have windows at all, and what a feature lacks. A name is a channel, or a fact of
the registry: `refrigerant`, `ambient_c`. Derives from the catalogue, so that the two
cannot differ. Does not belong here: what a car is judged by (`models.requirements`),
why a test with every channel still gave nothing (`unread`).
"""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING

from features.records import WAYS
from features.settling import KEYS, LEAST_KEY_CHANNELS

if TYPE_CHECKING:
    from collections.abc import Collection

    from features.records import Feature

Way = frozenset[str]

REFRIGERANT = "refrigerant"
NOTED_AMBIENT = "ambient_c"
# facts of the registry that stand in for, or go with, a sensor
NOTED_FACTS = (REFRIGERANT, NOTED_AMBIENT)

# columns that follow from the properties of the refrigerant
_OF_REFRIGERANT = frozenset(
    {
        "evaporating_dew_c",
        "condensing_bubble_c",
        "discharge_dew_c",
        "reference_discharge_c",
        "superheat_k",
        "static_over_saturation_kpa",
        # where an evaporator freezes
        "n_icing_events",
    }
    | {
        f"{place}_enthalpy_kj_per_kg"
        for place in (
            "suction",
            "discharge",
            "isentropic",
            "condenser_outlet",
            "expansion_inlet",
            "evaporator_outlet",
        )
    }
)
_RUNNING = tuple(frozenset(way) for way in WAYS["running_min"])


def _ways_to(name: str) -> tuple[Way, ...]:
    """Sets of names that give one column of a window, the best first."""
    if name == "duct_air_c":
        return tuple(frozenset({one}) for one in (name, "duct_left_c", "duct_right_c"))
    ways = tuple(frozenset(way) for way in WAYS.get(name, ((name,),)))
    if name == "condenser_air_c":
        return (*ways, frozenset({NOTED_AMBIENT}))
    if name in _OF_REFRIGERANT:
        return tuple(way | {REFRIGERANT} for way in ways)
    return ways


def ways_to(feature: Feature) -> tuple[Way, ...]:
    """Sets of names that suffice for a feature, the best first; none holds another."""
    found: list[Way] = []
    for parts in product(*(_ways_to(name) for name in feature.inputs)):
        way = frozenset[str]().union(*parts)
        if not any(other <= way for other in found):
            found = [other for other in found if not way <= other] + [way]
    return tuple(found)


def is_running_known(names: Collection[str]) -> bool:
    """True means: whether the compressor runs can be told from what is logged."""
    return any(way <= frozenset(names) for way in _RUNNING)


def can_have_windows(names: Collection[str]) -> bool:
    """True means: enough of the circuit is logged for a steady or periodic window."""
    known = frozenset(names)
    n_keys = sum(key.counts and any(name in known for name in key.inputs) for key in KEYS)
    return is_running_known(known) and n_keys >= LEAST_KEY_CHANNELS


def can_be_worked_out(feature: Feature, names: Collection[str]) -> bool:
    """True means: a log with these names can give the feature, where its test settles."""
    known = frozenset(names)
    if feature.scope != "whole_test" and not can_have_windows(known):
        return False
    return any(way <= known for way in ways_to(feature))


def lacking(feature: Feature, names: Collection[str]) -> tuple[str, ...]:
    """The fewest further names with which the feature could be worked out, sorted.

    Empty where nothing is lacking.
    """
    known = frozenset(names)
    # both pressures tell whether it runs, and are two channels of the circuit
    has_windows = feature.scope == "whole_test" or can_have_windows(known)
    more = frozenset[str]() if has_windows else frozenset({"low_side_kpa", "high_side_kpa"})
    return min((tuple(sorted((way | more) - known)) for way in ways_to(feature)), key=len)
