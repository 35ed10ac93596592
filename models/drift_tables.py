"""Table contracts of drift: trends of quantities between visits, and rates of leaks.

Holds the declarations and the codes that stand in them; the frames are made by `drift` and
`leaks`. Does not belong here: arithmetic, sentences (`drift_sentences`).
"""

from __future__ import annotations

from enum import Enum

import polars as pl

from features.tables import Column, Table

_TEXT = pl.String()
_REAL = pl.Float64()
_COUNT = pl.Int32()
_INSTANT = pl.Datetime("us", "UTC")
_UNIT = "unit of the feature"
_PER_YEAR = "unit of the feature per year"


class Outlook(Enum):
    """What can be said of the date at which a quantity leaves its band."""

    DATED = "it drifts towards the edge of its band; a date is given"
    NO_TREND = "no drift towards the edge of its band is seen"
    BEYOND_HORIZON = "it drifts, but is not likely to leave its band within the horizon"
    TOO_FEW_VISITS = "too few visits to say"
    NO_BAND = "there is no baseline that would give it a band"

    @property
    def code(self) -> str:
        """The code stored: `dated`."""
        return self.name.lower()


OUTLOOK: dict[str, Outlook] = {outlook.code: outlook for outlook in Outlook}

DRIFTS = Table(
    "drifts",
    "one row per vehicle, feature and regime: its visits since the last service",
    ("vehicle_id", "feature", "regime"),
    (
        Column("vehicle_id", _TEXT, "", "the vehicle"),
        Column("model_id", _TEXT, "", "its model"),
        Column("feature", _TEXT, "", "name of the derived quantity"),
        Column("regime", _TEXT, "", "control state in which the values were taken"),
        Column(
            "basis_code", _TEXT, "",
            "residual: deviation from the baseline, so that conditions are allowed for; value: "
            "the value itself, conditions not allowed for",
        ),
        Column(
            "break_code", _TEXT, "",
            "why the visits before do not count: repair or instrument; null: there are none",
        ),
        Column("first_at", _INSTANT, "", "first visit that counts, UTC"),
        Column("latest_at", _INSTANT, "", "latest visit, UTC"),
        Column("n_visits", _COUNT, "1", "visits that count; tests of one day are one"),
        Column("span_years", _REAL, "a", "from the first visit to the latest"),
        Column("slope_per_year", _REAL, _PER_YEAR, "slope (Theil and Sen)"),
        Column("slope_low_per_year", _REAL, _PER_YEAR, "lower end of its 90 % interval"),
        Column("slope_high_per_year", _REAL, _PER_YEAR, "upper end of its 90 % interval"),
        Column("mann_kendall_p", _REAL, "1", "chance of such an order without a trend, two-sided"),
        Column("noise", _REAL, _UNIT, "standard deviation between visits of a car that stays"),
        Column(
            "p_value", _REAL, "1",
            "chance of so steep a line without a trend, two-sided, by the noise of the fleet",
        ),
        Column("q_value", _REAL, "1", "the same as a false discovery rate over the fleet"),
        Column("model_code", _TEXT, "", "line, or hinge for subcooling: flat, then falling"),
        Column("limit", _REAL, _UNIT, "deviation at which the band ends on the side looked at"),
        Column(
            "decline_probability", _REAL, "1",
            "hinge: probability that the reserve of refrigerant is used up and the fall has begun",
        ),
        Column("fall_per_year", _REAL, "K/a", "hinge: fall of subcooling once it has begun"),
        Column("fall_low_per_year", _REAL, "K/a", "lower end of its 90 % interval"),
        Column("fall_high_per_year", _REAL, "K/a", "upper end of its 90 % interval"),
        Column("reserve_exhausted_at", _INSTANT, "", "hinge: when the fall began, likely, UTC"),
        Column("outlook_code", _TEXT, "", "what can be said of leaving the band"),
        Column("leaves_band_at", _INSTANT, "", "when it likely leaves its band, or left it, UTC"),
        Column("leaves_band_from", _INSTANT, "", "earliest such date of the 90 % interval, UTC"),
        Column(
            "leaves_band_until", _INSTANT, "",
            "latest such date of the 90 % interval, UTC; null: the interval is open, it may never",
        ),
        Column("lacking", _TEXT, "", "what a date would take"),
        Column("sentence", _TEXT, "", "the drift in one sentence"),
    ),
)  # fmt: skip

LEAKS = Table(
    "leaks",
    "one row per vehicle, way of knowing and start of the period",
    ("vehicle_id", "source_code", "since_at"),
    (
        Column("vehicle_id", _TEXT, "", "the vehicle"),
        Column("model_id", _TEXT, "", "its model"),
        Column(
            "source_code", _TEXT, "",
            "recovered_mass: weighed at a service; subcooling: from its fall",
        ),
        Column("since_at", _INSTANT, "", "start of the period, with the charge full, UTC"),
        Column("until_at", _INSTANT, "", "end of the period: the service, or latest visit, UTC"),
        Column("lost_g", _REAL, "g", "refrigerant lost in the period; null: not weighed"),
        Column("rate_g_per_year", _REAL, "g/a", "leak rate, median; null: not known"),
        Column("rate_low_g_per_year", _REAL, "g/a", "lower end of its 90 % interval"),
        Column("rate_high_g_per_year", _REAL, "g/a", "upper end of its 90 % interval"),
        Column("sentence", _TEXT, "", "the rate in one sentence, or why it is not known"),
    ),
)  # fmt: skip
