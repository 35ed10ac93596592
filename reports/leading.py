"""Which finding a row of the fleet list leads with, and in which order the others follow.

Takes a vehicle's rows of `evidence`, gives rows. The largest deviation is not always the
plainest: that the vents blow warm is understood by all. Does not belong here: deciding
what is a finding (`models`).
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

Row = dict[str, Any]

# What the driver feels, then charge and feed, then the two sides; all else by its deviation.
PLAINEST_FIRST = (
    "duct_air_c",
    "duct_drop_k",
    "condenser_outlet_subcooling_k",
    "evaporator_outlet_superheat_k",
    "high_side_kpa",
    "low_side_kpa",
)
_PLACE = {feature: place for place, feature in enumerate(PLAINEST_FIRST)}
_CONFIRMING_TESTS = 2
# a small finding beside one far out would understate it (a choice, no source)
_LEAST_SHARE_OF_LARGEST = 0.5


def in_order_of_telling(findings: Sequence[Row]) -> list[Row]:
    """Each finding once: the plainest of the certain ones, then the others as they come.

    Certain are those that a second test shows; where no test confirms any, those at least
    half as far out as the furthest. Rows come with the largest deviation first; a finding
    stands where it deviates most.
    """
    first: dict[tuple[str, str | None], Row] = {}
    tests: dict[tuple[str, str | None], set[str]] = defaultdict(set)
    for row in findings:
        key = (row["feature"], row["finding_code"])
        first.setdefault(key, row)
        tests[key].add(row["test_id"])
    if not first:
        return []
    confirmed = [key for key in first if len(tests[key]) >= _CONFIRMING_TESTS]
    certain = confirmed or _far_out(first)
    lead = min(certain, key=lambda key: _PLACE.get(key[0], len(_PLACE)))
    return [first.pop(lead), *first.values()]


def _far_out(first: Mapping[tuple[str, str | None], Row]) -> list[tuple[str, str | None]]:
    far = {key: abs(row["z"] or 0.0) for key, row in first.items()}
    least = _LEAST_SHARE_OF_LARGEST * max(far.values())
    return [key for key, deviation in far.items() if deviation >= least]
