"""Self-describing column headers: which channel a header means, and in which unit.

Reads `low_side_kpa`, `Low side [psig]`, `Ambient (degF)`, `Intake / degC`, `duct_left_degF`.
Takes header texts, gives a channel name and the text of the unit; it knows no file and
guesses nothing. Does not belong here: what a unit text means (`features.units`), maps
that a profile states (`profiles`, `column_plans`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from features.channels import CHANNEL, CHANNELS, Quantity
from features.units import UnitError, parse_unit
from pipeline.problems import closest

# Words that loggers add to a name and that say no more than the quantity does.
_FILLERS = {
    "temperature": ("temperature", "temp"),
    "pressure": ("pressure", "press"),
    "barometric_pressure": ("pressure",),
    "rotational_speed": ("speed",),
}
TIME_NAMES = frozenset(
    {
        "time", "elapsed", "elapsed time", "clock", "clock time", "time of day", "timestamp",
        "time stamp", "date time", "date/time", "date and time", "datetime", "epoch", "seconds",
        "t",
    }
)  # fmt: skip
TIME_SUFFIXES = frozenset({"s", "sec", "seconds", "ms", "min", "h"})
CHANNEL_NAMES = frozenset({"channel", "channel name", "sensor", "signal"})
VALUE_NAMES = frozenset({"value", "reading"})
UNIT_NAMES = frozenset({"unit", "units"})

_LONGEST_HEADER = 200


@dataclass(frozen=True)
class HeaderMatch:
    """A channel named by a header; `unit_text` None means the header states no unit.

    `is_canonical` is True when the header is the canonical name itself, which fixes unit
    and reference (absolute) by definition.
    """

    channel: str
    unit_text: str | None
    is_canonical: bool = False


def _spoken_names() -> dict[str, str]:
    names: dict[str, str] = {}
    for channel in CHANNELS:
        for name in (channel.stem.replace("_", " "), *channel.spoken):
            names.setdefault(name, channel.name)
    return names


_NAMES = _spoken_names()


def plain_words(text: str) -> str:
    """A header in lower case, its marks and brackets replaced by single blanks."""
    return " ".join(re.sub(r"[_\-.()\[\]\s]+", " ", text.lower()).split())


@lru_cache(maxsize=4096)
def split_header(text: str) -> tuple[tuple[str, str | None], ...]:
    """Ways to read a header as (name, unit text), the most explicit way first.

    A closing bracket at the end, ` / ` and a comma separate a unit; the last way is always
    the whole text without a unit.
    """
    text = text.strip().strip('"').strip()[:_LONGEST_HEADER]
    ways: list[tuple[str, str | None]] = []
    start = _opening_bracket(text)
    if start is not None:
        ways.append((text[:start].strip(), text[start + 1 : -1].strip()))
    for mark in (" / ", ", ", "/", ","):
        if start is None and mark in text:
            name, unit = text.split(mark, 1)
            ways.append((name.strip(), unit.strip()))
    return (*ways, (text, None))


def _opening_bracket(text: str) -> int | None:
    if not text or text[-1] not in "])":
        return None
    depth = 0
    for position in range(len(text) - 1, -1, -1):
        depth += (text[position] in "])") - (text[position] in "[(")
        if depth == 0:
            return position
    return None


@lru_cache(maxsize=4096)
def match_header(text: str) -> HeaderMatch | None:
    """The channel and the unit text that a header states, None when it names no channel."""
    canonical = text.strip().strip('"').strip().lower()
    if canonical in CHANNEL:
        return HeaderMatch(canonical, None, is_canonical=True)
    for name, unit_text in split_header(text):
        channel = _channel_named(plain_words(name))
        if channel is not None:
            return HeaderMatch(channel, unit_text or None)
    return _match_suffix(text)


def _channel_named(words: str) -> str | None:
    if words in _NAMES:
        return _NAMES[words]
    name, _, last = words.rpartition(" ")
    channel = _NAMES.get(name)
    if channel is not None and last in _FILLERS.get(CHANNEL[channel].quantity, ()):
        return channel
    return None


def _match_suffix(text: str) -> HeaderMatch | None:
    """The longest leading words that name a channel, when the rest is a unit of it."""
    tokens = re.sub(r"[_\s]+", " ", text[:_LONGEST_HEADER]).strip().split(" ")
    for length in range(len(tokens) - 1, 0, -1):
        channel = _channel_named(plain_words(" ".join(tokens[:length])))
        unit_text = " ".join(tokens[length:])
        if channel is not None and _may_be_unit(unit_text, CHANNEL[channel].quantity):
            return HeaderMatch(channel, unit_text)
    return None


def _may_be_unit(text: str, quantity: Quantity) -> bool:
    """True means: a unit of the quantity, or an ambiguous one that a later step refuses."""
    try:
        parse_unit(text, quantity)
    except UnitError as error:
        return error.code != "unit_unknown"
    return True


def is_header(text: str, names: frozenset[str]) -> bool:
    """True means: the header, with or without a unit, is one of the given plain names."""
    return any(plain_words(name) in names for name, _ in split_header(text))


@lru_cache(maxsize=4096)
def match_time(text: str) -> str | None:
    """The unit text of a header that names the time (empty without one), None for any other."""
    for name, unit_text in split_header(text):
        words = plain_words(name)
        if words in TIME_NAMES:
            return unit_text or ""
        stem, _, last = words.rpartition(" ")
        if stem in TIME_NAMES and last in TIME_SUFFIXES:
            return last
    return None


def unit_of(text: str) -> str | None:
    """The unit text that a header carries in brackets or after a mark, None without one."""
    return split_header(text)[0][1] or None


def nearest_name(text: str) -> str | None:
    """The channel name nearest to a header that matches none, None when nothing is near."""
    near = closest(plain_words(split_header(text)[0][0]), _NAMES)
    return None if near is None else _NAMES[near]
