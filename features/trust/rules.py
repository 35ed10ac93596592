"""The trust rules as they are told: codes, sentences, least evidence, the table TRUST.

Holds `Rule` (the sentence of each rule), `LEAST_EVIDENCE` (what each needs before it may
speak), the table TRUST and the record `Screened`. A rule speaks of the data, never of the
car: bad data and bad car are two vocabularies. Does not belong here: how a rule judges
(the other modules of this package), findings (`models`).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

import polars as pl

from features.tables import Column, Table

if TYPE_CHECKING:
    from collections.abc import Mapping


class Rule(Enum):
    """Why a reading is not trusted; the value is the sentence for a reader."""

    OUT_OF_RANGE = "outside what a working sensor can show on a car"
    SPIKE = "a jump away and straight back, faster than the line or the air can follow"
    STUCK = (
        "frozen: the value stood still although the machine ran and the channel is not that quiet"
    )
    CLIPPED = "cut off: the readings end at one highest value although they move below it"
    TOO_COARSE = "in steps, or at intervals, too coarse to judge a car by"
    SIDES_SWAPPED = "low side well above high side: hoses or columns are swapped"
    GAUGE_READ_AS_ABSOLUTE = "a gauge pressure read as absolute: the atmosphere is missing"
    ABSOLUTE_READ_AS_GAUGE = "an absolute pressure read as gauge: the atmosphere is added twice"
    PRESSURE_UNIT_SLIP = "written in another unit of pressure than the header says"
    REFRIGERANT_IMPOSSIBLE = (
        "the refrigerant on record cannot have this pressure at the temperature of the lines"
    )
    TEMPERATURE_UNIT_SLIP = "degrees Celsius read as Fahrenheit, or the reverse"
    TIME_NOT_INCREASING = "the same instant stands more than once, or none is given"
    GAP = "nothing was logged for a while; nothing is carried across"
    IMPOSSIBLE = (
        "below zero no circuit can have it: clamp off its line, pressure read wrong, or another "
        "refrigerant than on record"
    )

    @property
    def code(self) -> str:
        """The name used in columns and tables."""
        return self.name.lower()


RULES: dict[str, str] = {rule.code: rule.value for rule in Rule}

LEAST_EVIDENCE: Mapping[str, str] = {
    Rule.OUT_OF_RANGE.code: "one reading",
    Rule.SPIKE.code: "three readings of a pressure or a temperature, at most 2.5 s apart",
    Rule.STUCK.code: (
        "both pressures, 15 equal readings over 30 s while the compressor runs, and noise of "
        "the same channel elsewhere in the test; without any noise, a start or a stop"
    ),
    Rule.CLIPPED.code: (
        "ten equal highest readings of a pressure at work, four in a row, and noise of at least "
        "half a display step below them, or a fast rise that ends in twenty equal readings"
    ),
    Rule.TOO_COARSE.code: (
        "60 readings of a line, duct, intake or pressure that take at least two values; for the "
        "interval, five steps"
    ),
    Rule.SIDES_SWAPPED.code: "both pressures while the compressor runs",
    Rule.GAUGE_READ_AS_ABSOLUTE.code: (
        "a known refrigerant, both pressures and three line or case temperatures at rest before "
        "the start; where both sides read low, also a sign that liquid is there: subcooling "
        "well off zero, superheat below 18 K or a duct drop of 10 K at work"
    ),
    Rule.ABSOLUTE_READ_AS_GAUGE.code: (
        "the same at rest; where both sides read high, also a superheat or an approach at work "
        "too small for the pressure; never for the high side alone, which air in the circuit "
        "raises as well"
    ),
    Rule.PRESSURE_UNIT_SLIP.code: (
        "a known refrigerant, one pressure and three temperatures in the first seconds; a slip "
        "that makes the pressure small also needs the air or the suction line to cool at work"
    ),
    Rule.REFRIGERANT_IMPOSSIBLE.code: (
        "the refrigerant on record, both pressures and three line or case temperatures at rest, "
        "and the sides alike; a pressure above saturation also needs an evaporator outlet "
        "colder than the low side allows at work, a pressure below it a sign that liquid is there"
    ),
    Rule.TEMPERATURE_UNIT_SLIP.code: (
        "rest before the start and a pressure with a known refrigerant, three temperatures or "
        "the noted ambient; for air, the noted ambient alone"
    ),
    Rule.TIME_NOT_INCREASING.code: "two rows",
    Rule.GAP.code: "two rows more than 10 s and five usual steps apart",
    Rule.IMPOSSIBLE.code: (
        "a steady or periodic window with a clamp, the pressure beside it and a known refrigerant"
    ),
}

TRUST = Table(
    "trust",
    "one row per test, channel and rule that found something",
    ("test_id", "channel", "rule_code"),
    (
        Column("test_id", pl.String(), "", "the test"),
        Column("channel", pl.String(), "", "the channel, time_s for the instants themselves"),
        Column("rule_code", pl.String(), "", "the rule of features.screening"),
        Column(
            "distrusted_share",
            pl.Float64(),
            "1",
            "share of the channel's readings not trusted; for a gap, share of the duration lost; "
            "for an impossible value, share of the regimes",
        ),
        Column("sentence", pl.String(), "", "what was found, with counts"),
    ),
)


@dataclass(frozen=True)
class Screened:
    """Samples with distrusted values made null, and the TRUST frame that says which."""

    samples: pl.DataFrame
    trust: pl.DataFrame
