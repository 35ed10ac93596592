"""Comebacks: when a car needed another repair, on the clock of cooling where it is known.

Takes visits, vehicles and what is known of the climate; gives for each visit how it went on:
came back, left (not seen any more), or still followed, and after how much. A repair of
September has no chance to come back until May: days alone would flatter it. Does not belong
here: shares of comebacks (`cumulative_incidence`), comparison (`shops`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.cumulative_incidence import CAME_BACK, LEFT, STILL_FOLLOWED

if TYPE_CHECKING:
    from datetime import datetime

    from models.recurrence.climate import Climate

Array = NDArray[np.float64]

FOLLOWUP_CODES = {"still_followed": STILL_FOLLOWED, "came_back": CAME_BACK, "left": LEFT}
_DAY_US = 86_400e6


def followed_up(
    spans: pl.DataFrame,
    vehicles: pl.DataFrame,
    climate: Climate | None,
    as_of: datetime,
    *,
    silent_after_days: float,
) -> pl.DataFrame:
    """How each visit went on, one row per visit.

    A car counts as gone from the day it was last seen when that is longer ago than
    `silent_after_days`; until then it is followed to `as_of`. To end its follow-up at its last
    visit would count the comebacks and forget the time without one.

    Parameters
    ----------
    spans : frame
        As from `visit_spans`.
    vehicles : frame
        vehicle_id, region, last_seen_date.
    climate : Climate or None
        From before the first visit to `as_of`. A vehicle whose region it lacks makes the clock
        that of days for all: two clocks cannot be compared.
    as_of : datetime
    silent_after_days : float

    Returns
    -------
    frame
        visit_number, followup_code, followup_days, followup_exposure, exposure_code.
    """
    now = pl.lit(as_of).cast(pl.Datetime("us", "UTC"))
    seen = pl.col("last_seen_date").cast(pl.Datetime("us", "UTC"))
    silent = pl.duration(microseconds=round(silent_after_days * _DAY_US))
    has_left = (now - seen > silent).fill_null(value=False)
    end = pl.when(has_left).then(pl.max_horizontal(seen, "visit_to")).otherwise(now)
    code = (
        pl.when(pl.col("next_from").is_not_null())
        .then(pl.lit("came_back"))
        .when(has_left)
        .then(pl.lit("left"))
        .otherwise(pl.lit("still_followed"))
    )
    rows = spans.join(
        vehicles.select("vehicle_id", "region", "last_seen_date"),
        on="vehicle_id",
        how="left",
        maintain_order="left",
    ).with_columns(code.alias("followup_code"), pl.coalesce("next_from", end).alias("until_at"))
    days = (pl.col("until_at") - pl.col("visit_to")).dt.total_microseconds() / _DAY_US
    return _with_exposure(rows.with_columns(days.alias("followup_days")), climate).select(
        "visit_number", "followup_code", "followup_days", "followup_exposure", "exposure_code"
    )


def _with_exposure(rows: pl.DataFrame, climate: Climate | None) -> pl.DataFrame:
    """On the clock of cooling where the climate of every region is told, else on that of days."""
    regions = rows["region"].unique().to_list()
    if climate is None or rows.is_empty() or any(each not in climate.summed for each in regions):
        return rows.with_columns(
            pl.col("followup_days").alias("followup_exposure"),
            pl.lit("days").alias("exposure_code"),
        )
    starts, ends = (
        _epoch_days(rows[name]) - climate.first_day for name in ("visit_to", "until_at")
    )
    exposure = np.zeros(rows.height)
    for region in regions:
        is_here = (rows["region"] == region).to_numpy()
        summed = climate.summed[region]
        days = np.arange(summed.size, dtype=np.float64)
        at_end = np.interp(ends[is_here], days, summed)
        exposure[is_here] = at_end - np.interp(starts[is_here], days, summed)
    return rows.with_columns(
        pl.Series("followup_exposure", exposure, pl.Float64),
        pl.lit("cooling_degree_days").alias("exposure_code"),
    )


def _epoch_days(instants: pl.Series) -> Array:
    return instants.dt.epoch("us").to_numpy().astype(np.float64) / _DAY_US
