"""Drift in words: how fast, since when, when it likely leaves the band, what is lacking.

Takes rows of `DRIFTS` and `LEAKS` without their sentence, gives the sentence. Quantities in
canonical units. Does not belong here: deciding anything.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from features.catalogue import FEATURE
from models.drift_tables import OUTLOOK, Outlook
from models.findings import JUDGED_FEATURE
from models.sentences import capitalised

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

_LEAST_DAYS_APART = 45
# So common, and so plain, that they are worded all at once.
PLAIN_OUTLOOKS = (Outlook.TOO_FEW_VISITS, Outlook.NO_TREND)


def month(instant: datetime) -> str:
    """A month as it is spoken: `August 2027`."""
    return f"{instant:%B %Y}"


def plain_sentence(as_of: datetime) -> pl.Expr:
    """What is said of the many series of `PLAIN_OUTLOOKS`; null of the others."""
    words = pl.col("feature").replace_strict(
        {name: judged.words for name, judged in JUDGED_FEATURE.items()},
        default=pl.col("feature"),
        return_dtype=pl.String,
    )
    start = pl.col("leaves_band_from")
    is_ahead = (start - pl.lit(as_of)).dt.total_days() >= _LEAST_DAYS_APART
    before = pl.format("; not likely to leave its band before {}", start.dt.strftime("%B %Y"))
    visits = pl.format(
        "{}: {} ({} visits over {} years)",
        words,
        pl.lit(Outlook.NO_TREND.value),
        "n_visits",
        pl.col("span_years").round(1),
    ) + pl.when(is_ahead).then(before).otherwise(pl.lit(""))
    few = pl.format("{}: {}; lacking: {}", words, pl.lit(Outlook.TOO_FEW_VISITS.value), "lacking")
    code = pl.col("outlook_code")
    return (
        pl.when(code == Outlook.TOO_FEW_VISITS.code)
        .then(few)
        .when(code == Outlook.NO_TREND.code)
        .then(visits)
    )


def drift_sentence(row: Mapping[str, Any], as_of: datetime) -> str:
    """The drift of one quantity of a car, as of an instant."""
    outlook = OUTLOOK[row["outlook_code"]]
    if outlook is Outlook.BEYOND_HORIZON:
        course = _fall(row) if row["model_code"] == "hinge" else _slope(row)
        head = f"{course}, {_visits(row)}; not likely out of band soon"
        return f"{head}{_not_before(row, as_of)}"
    if outlook is Outlook.NO_BAND:
        return f"{_slope(row)}, {_visits(row)}; {outlook.value}"
    if row["model_code"] == "hinge":
        return f"{_fall(row)}, {_when(row, as_of)}"
    return f"{_slope(row)}, {_when(row, as_of)}"


def _quantity(row: Mapping[str, Any]) -> str:
    judged = JUDGED_FEATURE.get(row["feature"])
    return judged.words if judged else str(row["feature"])


def _visits(row: Mapping[str, Any]) -> str:
    return f"{row['n_visits']} visits over {row['span_years']:.1f} years"


def _slope(row: Mapping[str, Any]) -> str:
    """`subcooling falls 1.8 K a year (0.9 K to 2.6 K)`; below zero the other way."""
    unit = FEATURE[row["feature"]].unit.replace("1/min", "per minute")
    unit = "" if unit == "1" else f" {unit}"
    unit = " K" if unit == " degC" else unit
    middle, ends = row["slope_per_year"], (row["slope_low_per_year"], row["slope_high_per_year"])
    digits = JUDGED_FEATURE[row["feature"]].digits if row["feature"] in JUDGED_FEATURE else 1
    verb = "rises" if middle > 0 else "falls"
    # the rounded zero has no sign
    low, high = sorted(round(end if middle > 0 else -end, digits) + 0.0 for end in ends)
    return (
        f"{_quantity(row)} {verb} {abs(middle):.{digits}f}{unit} a year "
        f"({low:.{digits}f}{unit} to {high:.{digits}f}{unit})"
    )


def _fall(row: Mapping[str, Any]) -> str:
    """`subcooling falls 1.8 K a year (0.9 K to 2.6 K) since August 2025`."""
    middle, low, high = (
        row[name] for name in ("fall_per_year", "fall_low_per_year", "fall_high_per_year")
    )
    since = f" since {month(row['reserve_exhausted_at'])}" if row["reserve_exhausted_at"] else ""
    return f"{_quantity(row)} falls {middle:.1f} K a year ({low:.1f} K to {high:.1f} K){since}"


def _when(row: Mapping[str, Any], as_of: datetime) -> str:
    at, start, end = (row[f"leaves_band_{name}"] for name in ("at", "from", "until"))
    first = month(start) if start else "any time"
    last = month(end) if end else "never"
    if at <= as_of:
        return f"likely out of band since {month(at)} ({first} to {last})"
    return f"likely out of band by {month(at)} ({first} to {last})"


def _not_before(row: Mapping[str, Any], as_of: datetime) -> str:
    start = row["leaves_band_from"]
    if start is None or (start - as_of).days < _LEAST_DAYS_APART:
        return ""
    return f"; not likely to leave its band before {month(start)}"


def lacking_visits(n_visits: int, least: int) -> str:
    """What a series lacks to be looked at."""
    more = least - n_visits
    return f"{more} more visit{'s' if more > 1 else ''} under like conditions, on days apart"


def weighed_sentence(row: Mapping[str, Any]) -> str:
    """The leak rate of a weighed service."""
    period = f"{row['years']:.1f} years before the service of {month(row['until_at'])}"
    rate = _rate(row)
    if row["is_empty"]:
        return f"nearly all refrigerant was gone after the {period}: {rate} or more"
    return f"about {max(row['lost_g'], 0.0):.0f} g gone in the {period}: {rate}"


def subcooling_sentence(row: Mapping[str, Any]) -> str:
    """The leak rate that the fall of subcooling tells, or why it tells none."""
    if row["rate_g_per_year"] is None:
        return (
            "subcooling falls, but grams per year are not known: reserve and subcooling per gram "
            "of this model show only in weighed services with a test shortly before"
        )
    return f"by its subcooling since {month(row['since_at'])}: {_rate(row)}"


def _rate(row: Mapping[str, Any]) -> str:
    middle, low, high = (
        row[name] for name in ("rate_g_per_year", "rate_low_g_per_year", "rate_high_g_per_year")
    )
    return f"leak of {middle:.0f} g a year ({low:.0f} to {high:.0f})"


def as_spoken(sentence: str) -> str:
    """The sentence as it stands alone: capital first, full stop last."""
    return f"{capitalised(sentence)}."
