"""What each trust rule cannot see: what physics or the log leave open.

Holds `BLIND_SPOTS`, a sentence per rule for the reference page. Does not belong here: the
rules, their evidence (`rules`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from features.trust.rules import Rule

if TYPE_CHECKING:
    from collections.abc import Mapping

BLIND_SPOTS: Mapping[str, str] = {
    Rule.OUT_OF_RANGE.code: "a wrong reading that a car could show",
    Rule.SPIKE.code: "spikes that last two readings or more, and those of slow loggers",
    Rule.STUCK.code: (
        "a channel that froze while the line was as quiet as its display is coarse, or while "
        "the machine rested"
    ),
    Rule.CLIPPED.code: (
        "a range that ends below the standing pressure: the channel never moves and counts as "
        "stuck; a gauge without noise that reaches the end slowly"
    ),
    Rule.TOO_COARSE.code: "a coarse channel that shows one value, or two once each",
    Rule.SIDES_SWAPPED.code: "a log in which the compressor never runs",
    Rule.GAUGE_READ_AS_ABSOLUTE.code: (
        "both sides low in a car that shows no liquid at work: missing charge does the same; a "
        "log that begins with the machine running; a car whose lines stand at temperatures of "
        "their own; the high side alone with air in the circuit, which stands in for the atmosphere"
    ),
    Rule.ABSOLUTE_READ_AS_GAUGE.code: (
        "the high side alone: air in the circuit raises it as well; both sides where superheat "
        "and approach are not too small: air again"
    ),
    Rule.PRESSURE_UNIT_SLIP.code: (
        "bar and kgf/cm2, 2 % apart; a pressure made small in a car that does not cool: it may "
        "have lost its charge. Absolute psi and gauge bar can come out alike, so the name of "
        "the unit is a proposal"
    ),
    Rule.REFRIGERANT_IMPOSSIBLE.code: (
        "R-134a against R-1234yf, R-12 or R-513A, whose pressures lie within sensors' reach of "
        "each other; a pressure above saturation that the machine at work does not contradict, "
        "since air in the circuit makes it too and is a finding about the car"
    ),
    Rule.TEMPERATURE_UNIT_SLIP.code: (
        "lines that an earlier run left hot, where they lie between the two readings; logs "
        "without rest, but for air with a noted ambient"
    ),
    Rule.CLAMP_OFF_LINE.code: (
        "a clamp in air that has the temperature of its line, or on a liquid line that of the "
        "other liquid clamp; a discharge line of a cycling compressor in hot air; one with poor "
        "contact, half-way to "
        "the air: a line with superheat, with flash gas, or wet, stands there too"
    ),
    Rule.CLAMP_MOVED.code: (
        "a move between two lines that stand alike at that moment, or alike in the mean of a "
        "cycling compressor, while at rest or within 15 s "
        "of the start: no step marks it; that the clamp then sits on a wrong line is told by the "
        "rules over whole logs"
    ),
    Rule.CLAMPS_EXCHANGED.code: "two lines that stand less than 5 K apart",
    Rule.CLAMP_BIAS.code: (
        "clamps of a car that ran shortly before: lines at the engine are warm; a clamp that its "
        "bias puts where the other lines stand; discharge lines up to 6 K warm, as a compressor "
        "that ran an hour ago makes them"
    ),
    Rule.CLAMP_LAG.code: (
        "clamps on hot gas, liquid, and suction lines behind an internal heat exchanger: these "
        "reach their temperature at a pace of their own (liquid clamps are told only where the "
        "compressor cycles and the clamp beside them swings); lines that hardly change at the start"
    ),
    Rule.LIQUID_LINE_ABOVE_CONDENSING.code: (
        "a warm clamp that stays below condensing, where a liquid line may be"
    ),
    Rule.INTAKE_NOT_REPRESENTATIVE.code: "other air that has the temperature of the right one",
    Rule.EXCHANGER_BALANCE_IMPOSSIBLE.code: (
        "an imbalance that flooding, restriction, flash gas or warm air can make as well"
    ),
    Rule.INSTRUMENT_OFFSET.code: (
        "offsets below 2 K (one clamp: 3 K) and 25 kPa, and air temperatures; thermometers that "
        "stand off together are told from two gauges that are wrong alike by nothing"
    ),
    Rule.TIME_NOT_INCREASING.code: "a clock of whole seconds repeats each instant alike: no fault",
    Rule.CLOCK_JUMP.code: (
        "a jump while nothing moves, which is a gap to every eye; a clock put back, which the "
        "door refuses"
    ),
    Rule.SECOND_CLOCK.code: (
        "temperatures late by less than 6 s or so, and early ones; a second clock in a log that "
        "shows no start; whether the clock or the sensors are slow"
    ),
    Rule.GAP.code: "pauses of less than ten seconds or five usual steps",
    Rule.IMPOSSIBLE.code: "values below zero by less than their uncertainty",
}
