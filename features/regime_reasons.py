"""Why a span of a test is called by its regime: the reasons and how each is told.

Holds the enum `Reason`; its value is the sentence, with a gap for each of the figures that
`regime_spans` fills in. Does not belong here: deciding (`compressor_work`,
`control_limits`, `regimes`).
"""

from __future__ import annotations

from enum import Enum


class Reason(Enum):
    """What a regime was told by; sentences are completed with the figures of the span."""

    COMMAND_OFF = "its command is off"
    ENGINE_STANDS = "the engine stands, and the compressor with it"
    PRESSURES_TOGETHER = (
        "the pressures stand together or come together after a stop; no command is logged"
    )
    NEVER_RAN = (
        "the car was asked to cool for {asked_s} s, but the high side never stood above "
        "{top_ratio} times the low side: the compressor does not turn or does not pump, "
        "or the circuit is empty"
    )
    ASKED_IN_VAIN = (
        "commanded on, but the pressures do not part: the compressor does not turn or does not pump"
    )
    FIRST_MINUTE = "the first minute after a start"
    AIR_STILL_FALLS = (
        "since the start the duct air, or the suction side without it, falls towards its level, "
        "here by {fall_per_min} K/min"
    )
    SWITCHED_AGAIN = "switched on and off again and again"
    ALWAYS_FULL = "a compressor of fixed stroke is at its limit whenever it is engaged"
    COMMAND_FULL = "its command is {command_pct} %, about the highest of this test"
    COMMAND_BELOW = "its command is {command_pct} %, below the highest of this test or below full"
    SPEED_FULL = "it turns at {speed_rpm} rpm, about the highest speed of this test"
    SPEED_BELOW = "it turns at {speed_rpm} rpm, below the highest speed of this test"
    LOW_SIDE_HELD = (
        "the low side is held at {low_gauge_bar} bar gauge, where such a compressor's own valve "
        "holds it"
    )
    LOW_SIDE_ABOVE = (
        "the low side stands at {low_gauge_bar} bar gauge, above where such a compressor's own "
        "valve would hold it"
    )
    LOW_SIDE_BELOW = (
        "the low side is drawn down to {low_gauge_bar} bar gauge, below where such a "
        "compressor's own valve would hold it"
    )
    LOW_SIDE_FOLLOWS = (
        "the low side, {low_gauge_bar} bar gauge, follows the high side and the engine as at full "
        "stroke; nothing else moves it"
    )
    LOW_SIDE_LIFTED = (
        "the low side stands at {low_gauge_bar} bar gauge, above the level that the compressor's "
        "own valve held in this run"
    )
    HELD_UNDER_LOAD = "the low side keeps its level while the engine changes its speed"
    AIR_HELD = "the air leaves at {air_c} degC, where controls hold it; no command is logged"
    AIR_TOO_WARM = (
        "the air leaves at {air_c} degC, warmer than any control would have it; no command is "
        "logged"
    )
    CONTROL_UNSEEN = "it works; whether at its limit cannot be told from what is logged"
    WORK_UNSEEN = "whether the compressor works cannot be told from what is logged"

    @property
    def code(self) -> str:
        """The code in the tables: `command_off`."""
        return self.name.lower()
