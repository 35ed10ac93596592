"""Numbers as people read them: display units, fixed decimals, dates, safe file names.

Takes single values and column names, gives text (or a Polars expression for whole
columns). The unit of a quantity is read from its name's suffix. Does not belong here:
unit conversion of anything that is stored or compared (`features.units`).
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from features.units import UNITS

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl

    from reports.settings import ReportSettings

UNKNOWN = "not known"
MINUS = "\N{MINUS SIGN}"
CHANCE_NOT_RULED_OUT = "chance not ruled out"
_NOTHING_RULED_OUT = 0.995


@dataclass(frozen=True)
class DisplayUnit:
    """How a canonical value is printed: `value * scale + offset`, decimals, label.

    A difference of two values takes the scale alone.
    """

    scale: float
    offset: float
    decimals: int
    label: str
    difference_label: str

    def convert(self, value: float) -> float:
        """The value in the display unit, rounded to the decimals shown."""
        return round(value * self.scale + self.offset, self.decimals)

    def text(self, value: float | None) -> str:
        """The value with its unit, such as "2.31 bar"."""
        if value is None:
            return UNKNOWN
        return with_unit(number_text(self.convert(value), self.decimals), self.label)

    def difference_text(self, value: float | None) -> str:
        """A signed difference with its unit, such as "+4.9 K"."""
        if value is None:
            return UNKNOWN
        number = number_text(value * self.scale, self.decimals, sign=True)
        return with_unit(number, self.difference_label)

    def expression(self, column: pl.Expr) -> pl.Expr:
        """The column in the display unit, rounded to the decimals shown."""
        return (column * self.scale + self.offset).round(self.decimals)


_PRESSURE = {
    "bar": DisplayUnit(0.01, 0.0, 2, "bar", "bar"),
    "kPa": DisplayUnit(1.0, 0.0, 0, "kPa", "kPa"),
    "psi": DisplayUnit(1.0 / UNITS["psi absolute"].factor, 0.0, 1, "psi", "psi"),
}
_TEMPERATURE = {
    "degC": DisplayUnit(1.0, 0.0, 1, "°C", "K"),
    "degF": DisplayUnit(1.8, 32.0, 1, "°F", "°F"),
}
_DIFFERENCE = {
    "degC": DisplayUnit(1.0, 0.0, 1, "K", "K"),
    "degF": DisplayUnit(1.8, 0.0, 1, "°F difference", "°F"),
}
_BY_SUFFIX = {
    "_per_min": DisplayUnit(1.0, 0.0, 2, "per min", "per min"),
    "_kj_per_kg": DisplayUnit(1.0, 0.0, 1, "kJ/kg", "kJ/kg"),
    "_pct": DisplayUnit(1.0, 0.0, 0, "%", "%"),
    "_rpm": DisplayUnit(1.0, 0.0, 0, "rpm", "rpm"),
    "_kmh": DisplayUnit(1.0, 0.0, 0, "km/h", "km/h"),
    "_w": DisplayUnit(1.0, 0.0, 0, "W", "W"),
    "_v": DisplayUnit(1.0, 0.0, 1, "V", "V"),
    "_s": DisplayUnit(1.0, 0.0, 0, "s", "s"),
}
_PLAIN = DisplayUnit(1.0, 0.0, 2, "", "")
_SWITCH = DisplayUnit(100.0, 0.0, 0, "%", "%")  # drawn on the axis of the commands


def display_unit(name: str, settings: ReportSettings) -> DisplayUnit:
    """How a quantity of this name is printed under these settings."""
    if name.endswith("_kpa"):
        return _PRESSURE[settings.pressure_unit]
    if name.endswith("_c"):
        return _TEMPERATURE[settings.temperature_unit]
    if name.endswith("_k"):
        return _DIFFERENCE[settings.temperature_unit]
    if name == "compressor_on":
        return _SWITCH
    for suffix, unit in _BY_SUFFIX.items():
        if name.endswith(suffix):
            return unit
    return _PLAIN


def number_text(value: float, decimals: int, *, sign: bool = False) -> str:
    """The number at fixed decimals with a true minus sign and no negative zero."""
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    elif sign and value > 0:
        text = f"+{text}"
    return text.replace("-", MINUS)


def with_unit(number: str, label: str) -> str:
    """Number and unit, kept on one line by a no-break space."""
    return f"{number}\N{NO-BREAK SPACE}{label}" if label else number


def share_text(value: float | None) -> str:
    """A share such as a p or q value in percent, "<0.1 %" below."""
    if value is None:
        return UNKNOWN
    number = number_text(100 * value, 1) if value >= 0.0005 else "<0.1"
    return with_unit(number, "%")


def false_alarm_text(value: float | None) -> str:
    """A q value in percent; near one in words.

    There a percentage would claim that the reading is surely chance, while it only says that
    there are too few cars to compare with, or too slight a deviation, to rule chance out.
    """
    if value is not None and value >= _NOTHING_RULED_OUT:
        return CHANCE_NOT_RULED_OUT
    return share_text(value)


def date_text(moment: datetime | None, settings: ReportSettings) -> str:
    """The calendar date in the zone of the settings, ISO 8601."""
    if moment is None:
        return "never"
    return moment.astimezone(ZoneInfo(settings.time_zone)).date().isoformat()


def moment_text(moment: datetime, settings: ReportSettings) -> str:
    """Date, time to the minute and zone."""
    local = moment.astimezone(ZoneInfo(settings.time_zone))
    return f"{local:%Y-%m-%d %H:%M} {settings.time_zone}"


def clock_text(seconds: float) -> str:
    """Time within a test as minutes and seconds, "7:05"."""
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"


_PLAIN_NAME = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
_RESERVED = re.compile(r"con|prn|aux|nul|com\d|lpt\d")
_LONGEST_STEM = 40


def file_stem(identifier: str) -> str:
    """A file name for this identifier: safe on every file system, never shared by two.

    A short lower-case name of letters, digits and single hyphens stands for itself;
    any other gets a readable stem, an underscore and 16 digits of its SHA-256.
    """
    plain = _PLAIN_NAME.fullmatch(identifier) and not _RESERVED.fullmatch(identifier)
    if plain and len(identifier) <= _LONGEST_STEM:
        return identifier
    stem = re.sub(r"[^a-z0-9]+", "-", identifier.lower()).strip("-")[:_LONGEST_STEM].strip("-")
    digest = hashlib.sha256(identifier.encode("utf-8", "surrogatepass")).hexdigest()[:16]
    return f"{stem or 'vehicle'}_{digest}"
