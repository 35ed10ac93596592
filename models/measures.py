"""Measures by which repairs are compared: what is counted, of which repairs, in which words.

Holds the records in `MEASURES`. Each says which rows of `REPAIR_OUTCOMES` it can be told of,
what is counted or averaged there, and which properties of the car and of its fault are allowed
for; never who did the repair. Does not belong here: arithmetic (`compared_rates`,
`compared_means`).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import polars as pl

from models.case_mix import Mix


class Kind(Enum):
    """What a measure is: cases per exposure, cases of so many, or an average."""

    RATE = "cases over an exposure"
    SHARE = "cases of a number of repairs"
    AVERAGE = "average of a quantity"


# allowed for where the car and the state before are known; the mix of models by their circuits
_CAR = Mix(("age_years", "odometer_km"), ("architecture",))
_CAR_AND_FAULT = Mix(
    ("age_years", "odometer_km", "severity_before"), ("architecture", "lead_feature")
)


@dataclass(frozen=True)
class Measure:
    """One measure.

    `counted` are the repairs it can be told of; `outcome` what is counted (as a truth value)
    or averaged; `adverse` is +1 where more is worse, 0 where neither side is; `words` follow
    "N of M repairs ..." or stand before a number; `own_list` is what a shop should look at.
    """

    code: str
    kind: Kind
    counted: pl.Expr
    outcome: pl.Expr
    mix: Mix
    adverse: int
    words: str
    unit: str = "1"


_LAST = pl.col("is_last_of_visit")
_COMPARED = _LAST & pl.col("comparison_code").eq("comparable")

MEASURES: tuple[Measure, ...] = (
    Measure(
        "comebacks", Kind.RATE, _LAST & pl.col("followup_exposure").is_not_null(),
        pl.col("followup_code").eq("came_back"), _CAR_AND_FAULT, 1,
        "came back for another repair",
    ),
    Measure(
        "not_back_in_band", Kind.SHARE, _LAST & pl.col("is_back_in_band").is_not_null(),
        ~pl.col("is_back_in_band"), _CAR_AND_FAULT, 1,
        "left the car out of its model's band",
    ),
    Measure(
        "not_retested", Kind.SHARE, _LAST & pl.col("is_retested").is_not_null(),
        ~pl.col("is_retested"), _CAR, 1,
        "were not tested again",
    ),
    Measure(
        "refilled_without_leak_work", Kind.SHARE,
        _LAST & pl.col("action").is_in(["recharge", "leak_repair"]),
        pl.col("is_topup"), _CAR, 1,
        "refilled the car with no leak found or repaired",
    ),
    Measure(
        "refilled_again", Kind.SHARE,
        _LAST & pl.col("action").is_in(["recharge", "leak_repair"]),
        pl.col("is_topup_again"), _CAR, 1,
        "refilled with no leak found a car that was filled again later",
    ),
    Measure(
        "overcharged", Kind.SHARE, pl.col("charge_error_g").is_not_null(),
        pl.col("is_overcharged"), _CAR, 1,
        "charged more than the specification and its tolerance",
    ),
    Measure(
        "undercharged", Kind.SHARE, pl.col("charge_error_g").is_not_null(),
        pl.col("is_undercharged"), _CAR, 1,
        "charged less than the specification and its tolerance",
    ),
    Measure(
        "deviation_left", Kind.AVERAGE,
        _COMPARED & pl.all_horizontal(pl.col("severity_before", "severity_after").is_not_null()),
        pl.col("severity_after"), _CAR_AND_FAULT, 1,
        "deviation left after the repair, beyond what its size before explains", "spreads",
    ),
    Measure(
        "charge_error", Kind.AVERAGE, pl.col("charge_error_pct").is_not_null(),
        pl.col("charge_error_pct"), Mix((), ("architecture",)), 0,
        "charge against specification", "%",
    ),
    Measure(
        "subcooling_after", Kind.AVERAGE, _LAST & pl.col("subcooling_after_k").is_not_null(),
        pl.col("subcooling_after_k"), Mix(("air_difference_k",), ("architecture",)), 0,
        "subcooling after the repair against the model", "K",
    ),
)  # fmt: skip
MEASURE = {measure.code: measure for measure in MEASURES}
