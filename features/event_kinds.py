"""The kinds of event: their codes, words, and which way the high side goes under each.

Which way follows the signs that a technician reads off two gauges (common practice, no
source): a compressor that does more pulls the low side down and pushes the high side up, more
air over the condenser lets the high side fall. Does not belong here: finding events.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class EventKind:
    """One kind of event.

    `high_side` is +1 where the high side rises under it, -1 where it falls, 0 where it may do
    either. `family` names the rate that counts it, None where none does.
    """

    code: str
    words: str
    high_side: int
    family: str | None


EVENT_KINDS: tuple[EventKind, ...] = (
    EventKind("fan_up", "condenser fan up", -1, "fan"),
    EventKind("fan_down", "condenser fan down", 1, "fan"),
    EventKind("compressor_on", "compressor on", 1, "compressor"),
    EventKind("compressor_off", "compressor off", -1, "compressor"),
    EventKind("displacement_up", "compressor stroke or speed up", 1, "displacement"),
    EventKind("displacement_down", "compressor stroke or speed down", -1, "displacement"),
    EventKind("engine_faster", "engine faster", 1, "engine"),
    EventKind("engine_slower", "engine slower", -1, "engine"),
    EventKind("blower_up", "blower up", 1, "blower"),
    EventKind("blower_down", "blower down", -1, "blower"),
    EventKind("recirculation_on", "air recirculated", 0, "recirculation"),
    EventKind("recirculation_off", "fresh air", 0, "recirculation"),
    EventKind("high_pressure_cut_out", "cut out at high pressure", -1, "compressor"),
    EventKind("low_pressure_cut_out", "cut out at low pressure", -1, "compressor"),
    EventKind("icing_recovery", "recovered from an iced evaporator", 0, "icing"),
    EventKind("clamp_move", "clamp moved", 0, None),
)
EVENT_KIND: dict[str, EventKind] = {kind.code: kind for kind in EVENT_KINDS}

# what switches the compressor off, whatever the reason
STOPS = ("compressor_off", "high_pressure_cut_out", "low_pressure_cut_out")
STARTS = ("compressor_on",)
# after these the circuit needs time before a value can be read
UNSETTLING = ("fan_up", "fan_down", *STARTS, *STOPS)


def family_kinds(family: str) -> list[str]:
    """Codes of the kinds that one rate counts."""
    return [kind.code for kind in EVENT_KINDS if kind.family == family]
