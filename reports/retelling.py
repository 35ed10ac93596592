"""Sentences of other folders in the units and marks of the page.

Takes a finished sentence with canonical units (kPa, K, °C), q values or code marks, gives
the same sentence as a person reads it. Does not belong here: writing sentences (`models`,
`features`, `pipeline` do), and the words for codes (`wording`).
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from reports.display import (
    CHANCE_NOT_RULED_OUT,
    MINUS,
    DisplayUnit,
    display_unit,
    false_alarm_text,
    number_text,
    with_unit,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.settings import ReportSettings

# a number that stands alone, its sign if it has one, and its canonical unit
_QUANTITY = re.compile(
    rf"(?<![\w.,-])(?P<sign>[+{MINUS}-]?)(?P<number>\d+(?:\.\d+)?)[ \N{{NO-BREAK SPACE}}]"
    r"(?P<unit>kPa|K|°C)(?![\w/])"
)
_FALSE_ALARMS = re.compile(r"\bq (?P<share>[01]\.\d+)(?![\w.])")
_CODE_MARKS = re.compile(r"`([^`]*)`")
# a quantity whose display unit is that of the canonical unit in a sentence
_EXAMPLE = {"kPa": "low_side_kpa", "K": "duct_drop_k", "°C": "duct_air_c"}


def in_display_units(sentence: str, settings: ReportSettings) -> str:
    """The sentence with its pressures, temperatures and q values as the page prints them."""

    def restate(found: re.Match[str]) -> str:
        unit = display_unit(_EXAMPLE[found["unit"]], settings)
        if unit.label.startswith(found["unit"]):
            return found[0]
        return _restated(found["sign"], float(found["number"]), unit)

    return _FALSE_ALARMS.sub(_as_false_alarms, _QUANTITY.sub(restate, sentence))


def _as_false_alarms(found: re.Match[str]) -> str:
    text = false_alarm_text(float(found["share"]))
    return text if text == CHANCE_NOT_RULED_OUT else f"false alarms {text}"


def _restated(sign: str, number: float, unit: DisplayUnit) -> str:
    value = -number if sign in ("-", MINUS) else number
    text = number_text(unit.convert(value), unit.decimals, sign=sign == "+")
    return with_unit(text, unit.difference_label)


def in_quotes(sentence: str) -> str:
    """The sentence with quotation marks where it has the back quotes of program texts."""
    return _CODE_MARKS.sub(
        "\N{LEFT DOUBLE QUOTATION MARK}\\1\N{RIGHT DOUBLE QUOTATION MARK}", sentence
    )


def in_one_breath(items: Sequence[str]) -> str:
    """The items as one enumerates them: "a, b and c"."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"
