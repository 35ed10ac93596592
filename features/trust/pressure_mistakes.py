"""Which mistake explains standing pressures that no car has: unit, refrigerant, reference.

Holds `pressure_mistakes`, which gives each finding with its sentences. Where physics cannot
tell a mistake from a matter of the car it is silent: a high side that stands an atmosphere
too high may have air in it; R-134a and R-1234yf have the same pressure within 3 %; a circuit
without liquid stands at any pressure below saturation. Does not belong here: flags
(`pressures`), the evidence (`pressure_evidence`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from features.refrigerant import REFRIGERANTS, dew_pressure_kpa
from features.trust.pressure_units import unit_slips
from features.trust.rules import Rule

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from features.trust.pressure_evidence import PressureEvidence

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

_SIDES = ("low_side_kpa", "high_side_kpa")
_SIDE_NAMES = {"low_side_kpa": "low side", "high_side_kpa": "high side"}
_OTHER = {"low_side_kpa": "high_side_kpa", "high_side_kpa": "low_side_kpa"}
# An atmosphere must be found within this of the barometer: what temperatures leave open, as
# saturation pressure, and never less or more (tuning values).
_WITHIN_K, _WITHIN_LEAST_KPA, _WITHIN_MOST_KPA = 1.3, 25.0, 42.0
# two gauges on one standing circuit differ by no more than this (tuning values)
_SAME_KPA, _APART_KPA = 35.0, 55.0
# and an atmosphere between them stands so nearly; a gauge that reads off is another matter
_GAUGES_KPA = 15.0
# air in a standing circuit raises its high side by no more (tuning value)
_AIR_MOST_KPA = 210.0
# Evaporating temperature so near the line or the air that it must cool, or above them, is no
# machine's: superheat and approach at work that an atmosphere too much leaves (tuning values).
_SMALL_SUPERHEAT_K, _SMALL_APPROACH_K = 3.0, 2.0
# further above the air and the line than sensors explain
_COLDER_THAN_BOILING_K = -2.5
# another refrigerant explains a standing pressure this well (as ln ratio)
_REFRIGERANT_WITHIN = 0.06
_REFRIGERANT_FAR_KPA = 60.0
_SWAPPED_RATIO = 1.2


@dataclass(frozen=True)
class Mistake:
    """One rule on one side in some tests, given by their numbers, with a sentence for each."""

    rule: Rule
    channel: str
    tests: tuple[int, ...]
    sentences: tuple[str, ...]


def pressure_mistakes(evidence: PressureEvidence) -> list[Mistake]:
    """Every mistake found; at most one on each side of a test."""
    return [mistake for mistake in _mistakes(evidence) if mistake.tests]


def _mistakes(evidence: PressureEvidence) -> Iterator[Mistake]:
    is_open = np.ones(evidence.low_kpa.size, dtype=np.bool_)
    slips = list(unit_slips(evidence))
    for slip in slips:
        told = partial(_unit_sentence, evidence, slip.channel, pairs=slip.pairs)
        yield _mistake(Rule.PRESSURE_UNIT_SLIP, slip.channel, slip.is_hit, told)
    for slip in slips:
        is_open &= ~slip.is_hit
    is_open &= ~_is_swapped(evidence)
    other = _other_refrigerant(evidence) & is_open
    for channel in _SIDES:
        told = partial(_refrigerant_sentence, evidence, channel)
        yield _mistake(Rule.REFRIGERANT_IMPOSSIBLE, channel, other, told)
    is_open &= ~other
    for rule, low, high in _references(evidence):
        for channel, is_hit in zip(_SIDES, (low, high), strict=True):
            told = partial(_reference_sentence, evidence, channel, rule=rule)
            yield _mistake(rule, channel, is_hit & is_open, told)


def _mistake(rule: Rule, channel: str, is_hit: Booleans, sentence: Callable[[int], str]) -> Mistake:
    tests = tuple(int(test) for test in np.flatnonzero(is_hit))
    return Mistake(rule, channel, tests, tuple(sentence(test) for test in tests))


def _is_swapped(evidence: PressureEvidence) -> Booleans:
    low, high = (evidence.standing.at_work(channel) for channel in _SIDES)
    return np.asarray(low > _SWAPPED_RATIO * high)


def _over(evidence: PressureEvidence) -> tuple[Floats, Floats]:
    """By how much each side stands above saturation [kPa], where the machine rests."""
    rests = np.where(evidence.standing.has_rested, 0.0, np.nan)
    return (
        evidence.low_kpa - evidence.saturated_kpa + rests,
        evidence.high_kpa - evidence.saturated_kpa + rests,
    )


def _references(evidence: PressureEvidence) -> list[tuple[Rule, Booleans, Booleans]]:
    """For each of the two rules, the tests in which it hits the low and the high side."""
    low, high = _over(evidence)
    air = evidence.standing.atmospheric_kpa
    within = np.clip(_WITHIN_K * evidence.slope_kpa_per_k, _WITHIN_LEAST_KPA, _WITHIN_MOST_KPA)
    low_lacks, high_lacks = (np.abs(each + air) < within for each in (low, high))
    nearly_lack = [np.abs(each + air) < _WITHIN_MOST_KPA for each in (low, high)]
    low_added = np.abs(low - air) < within
    is_high_above, is_low_above = high - low > _APART_KPA, low - high > _APART_KPA
    is_same = np.abs(high - low) < _SAME_KPA
    # lines at a warm engine leave open where both stand; no car with liquid stands so low
    both_lack = nearly_lack[0] & nearly_lack[1] & is_same & evidence.has_liquid
    proof = (evidence.superheat_k < _SMALL_SUPERHEAT_K) | (evidence.approach_k < _SMALL_APPROACH_K)
    # what no machine at work can have needs less of the standing one
    nearly = [np.abs(each - air) < _WITHIN_MOST_KPA for each in (low, high)]
    both_added = nearly[0] & nearly[1] & is_same & proof
    # one side at saturation and the other an atmosphere above it to a few kPa
    low_added |= (np.abs(low - high - air) < _WITHIN_LEAST_KPA) & (np.abs(high) < _WITHIN_MOST_KPA)
    # or an atmosphere below it; gauges of a standing car never part so that the high side is lower
    low_lacks |= (np.abs(high - low - air) < _GAUGES_KPA) & (np.abs(high) < _WITHIN_MOST_KPA)
    high_lacks |= (np.abs(low - high - air) < _WITHIN_LEAST_KPA) & (np.abs(low) < _WITHIN_MOST_KPA)
    return [
        (
            Rule.GAUGE_READ_AS_ABSOLUTE,
            (low_lacks & is_high_above) | both_lack,
            (high_lacks & is_low_above) | both_lack,
        ),
        # a high side that alone stands too high may have air in it
        (Rule.ABSOLUTE_READ_AS_GAUGE, (low_added & is_low_above) | both_added, both_added),
    ]


def _other_refrigerant(evidence: PressureEvidence) -> Booleans:
    """Tests whose low side stands at what another refrigerant has, and not by their charge."""
    low, high = _over(evidence)
    air = evidence.standing.atmospheric_kpa
    apart = high - low
    # air in the high side raises that alone
    is_alike = (apart > -np.maximum(_SAME_KPA, 0.05 * evidence.low_kpa)) & (apart < _AIR_MOST_KPA)
    is_colder = (evidence.superheat_k < _COLDER_THAN_BOILING_K) | (
        evidence.approach_k < _COLDER_THAN_BOILING_K
    )
    is_above = (low > _REFRIGERANT_FAR_KPA) & is_colder
    is_below = (low < -_REFRIGERANT_FAR_KPA) & evidence.has_liquid
    within = np.clip(_WITHIN_K * evidence.slope_kpa_per_k, _WITHIN_LEAST_KPA, _WITHIN_MOST_KPA)
    is_reference = np.abs(np.abs(low) - air) < np.where(low < 0.0, _WITHIN_MOST_KPA, within)
    is_suspect = np.asarray(is_alike & (is_above | is_below) & ~is_reference)
    for test in np.flatnonzero(is_suspect).tolist():
        is_suspect[test] = bool(_candidates(evidence, test))
    return is_suspect


def _candidates(evidence: PressureEvidence, test: int) -> list[str]:
    """Refrigerants that stand at the low side's pressure at the temperature of the car."""
    pressure_kpa = evidence.low_kpa[test]
    at_c = evidence.soaked_c[test : test + 1]
    if not (np.isfinite(pressure_kpa) and pressure_kpa > 0.0 and np.isfinite(at_c).all()):
        return []
    off = {
        name: abs(float(np.log(dew_pressure_kpa(at_c, each)[0] / pressure_kpa)))
        for name, each in REFRIGERANTS.items()
    }
    return sorted(
        (name for name, by in off.items() if by < _REFRIGERANT_WITHIN), key=off.__getitem__
    )


def _stands(evidence: PressureEvidence, channel: str, test: int) -> str:
    read = evidence.low_kpa if channel == "low_side_kpa" else evidence.high_kpa
    return (
        f"the {_SIDE_NAMES[channel]} stands at {read[test]:.0f} kPa, saturation at the "
        f"{evidence.soaked_c[test]:.1f} degC of the standing car is "
        f"{evidence.saturated_kpa[test]:.0f} kPa"
    )


def _unit_sentence(evidence: PressureEvidence, channel: str, test: int, pairs: str) -> str:
    return (
        f"{_stands(evidence, channel, test)}: as when {pairs} is read; set the unit of this "
        "column right and read the log again"
    )


def _reference_sentence(evidence: PressureEvidence, channel: str, test: int, rule: Rule) -> str:
    by = f"{evidence.standing.atmospheric_kpa[test]:.0f} kPa of the atmosphere"
    if rule is Rule.GAUGE_READ_AS_ABSOLUTE:
        return (
            f"{_stands(evidence, channel, test)}: the {by} are missing; the column is gauge, "
            "the header says absolute: set it right and read the log again"
        )
    return (
        f"{_stands(evidence, channel, test)}: the {by} were added to an absolute pressure; set "
        "the reference of this column right and read the log again"
    )


def _refrigerant_sentence(evidence: PressureEvidence, channel: str, test: int) -> str:
    on_record = evidence.standing.refrigerants[test]
    named = "" if on_record is None else on_record.designation
    return (
        f"{_stands(evidence, channel, test)} for {named}, and the car cools as it does with "
        f"liquid: the pressure is that of {' or '.join(_candidates(evidence, test))}; check the "
        "refrigerant on record, and identify what is in the circuit. R-134a and R-1234yf cannot "
        "be told apart so"
    )
