"""The time column: which one it is, how it is written, and the seconds it means.

Takes header names and a first cell, gives a `TimeUse`; and expressions that turn the
column into seconds. Clock times may pass midnight; timestamps and epochs give the instant
of the first sample too. Does not belong here: reading files, time in the registry.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from pipeline.date_patterns import date_pattern
from pipeline.headers import match_time, unit_of
from pipeline.refusals import LogRefusedError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.profiles import TimeForm

_SECONDS_PER: dict[str, float] = {
    "milliseconds": 0.001,
    "seconds": 1.0,
    "minutes": 60.0,
    "hours": 3600.0,
    "epoch_s": 1.0,
    "epoch_ms": 1e-3,
    "epoch_us": 1e-6,
    "epoch_ns": 1e-9,
}
_UNIT_FORMATS = {
    "s": "seconds", "sec": "seconds", "second": "seconds", "seconds": "seconds",
    "min": "minutes", "minutes": "minutes",
    "h": "hours", "hours": "hours",
    "ms": "milliseconds", "milliseconds": "milliseconds",
}  # fmt: skip
# An epoch has this many seconds between the years 2001 and 2286; no test lasts as long.
_EPOCH_S = (1e9, 1e10)
_CLOCK = re.compile(r"\d{1,2}:\d{2}:\d{2}([.,]\d+)?(\s*[AaPp][Mm])?")
_ISO = re.compile(
    r"\d{4}-\d{2}-\d{2}(?P<mark>[T ])\d{2}:\d{2}(?P<seconds>:\d{2}([.,]\d+)?)?"
    r"\s?(?P<zone>Z|[+-]\d{2}(:?\d{2})?)?"
)
_HALF_DAY_S = 43_200.0
_DAY_S = 86_400.0
# From 0001-01-02 to 9999-12-30: what a calendar can tell in every zone, in seconds from 1970.
_CALENDAR_S = (-62_135_510_400.0, 253_402_128_000.0)


@dataclass(frozen=True)
class TimeUse:
    """The time column of a layout.

    `format_code` is a `TimeForm.format` other than `auto`; `pattern` is how a clock or
    timestamp is written; `has_zone` says whether a timestamp carries its offset;
    `is_assumed` that nothing states the unit of a number, so that seconds are meant;
    `is_scientific` that numbers carry exponents, which may have cost them digits.
    """

    index: int
    name: str
    format_code: str
    pattern: str = ""
    has_zone: bool = False
    is_assumed: bool = False
    is_scientific: bool = False

    @property
    def is_text(self) -> bool:
        """True means: the column is read as text."""
        return self.format_code in {"clock", "timestamp"}

    @property
    def is_absolute(self) -> bool:
        """True means: the column tells the instant, not only the time that passed."""
        return self.format_code == "timestamp" or self.format_code.startswith("epoch")


def find_time_column(names: Sequence[str], form: TimeForm) -> int:
    """The position of the time column.

    Raises
    ------
    LogRefusedError
        No column, or more than one, can be the time.
    """
    if form.column:
        wanted = form.column.strip().lower()
        fits = [index for index, name in enumerate(names) if name.lower() == wanted]
    else:
        fits = [index for index, name in enumerate(names) if match_time(name) is not None]
    if not fits:
        raise LogRefusedError(
            "no_time_column",
            "No column is the time" + (f": there is no `{form.column}`." if form.column else "."),
            place="column names",
            hint="Name one `Time [s]`, `Clock` or `Timestamp`, or name it in a profile.",
        )
    if len(fits) > 1:
        raise LogRefusedError(
            "two_time_columns",
            f"More than one column can be the time: {', '.join(names[i] for i in fits)}.",
            place="column names",
            hint="Say in a profile which one it is, under [time], `column = ...`.",
        )
    return fits[0]


def find_time_use(index: int, name: str, unit_text: str, sample: str, form: TimeForm) -> TimeUse:
    """How the time column is written, by the profile, else by header and first cell.

    Raises
    ------
    LogRefusedError
        The first cell cannot be read as a time.
    """
    stated: str = form.format
    unit = unit_text or match_time(name) or unit_of(name) or ""
    is_assumed = stated == "auto" and not unit.strip()
    if stated == "auto":
        stated = _format_of(sample, unit)
    if stated == "clock":
        return TimeUse(index, name, "clock", _clock_pattern(sample))
    if stated == "timestamp":
        pattern = form.pattern or _iso_pattern(sample) or date_pattern(sample)
        if pattern is None:
            raise _not_a_time(sample)
        has_zone = "%z" in pattern or "%#z" in pattern or "%:z" in pattern
        return TimeUse(index, name, "timestamp", pattern, has_zone)
    is_assumed = is_assumed and stated == "seconds"
    is_scientific = "e" in sample.lower()
    return TimeUse(index, name, stated, is_assumed=is_assumed, is_scientific=is_scientific)


def _format_of(sample: str, unit_text: str) -> str:
    if _CLOCK.fullmatch(sample):
        return "clock"
    if _ISO.fullmatch(sample) or date_pattern(sample):
        return "timestamp"
    try:
        number = float(sample.replace(",", "."))
    except ValueError:
        raise _not_a_time(sample) from None
    for name, step in (("epoch_s", 1.0), ("epoch_ms", 1e3), ("epoch_us", 1e6), ("epoch_ns", 1e9)):
        if _EPOCH_S[0] <= number / step < _EPOCH_S[1]:
            return name
    unit = unit_text.strip().strip("[]()").lower()
    if unit and unit not in _UNIT_FORMATS:
        raise LogRefusedError(
            "time_unit_unknown",
            f"'{unit_text}' is not a unit of time that can be read.",
            place="time column",
            hint="Readable are s, ms, min and h.",
        )
    return _UNIT_FORMATS.get(unit, "seconds")


def _clock_pattern(sample: str) -> str:
    return "%I:%M:%S%.f%p" if sample[-1:] in "mM" and sample else "%H:%M:%S%.f"


def _iso_pattern(sample: str) -> str | None:
    found = _ISO.fullmatch(sample)
    if found is None:
        return None
    seconds = ":%S%.f" if found["seconds"] else ""
    return f"%Y-%m-%dT%H:%M{seconds}{'%#z' if found['zone'] else ''}"


def _not_a_time(sample: str) -> LogRefusedError:
    return LogRefusedError(
        "time_unreadable",
        f"The time is written in a way that cannot be read: {sample!r}.",
        place="time column, first row of data",
        hint="Seconds, hh:mm:ss and 2026-05-11T09:30:12 are read; any other way needs a profile "
        'that says under [time] how it is written, such as `pattern = "%d.%m.%Y %H:%M:%S"` with '
        '`format = "timestamp"`, because day and month may be mistaken.',
    )


def seconds(time: pl.Expr, use: TimeUse, zone: str) -> pl.Expr:
    """The time column as seconds: since the start, since midnight, or since 1970 (UTC).

    A cell that cannot be read, or that no calendar holds, gives null. Clock times are not
    yet unwrapped at midnight.

    Parameters
    ----------
    time
        Text for a clock or timestamp, else numbers.
    use
        How it is written.
    zone
        Time zone of timestamps without an offset.
    """
    return within_calendar(_seconds(time, use, zone))


def within_calendar(seconds_s: pl.Expr) -> pl.Expr:
    """The seconds, null where no calendar holds them; such a time is damage, not a time."""
    return pl.when(seconds_s.is_between(*_CALENDAR_S)).then(seconds_s)


def _seconds(time: pl.Expr, use: TimeUse, zone: str) -> pl.Expr:
    if use.format_code == "clock":
        text = time.str.replace_all(" ", "", literal=True).str.replace(",", ".", literal=True)
        clock = text.str.to_time(use.pattern, strict=False)
        return clock.cast(pl.Int64).cast(pl.Float64) / 1e9
    if use.format_code == "timestamp":
        return _instant(time, use, zone).dt.epoch("us").cast(pl.Float64) / 1e6
    return time.cast(pl.Float64) * _SECONDS_PER[use.format_code]


def _instant(time: pl.Expr, use: TimeUse, zone: str) -> pl.Expr:
    text = time.str.strip_chars().str.replace(",", ".", literal=True)
    if use.pattern.startswith("%Y-%m-%dT"):
        text = text.str.replace(" ", "T", literal=True).str.replace(" ", "", literal=True)
    # one pattern stands for a date with or without these blanks
    if "%p" in use.pattern and " %p" not in use.pattern:
        text = text.str.replace(r"\s+([AaPp][Mm])", "${1}")
    if use.has_zone and " %" not in use.pattern[-4:]:
        text = text.str.replace(r"\s+([+-]\d{2}(?::?\d{2})?|Z)$", "${1}")
    if use.has_zone:
        return text.str.to_datetime(use.pattern, time_unit="us", strict=False)
    local = text.str.to_datetime(use.pattern, time_unit="us", strict=False)
    # the first of a repeated hour is meant; a skipped hour does not exist
    aware = local.dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
    return aware.dt.convert_time_zone("UTC")


def unwrap_midnight(clock_s: pl.Expr, file: str) -> pl.Expr:
    """Clock seconds that go on rising when the clock passes midnight, per file.

    True order of rows is needed; a step by more than half a day back is a midnight, and one
    forward is a midnight the other way: the newest row comes first, or one comes late.
    """
    step_s = clock_s.forward_fill().diff()
    after = (step_s < -_HALF_DAY_S).fill_null(value=False).cast(pl.Int32)
    before = (step_s > _HALF_DAY_S).fill_null(value=False).cast(pl.Int32)
    return clock_s + _DAY_S * (after - before).cum_sum().over(file)
