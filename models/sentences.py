"""The judgement in words: findings with their size, what is missing, dates, enumerations.

Takes plain values and rows, gives sentences that a fleet manager understands. Does not
belong here: deciding anything, units other than the canonical ones.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from features.channels import CHANNEL
from models.coverage import ABSENT, CONDITIONS_LACKING
from models.findings import CORE_SIDES, FINDING, JUDGED_FEATURE
from models.reasons import REASON, NotAssessable

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

    from models.conditions import Role

Row = dict[str, Any]

_NEEDED_FOR_SIDE = {side.name: side.needed for side in CORE_SIDES}
_NOT_MEASURED = {
    NotAssessable.NOT_KNOWN.code,
    NotAssessable.UNCERTAINTY_NOT_KNOWN.code,
    ABSENT,
}
# What to log of a role of which nothing is known.
_CONDITION_WORDS: dict[Role, str] = {
    "heat_sink": "ambient or condenser inlet air temperature",
    "load": "intake air temperature and humidity",
}
_MOST_NAMED = 3


def day(instant: datetime) -> str:
    """A date as it is spoken: `3 May 2026`."""
    return f"{instant.day} {instant:%B %Y}"


def enumeration(items: Iterable[str]) -> str:
    """The items in one breath: `a, b and c`."""
    words = list(dict.fromkeys(items))
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def capitalised(sentence: str) -> str:
    """The sentence with a capital first letter, the rest untouched."""
    return sentence[:1].upper() + sentence[1:]


def finding_sentence(row: Mapping[str, Any]) -> str:
    """A finding with its size: `duct air 5.2 K warmer than expected`."""
    feature = JUDGED_FEATURE[row["feature"]]
    delta = abs(row["observed"] - row["expected"])
    return FINDING[row["finding_code"]].sentence(f"{delta:.{feature.digits}f}")


def deviation_sentence(row: Mapping[str, Any]) -> str:
    """A deviation on its adverse side in the words of its finding, whether it is one or not."""
    feature = JUDGED_FEATURE[row["feature"]]
    finding = feature.high if row["observed"] > row["expected"] else feature.low
    if finding is None:
        raise ValueError(f"{feature.name} is not adverse on this side")
    return finding_sentence({**row, "finding_code": finding.code})


def doubt_sentence(rows: list[Row], least_z: float) -> str:
    """Deviations that would be findings were they more certain, strongest first."""
    strongest: dict[str, str] = {}
    for row in sorted(rows, key=lambda r: (-abs(r["z"]), r["feature"], r["regime"])):
        size = f"{abs(row['z']):.1f} spreads, {_chance(row['q_value'])}"
        strongest.setdefault(row["feature"], f"{deviation_sentence(row)} ({size})")
    more = len(strongest) - _MOST_NAMED
    named = list(strongest.values())[:_MOST_NAMED] + ([f"{more} more"] if more > 0 else [])
    return (
        f"Beyond {least_z:g} spreads, yet not certain enough for a finding: {enumeration(named)}."
    )


def _chance(q_value: float) -> str:
    """`q 0.53`; near one a number would say no more than that nothing is ruled out."""
    text = f"{q_value:.2f}"
    return "chance not ruled out" if text == "1.00" else f"q {text}"


def comparison_sentence(row: Mapping[str, Any]) -> str:
    """A finding with whom and what the car was compared with."""
    cars = f"{row['baseline_vehicles']} other cars of this "
    kind = "model" if row["pooling_level"] == "model" else "architecture (its model has too few)"
    terms = enumeration(row["terms"].split(", "))
    return f"{finding_sentence(row)} from {cars}{kind} at the same {terms}"


def gap_sentence(gaps: list[Row]) -> str:
    """Why a test does not suffice, from its gaps: up to three quantities and a reason each."""
    groups: dict[str, list[str]] = {}
    for gap in gaps:
        groups.setdefault(_why(gap), []).append(JUDGED_FEATURE[gap["feature"]].words)
    parts = []
    for why, names in groups.items():
        distinct = list(dict.fromkeys(names))
        more = len(distinct) - _MOST_NAMED
        named = [*distinct[:_MOST_NAMED], f"{more} more"] if more > 0 else distinct
        parts.append(f"{enumeration(named)} ({why})")
    return "; ".join(parts)


def _why(gap: Row) -> str:
    code = gap["reason_code"]
    if code == CONDITIONS_LACKING:
        return f"without {gap['lacking']}, which other cars are compared by"
    if code == ABSENT:
        return "no steady window for it"
    if code == NotAssessable.BASELINE_TOO_SMALL.code:
        count = gap["baseline_vehicles"]
        return f"{count} other cars to compare with, too few"
    return REASON[code].value


def missing_text(gaps: list[Row], known_features: set[str]) -> str:
    """What to measure or do next time to close the gaps."""
    needed: list[str] = []
    for gap in gaps:
        code = gap["reason_code"]
        if code == CONDITIONS_LACKING:
            needed.append(str(gap["lacking"]))
        elif code == NotAssessable.CONDITIONS_MISSING.code:
            needed += _conditions_wanted(gap)
        elif code in _NOT_MEASURED:
            needed += _channels_wanted(gap, known_features)
        elif code == NotAssessable.OUTSIDE_RANGE_SEEN.code:
            needed.append("a test under conditions that other cars of its kind were tested in")
        elif code == NotAssessable.TOO_UNCERTAIN.code:
            needed.append(_sharper_sensors(gap["feature"]))
        else:
            needed.append("tests of more cars of its kind")
    return "; ".join(dict.fromkeys(needed))


def _sharper_sensors(feature: str) -> str:
    """The sensors that a quantity rests on, where it is known too roughly."""
    meanings = [CHANNEL[name].meaning for name in sorted(JUDGED_FEATURE[feature].channels)]
    return f"a more accurate sensor at: {', or '.join(meanings)}"


def _conditions_wanted(gap: Row) -> list[str]:
    """What to log beside the feature, which itself is known: air and load of the test."""
    roles = JUDGED_FEATURE[gap["feature"]].roles
    wanted = [words for role, words in _CONDITION_WORDS.items() if role in roles]
    return wanted or list(_CONDITION_WORDS.values())


def _channels_wanted(gap: Row, known_features: set[str]) -> list[str]:
    """Channels of the feature that no known feature of the test proves to be there."""
    if gap["reason_code"] != NotAssessable.NOT_KNOWN.code and gap["side"]:
        return [_NEEDED_FOR_SIDE[gap["side"]]]
    proven: set[str] = set()
    for name in known_features:
        proven |= JUDGED_FEATURE[name].channels
    wanted = sorted(JUDGED_FEATURE[gap["feature"]].channels - proven)
    if not wanted:
        return [f"a longer steady window for {JUDGED_FEATURE[gap['feature']].words}"]
    return [CHANNEL[name].meaning for name in wanted]
