"""The early warning in words: one sentence per cohort, batch and group.

Takes rows of plain values, gives sentences for a warranty analyst. Does not belong here:
deciding anything.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from models.claim_cohorts import KIND_WORDS
from models.findings import JUDGED_FEATURE
from models.sentences import capitalised, day, enumeration

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Array = NDArray[np.float64]


def ordinal(number: int) -> str:
    """`1st`, `2nd`, `11th`."""
    teens = number % 100 in (11, 12, 13)
    ending = "th" if teens else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def claim_sentence(row: Mapping[str, Any]) -> str:
    """A watched cohort in words: claims, what would be expected, since when it is too many."""
    count, due = row["n_claims"], row["expected_claims"]
    others = KIND_WORDS[row["kind_code"]]
    if row["state_code"] == "too_few":
        return (
            f"{_cars(count)} with a claim; only {row['other_claims']} claims of other {others} "
            "of the model to compare with, too few to say anything."
        )
    said = (
        f"{_cars(count)} of {row['n_vehicles']} with a claim where {due:.1f} would be expected "
        f"at the rate of the other {others}, at the same ages and in the same months"
    )
    if count:
        said += (
            f": {row['ratio']:.1f} times as many "
            f"(90 % interval {row['ratio_low']:.1f} to {row['ratio_high']:.1f})"
        )
    return f"{said}. {_ending(row)}"


def _ending(row: Mapping[str, Any]) -> str:
    if row["state_code"] == "warned":
        return (
            f"Beyond the limit since the {ordinal(row['warned_at_claim'])} claim, reported on "
            f"{day(row['warned_at'])}. An indication, not a proven defect: look at the claims "
            "themselves for what they share."
        )
    if row["state_code"] == "watched":
        return (
            "More than usual for a time, yet short of the limit: chance does that to some cohorts."
        )
    return "Within what chance makes of it."


def _cars(count: int) -> str:
    return "1 car" if count == 1 else f"{count} cars"


# What no test of the running circuit can show (physics: the receiver keeps subcooling where it
# is until its spare refrigerant is used up).
WITHIN_RESERVE = (
    "A batch filled short by no more than its receivers hold in reserve cannot be seen in tests "
    "of the running circuit: nothing moves until the reserve is used up. Only weighing what is "
    "recovered from some of its cars would tell."
)
_MOVED_BY_CHARGE = "condenser_outlet_subcooling_k"


def batch_sentence(row: Mapping[str, Any]) -> str:
    """A batch of tested cars and one quantity in words."""
    words = JUDGED_FEATURE[row["feature"]].words
    if row["state_code"] == "too_few":
        return (
            f"{capitalised(words)}: {row['n_vehicles']} cars of the batch and "
            f"{row['n_reference']} others of the model tested, too few to compare."
        )
    side = "higher" if row["shift"] > 0 else "lower"
    said = (
        f"{capitalised(words)} {abs(row['shift']):.1f} spreads {side} than in other cars of the "
        f"model (90 % interval {row['shift_low']:+.1f} to {row['shift_high']:+.1f}), from "
        f"{row['n_vehicles']} cars against {row['n_reference']}; {row['n_far']} of them among "
        "the outermost tenth"
    )
    if row["state_code"] == "warned":
        return f"{said}. The batch strays as a whole: an indication, not a proven defect."
    if row["state_code"] == "watched":
        return f"{said}. Not certain enough for a warning."
    if row["feature"] == _MOVED_BY_CHARGE:
        return f"{said}. Within what chance makes of it. {WITHIN_RESERVE}"
    return f"{said}. Within what chance makes of it."


_SHARED_WORDS = {
    "build_month": "were built in {value}",
    "plant": "come from {value}",
    "part_lot": "were fitted with parts of lot {value}",
    "shop": "were tested at {value}",
}
_MOST_NAMED = 4
_LEAST_TOLD = 1.0


def pattern_words(names: list[str], votes: Array) -> str:
    """How a group strays: its quantities with the largest medians, in spreads."""
    medians = np.nanmedian(votes, axis=0)
    order = np.argsort(-np.abs(np.nan_to_num(medians)), kind="stable")[:_MOST_NAMED]
    told = [n for n in order if np.abs(medians[n]) >= _LEAST_TOLD] or list(order[:1])
    return enumeration(
        f"{JUDGED_FEATURE[names[n]].words} {abs(medians[n]):.1f} spreads "
        f"{'higher' if medians[n] > 0 else 'lower'}"
        for n in told
    )


def cluster_sentence(row: Mapping[str, Any]) -> str:
    """A group of cars in words: how they stray, what they share, how likely by chance."""
    shared = _SHARED_WORDS[row["shared_kind"]].format(value=row["shared_value"])
    said = (
        f"{row['n_members']} cars of {row['model_id']} stray alike, and no named cause fits: "
        f"{row['pattern']}. {row['n_sharing']} of them {shared}, against "
        f"{100 * row['shared_elsewhere']:.0f} % of the model's other tested cars. With labels "
        f"shuffled, groups share as much in {1000 * row['chance']:.0f} of 1,000 tries"
    )
    if row["shared_kind"] == "shop":
        return f"{said}. Look at that shop's instruments and clamps first."
    return f"{said}. An indication, not a proven defect."
