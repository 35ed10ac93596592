"""Dates that are not ISO 8601: the pattern that a first cell leaves, where it leaves only one.

Takes the text of one time cell, gives a pattern for it, or refuses a date whose day and
month may be mistaken for each other. Does not belong here: reading the column (`clocks`).
"""

from __future__ import annotations

import re

from pipeline.refusals import LogRefusedError

_CLOCK = (
    r" (?P<hour>\d{1,2}):\d{2}(?P<seconds>:\d{2}(?P<part>[.,]\d+)?)?"
    r"(?P<half>\s*[AaPp][Mm])?\s?(?P<zone>Z|[+-]\d{2}(?::?\d{2})?)?"
)
_YEAR_FIRST = re.compile(rf"\d{{4}}(?P<mark>[/.])\d{{1,2}}(?P=mark)\d{{1,2}}{_CLOCK}")
_COMPACT = re.compile(
    r"\d{8}(?P<mark>[T ])\d{6}(?P<part>[.,]\d+)?(?P<zone>Z|[+-]\d{2}(?::?\d{2})?)?"
)
_DIGITS = re.compile(
    r"(?:19|20)\d{2}(?:0[1-9]|1[0-2])(?:[0-2]\d|3[01])(?:[01]\d|2[0-3])(?:[0-5]\d){2}"
)
_YEAR_LAST = re.compile(
    rf"(?P<first>\d{{1,2}})(?P<mark>[/.-])(?P<second>\d{{1,2}})(?P=mark)(?P<year>\d{{4}}|\d{{2}}){_CLOCK}"
)
_MONTH_NAMED = re.compile(
    rf"\d{{1,2}}(?P<mark>[- ])[A-Za-z]{{3}}(?P=mark)(?P<year>\d{{4}}){_CLOCK}"
)
_MONTHS = 12


def date_pattern(sample: str) -> str | None:
    """The pattern of a date and time, None when the text is none of those known.

    Raises
    ------
    LogRefusedError
        Day and month may be mistaken for each other.
    """
    if found := _YEAR_FIRST.fullmatch(sample):
        mark = found["mark"]
        return f"%Y{mark}%m{mark}%d" + _clock(found)
    if found := _COMPACT.fullmatch(sample):
        part = "%.f" if found["part"] else ""
        return f"%Y%m%d{found['mark']}%H%M%S{part}{'%#z' if found['zone'] else ''}"
    if _DIGITS.fullmatch(sample):
        return "%Y%m%d%H%M%S"
    if found := _MONTH_NAMED.fullmatch(sample):
        mark = found["mark"]
        return f"%d{mark}%b{mark}%Y" + _clock(found)
    if found := _YEAR_LAST.fullmatch(sample):
        mark, year = found["mark"], "%Y" if len(found["year"]) == 4 else "%y"
        is_day_first, is_month_first = int(found["first"]) > _MONTHS, int(found["second"]) > _MONTHS
        if len(found["year"]) == 2 or is_day_first == is_month_first:
            raise _ambiguous(sample)
        order = ("%d", "%m") if is_day_first else ("%m", "%d")
        return mark.join((*order, year)) + _clock(found)
    return None


def _clock(found: re.Match[str]) -> str:
    seconds = ":%S%.f" if found["seconds"] else ""
    hour, half = ("%I", "%p") if found["half"] else ("%H", "")
    return f" {hour}:%M{seconds}{half}{'%#z' if found['zone'] else ''}"


def _ambiguous(sample: str) -> LogRefusedError:
    return LogRefusedError(
        "date_ambiguous",
        f"Day, month and year cannot be told apart in the date {sample!r}.",
        place="time column, first row of data",
        hint="Set the logger to write 2026-05-11 09:30:12, or say in a profile, under [time], "
        'which comes first: `format = "timestamp"` with `pattern = "%d.%m.%Y %H:%M:%S"`.',
    )
