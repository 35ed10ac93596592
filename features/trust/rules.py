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
    CLAMP_OFF_LINE = "a clamp that is not on its line: it follows air, not its pressure"
    CLAMP_MOVED = "a clamp put on another line while logging"
    CLAMPS_EXCHANGED = "two clamps on each other's lines, or two columns exchanged"
    CLAMP_BIAS = "a clamp that differs from the standing car by more than sensors may"
    CLAMP_LAG = "a clamp that follows too slowly; right in steady windows only"
    LIQUID_LINE_ABOVE_CONDENSING = "liquid warmer than condensing by more than the sensors allow"
    INTAKE_NOT_REPRESENTATIVE = "the intake probe reads other air than enters the evaporator"
    EXCHANGER_BALANCE_IMPOSSIBLE = (
        "the clamps around the internal heat exchanger contradict each other"
    )
    INSTRUMENT_OFFSET = "an instrument that reads off on every car"
    TIME_NOT_INCREASING = "the same instant stands more than once, or none is given"
    CLOCK_JUMP = "the clock was put forward: a hole in the times, but none in the readings"
    SECOND_CLOCK = (
        "temperatures that come late against the pressures: two clocks, or slow sensors; right in "
        "steady windows only"
    )
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
        "the same channel elsewhere in the test; without any noise, a start or a stop, or a minute "
        "over which what it follows moves by 6.5 K, two minutes and 1 K if it flickers elsewhere"
    ),
    Rule.CLIPPED.code: (
        "ten equal highest readings of a pressure at work, four in a row, and noise of at least "
        "half a display step below them, a fast rise that ends in twenty equal readings, or 90 "
        "equal ones at work of a display finer than 3 kPa that flickers elsewhere"
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
        "a known refrigerant, one pressure and three temperatures in the first seconds, and a "
        "start that both gauges or one of them show, or air and line that cool while the sides "
        "never part; a slip that makes the pressure small also needs the air or the suction line "
        "to cool at work"
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
    Rule.CLAMP_OFF_LINE.code: (
        "both pressures, a known refrigerant and the compressor at work: for the moment it left, "
        "40 s before and a minute after, with a step of 4 K; for a whole log, two minutes after "
        "the start, ambient air, and a soak or other clamps that it contradicts; on a suction line "
        "a soak and the clamp beside it, cooled by 12 K at the start"
    ),
    Rule.CLAMP_MOVED.code: (
        "both pressures, a known refrigerant, 40 s before and a minute after the move with the "
        "compressor at work, and a step of 4 K at the pace of a clamp on a pipe; in the first "
        "minutes after the start a step of 7 K that the pressures do not share, and lines that "
        "end in an order that no circuit takes or on each other"
    ),
    Rule.CLAMPS_EXCHANGED.code: (
        "both pressures, a known refrigerant, ambient air and two minutes after the start; two "
        "lines that stand 5 K or more apart, against the order that every circuit has; for a "
        "suction and a liquid line, a soak and a start at which the liquid line cools more"
    ),
    Rule.CLAMP_BIAS.code: (
        "ten seconds of soak, and two of: the other clamps, the standing pressure of a known "
        "refrigerant; never after a drive, while lines near the engine are warm"
    ),
    Rule.CLAMP_LAG.code: (
        "a soak, the start, two minutes after it, the low side, a known refrigerant, and a clamp "
        "on a suction line; where it is but a little slow, a second suction line that is not"
    ),
    Rule.LIQUID_LINE_ABOVE_CONDENSING.code: (
        "the high side, a known refrigerant and a clamp on the liquid line, half a minute of "
        "blocks from two minutes after the start on"
    ),
    Rule.INTAKE_NOT_REPRESENTATIVE.code: (
        "ambient air logged or noted, three minutes after the start and a minute more; for the "
        "air of the ducts also a duct"
    ),
    Rule.EXCHANGER_BALANCE_IMPOSSIBLE.code: (
        "a car on record with an internal heat exchanger, the four clamps around it, and two "
        "minutes after the start"
    ),
    Rule.INSTRUMENT_OFFSET.code: (
        "standing cars before the start in tests of one instrument, three vehicles or more: both "
        "gauges, for thermometers and clamps also lines at one temperature and a known refrigerant"
    ),
    Rule.TIME_NOT_INCREASING.code: "two rows",
    Rule.CLOCK_JUMP.code: (
        "twenty readings on either side of a gap, of channels that move more over the length of "
        "the gap than from one reading to the next; a jump by whole minutes needs less"
    ),
    Rule.SECOND_CLOCK.code: (
        "ten seconds of soak and the start, a row at least every 2.5 s, a pressure that moves by "
        "60 kPa and three temperatures that move by 4 K within a minute"
    ),
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
    """Samples with distrusted values made null, TRUST that says which, and SOAK_BIASES.

    `soak` has the medians of all channels before the start, as they were read.
    `clamp_moves`: test_id, channel, from_s of clamps that moved while they were logged.
    """

    samples: pl.DataFrame
    trust: pl.DataFrame
    soak: pl.DataFrame
    clamp_moves: pl.DataFrame
    soak_biases: pl.DataFrame
