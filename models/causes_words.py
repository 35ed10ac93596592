"""Causes in words: evidence for and against each, and the paragraph of a car.

Takes plain values, gives sentences with numbers. Does not belong here: deciding anything.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from features.catalogue import FEATURE
from models.diagnostics import DIAGNOSTIC, STANDING
from models.fault_signs import CAUSE_WORDS
from models.fault_signs_numbers import QUANTITIES, SENSOR
from models.fault_signs_sensors import SENSOR_WORDS
from models.findings import JUDGED_FEATURE
from models.sentences import capitalised, enumeration

if TYPE_CHECKING:
    from collections.abc import Sequence

    from models.causes_found import Found
    from models.conditions import Array, Mask

# A deviation from here on speaks; less than a part of it is silence (in spreads).
_SPEAKS, _SILENT, _FORETOLD = 2.0, 1.0, 3.0
_MOST_NAMED = 3
_MOST_OTHERS = 3
_KNOWN = {**JUDGED_FEATURE, **{feature.name: feature for feature in DIAGNOSTIC}}
INDICATION = "This is an indication, not a proven defect."
_STANDING_WORDS = "standing pressure over saturation"


@dataclass(frozen=True)
class Reading:
    """One quantity of the car: z, and observed minus expected in its own unit."""

    feature: str
    z: float
    delta: float


def cause_words(code: str) -> str:
    """A cause as it is spoken."""
    if code.startswith(SENSOR):
        return f"a wrong reading of the {SENSOR_WORDS[code.partition(':')[2]]}"
    return " together with ".join(CAUSE_WORDS[part] for part in code.split("+"))


def agrees(shift: Array, z: Array) -> Mask:
    """True means: the quantity strays on the side that the cause foretells."""
    return np.asarray((np.abs(z) >= _SPEAKS) & (z * shift > 1.0))


def in_favour(shift: Array, readings: Sequence[Reading]) -> str:
    """Deviations on the side that the cause foretells, largest first."""
    z = np.array([reading.z for reading in readings])
    foretold = shift[[QUANTITIES.index(reading.feature) for reading in readings]]
    agreeing = [readings[place] for place in np.flatnonzero(agrees(foretold, z)).tolist()]
    return enumeration(_deviation(r) for r in _largest(agreeing))


def against(shift: Array, scale: Array, readings: Sequence[Reading]) -> str:
    """Deviations that the cause does not foretell, and foretold ones that are not there."""
    stray, absent = [], []
    for reading in readings:
        place = QUANTITIES.index(reading.feature)
        foretold, doubt = float(shift[place]), float(scale[place])
        if abs(reading.z - foretold) < _SPEAKS * doubt:
            continue
        if abs(reading.z) >= _SPEAKS and reading.z * foretold <= 1:
            stray.append(reading)
        elif abs(reading.z) < _SILENT and abs(foretold) >= _FORETOLD:
            absent.append(reading)
    said = [_deviation(r) for r in _largest(stray)]
    said += [f"{_words(r.feature)} as expected" for r in absent[:_MOST_NAMED]]
    return enumeration(said)


def _largest(readings: list[Reading]) -> list[Reading]:
    return sorted(readings, key=lambda r: (-abs(r.z), r.feature))[:_MOST_NAMED]


def _words(feature: str) -> str:
    return _STANDING_WORDS if feature == STANDING else _KNOWN[feature].words


def _deviation(reading: Reading) -> str:
    unit = FEATURE[reading.feature].unit
    digits = 0 if reading.feature == STANDING else _KNOWN[reading.feature].digits
    words = {"1": "", "degC": " K"}.get(unit, f" {unit}")
    side = "higher" if reading.delta > 0 else "lower"
    return f"{_words(reading.feature)} {abs(reading.delta):.{digits}f}{words} {side} than expected"


def found_before(cause: str, found: Found) -> str:
    """What workshops found on cars looked at so far; empty where none was.

    These counts have moved the weight of the cause before the measurement.
    """
    said = []
    for counts, total, whose in (
        (found.own, found.n_own, "of this model"),
        (found.others, found.n_others, "of other models"),
    ):
        if total:
            hits = sum(counts.get(part, 0) for part in (cause, *_parts(cause)))
            said.append(f"{hits} of {total} {'car' if total == 1 else 'cars'} {whose}")
    return f"workshops found it in {enumeration(said)}" if said else ""


def _parts(cause: str) -> list[str]:
    return cause.split("+") if "+" in cause else []


def paragraph(rows: Sequence[dict[str, object]]) -> str:
    """All of it: what fits best, what else, what speaks how, and what to measure next."""
    best, *others = [row for row in rows if row["is_in_set"]]
    lead = f"It fits best: {best['cause']}"
    if best["evidence_for"]:
        lead += f" (for it: {best['evidence_for']}"
        lead += f"; against it: {best['evidence_against']})" if best["evidence_against"] else ")"
    elif best["evidence_against"]:
        lead += f" (against it: {best['evidence_against']})"
    parts = [f"{lead}."]
    if best["found_before"]:
        parts.append(f"So far {best['found_before']}, which counts in its favour or against it.")
    if others:
        named = [str(row["cause"]) for row in others[:_MOST_OTHERS]]
        more = len(others) - len(named)
        named += [f"{more} more"] if more > 0 else []
        parts.append(f"Also possible: {enumeration(named)}.")
    if best["needs_full_load"]:
        parts.append("The compressor's control hides what would tell them apart.")
    if best["next_measurement"] and others:
        parts.append(f"Next: {best['next_measurement']}{_stop(str(best['next_measurement']))}")
    return " ".join([*(capitalised(part) for part in parts), INDICATION])


def _stop(text: str) -> str:
    return "" if text.endswith(("?", ".")) else "."
