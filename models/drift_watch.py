"""Drifts that make a car `watch`: sure, soon, and few by chance.

Takes DRIFTS, gives one sentence per car. Stated budget: of cars that stay as they are, at most
the share `drift_watch_share` is called out in error. A line counts when its p-value times the
number of lines of the car (Bonferroni) lies below that share; a hinge when its fall has begun,
as `drift` says. Both only where even the late end of the interval lies within
`drift_watch_days`. Does not belong here: the drift itself (`drift`), other states (`states`).
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import polars as pl

from models.drift_sentences import as_spoken
from models.drift_tables import Outlook

if TYPE_CHECKING:
    from datetime import datetime

    from models.settings import AssessmentSettings


def drifting_cars(
    drifts: pl.DataFrame, settings: AssessmentSettings, as_of: datetime
) -> dict[str, str]:
    """What drifts, by vehicle_id: the sentence of the drift that leaves its band first."""
    if drifts.is_empty():
        return {}
    is_line = pl.col("model_code") == "line"
    n_lines = (is_line & pl.col("p_value").is_not_null()).sum().over("vehicle_id")
    is_sure = ~is_line | (pl.col("p_value") * n_lines <= settings.drift_watch_share)
    last = as_of + timedelta(days=settings.drift_watch_days)
    counting = drifts.filter(
        (pl.col("outlook_code") == Outlook.DATED.code)
        & is_sure
        & (pl.col("leaves_band_until") <= last)
    )
    first = counting.sort("vehicle_id", "leaves_band_at", "feature", "regime").unique(
        "vehicle_id", keep="first", maintain_order=True
    )
    return {
        vehicle_id: as_spoken(sentence)
        for vehicle_id, sentence in first.select("vehicle_id", "sentence").iter_rows()
    }
