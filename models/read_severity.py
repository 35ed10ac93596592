"""How bad cars were before a repair, told from readings that stray themselves.

Takes rows of `REPAIR_OUTCOMES` with the group each belongs to, gives them with `severity_before`
as it is likely to have been. A reading strays about the truth; at the same reading, the cars of
a shop that gets worse ones are worse in truth, and to regress on the bare reading would leave a
part of that to the shop. Every reading is therefore drawn towards the mean of its group, as far
as readings stray among the cars of a group. Does not belong here: regression (`case_mix`).

Source: regression calibration, Carroll et al., Measurement Error in Nonlinear Models (2006),
chapter 4 (from memory).
"""

from __future__ import annotations

import polars as pl

# A severity is counted in spreads of cars in order, so their readings stray by one by definition.
_READING_VARIANCE = 1.0
_SEVERITY = "severity_before"


def with_likely_severity(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows with `severity_before` drawn towards the mean of its group.

    The mean itself is taken as read: its error is that of a reading over the number of cars.
    """
    known = rows.filter(pl.col(_SEVERITY).is_not_null())
    groups = known.group_by("group").agg(
        centre=pl.col(_SEVERITY).mean(),
        squares=pl.col(_SEVERITY).var().fill_null(0.0) * (pl.len() - 1),
    )
    freedom = known.height - groups.height
    if freedom < 1 or groups.height == 1:
        return rows
    within = float(groups["squares"].sum()) / freedom
    kept = max(0.0, 1.0 - _READING_VARIANCE / within) if within > 0 else 0.0
    drawn = pl.col("centre") + kept * (pl.col(_SEVERITY) - pl.col("centre"))
    return (
        rows.join(groups.drop("squares"), on="group", how="left", maintain_order="left")
        .with_columns(drawn.alias(_SEVERITY))
        .drop("centre")
    )
