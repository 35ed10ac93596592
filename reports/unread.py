"""Why a test has no window, as the pages tell it: in full, and in brief for the list.

Takes rows of the table `unread`, gives frozen `Unread` records with their numbers in
display units. Does not belong here: finding the reason (`features.unread`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.display import display_unit, with_unit
from reports.retelling import in_display_units, in_one_breath

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    from reports.settings import ReportSettings


@dataclass(frozen=True)
class Unread:
    """A reason why nothing was read in a test; `brief` is its gist in one breath."""

    code: str
    channel: str
    sentence: str
    brief: str


@dataclass(frozen=True)
class _Motion:
    """A channel that never held still: by how much it moved, how much is allowed."""

    words: str
    verb: str
    moved: str
    limit: str
    excess: float


# as in "the liquid line drifts by 1.47 K/min (0.5 allowed)"
_MOTION = re.compile(
    r"(?P<words>[\w ]*?) ?\b(?P<verb>drifts|swings) by (?P<number>[\d.e+-]+) "
    r"(?P<unit>kPa|K|1/min)(?P<rest>(?:/min)?(?:, 1 sd)?) \((?P<limit>[\d.e+-]+) allowed\)"
)
_EXAMPLE = {"kPa": "low_side_kpa", "K": "duct_drop_k", "1/min": "engine_rpm"}
_PAST = {"drifts": "drifted", "swings": "swung"}

# by code: the numbers that the gist quotes from the sentence, and the gist
_GIST: dict[str, tuple[str, str]] = {
    "running_not_known": ("", "it cannot be told whether the compressor ran"),
    "never_ran": ("", "the compressor never ran"),
    "asked_in_vain": (
        r"for (?P<asked>\S+ s),",
        "asked to cool for {asked}, the compressor never parted the pressures",
    ),
    "still_pulling_down": ("", "the air was still being pulled down, let the car run longer"),
    "ran_too_short": (
        r"ran for (?P<ran>\S+ s) at most;.* log (?P<least>at least \d+ min)",
        "the compressor ran for {ran} at most, log {least} of running",
    ),
    "cycles_uneven": ("", "the compressor cycled too unevenly for means over whole cycles"),
    "events_too_close": (
        r"no stretch of (?P<free>\S+ s)",
        "no stretch of {free} without switching, a change of the control or a gap",
    ),
    "never_together": (
        r"least often the (?P<words>[\w ]+), in (?P<share>\d+)%",
        "channels never settled all at once, least often the {words}",
    ),
}


def read_unread(row: Mapping[str, Any], settings: ReportSettings) -> Unread:
    """The reason of one row; a sentence that cannot be made shorter is its own gist."""
    sentence = row["sentence"] or row["reason_code"].replace("_", " ")
    told = _MOTION.sub(lambda found: _restated(found, settings), sentence)
    return Unread(
        code=row["reason_code"],
        channel=row["channel"] or "",
        sentence=in_display_units(told, settings),
        brief=_brief(row["reason_code"], sentence, settings),
    )


def _restated(found: re.Match[str], settings: ReportSettings) -> str:
    motion = _motion(found, settings)
    subject = f"{found['words']} " if found["words"] else ""
    return f"{subject}{motion.verb} by {motion.moved} ({motion.limit} allowed)"


def _motion(found: re.Match[str], settings: ReportSettings) -> _Motion:
    unit = display_unit(_EXAMPLE[found["unit"]], settings)
    number, limit = (float(found[name]) * unit.scale for name in ("number", "limit"))
    return _Motion(
        words=found["words"].strip().removeprefix("the "),
        verb=found["verb"],
        moved=f"{with_unit(_short(number), unit.difference_label)}{found['rest']}",
        limit=_short(limit),
        excess=number / limit if limit > 0 else float("inf"),
    )


def _short(number: float) -> str:
    """Three digits that count, never as a power of ten."""
    return f"{float(f'{number:.3g}'):.12f}".rstrip("0").rstrip(".")


def _brief(code: str, sentence: str, settings: ReportSettings) -> str:
    motions = [_motion(found, settings) for found in _MOTION.finditer(sentence)]
    if motions:
        return _never_settled(motions)
    pattern, gist = _GIST.get(code, ("", ""))
    found = re.search(pattern, sentence)
    return in_display_units(sentence, settings) if not gist or found is None else gist.format(
        **found.groupdict()
    )  # fmt: skip


def _never_settled(motions: list[_Motion]) -> str:
    """The channel furthest from settling with its numbers, the others by name."""
    worst = max(motions, key=lambda motion: motion.excess)
    others = [f"the {motion.words}" for motion in motions if motion is not worst]
    text = f"{worst.words} never settled: {_PAST[worst.verb]} by {worst.moved}, limit {worst.limit}"
    return f"{text}; nor did {in_one_breath(others)}" if others else text
