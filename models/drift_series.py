"""Series of visits with what the fleet says of them: band, noise, last full charge.

Takes the rows of `visits` and the fillings of each car, gives one row per series with lists
of its visits, and the trend columns that need no model of the car. Does not belong here:
when a car leaves its band (`drift`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from models.findings import JUDGED
from models.line_crossing import crossing_times, fit_lines
from models.trends import mann_kendall_p, theil_sen
from models.visits import SERIES, years_between

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.settings import AssessmentSettings

    Array = NDArray[np.float64]

# Of intervals; an open one leaves all that it leaves out on its closed side.
CONFIDENCE = 0.9
_ONE_SIDED = 2.0 * CONFIDENCE - 1.0


def series_frame(
    visits: pl.DataFrame, full: pl.DataFrame, settings: AssessmentSettings
) -> pl.DataFrame:
    """One row per series in order of the key, with lists `years` and `value` of its visits.

    `full` has vehicle_id and full_at in order of time.
    """
    first = pl.col("visited_at").first()
    begun = (
        visits.join(_bands(), on="feature", how="left", maintain_order="left")
        .group_by(SERIES, maintain_order=True)
        .agg(
            pl.col("model_id", "break_code", "is_residual", "noise", "noise_freedom").first(),
            pl.col("is_high_adverse", "is_low_adverse").first(),
            first.alias("first_at"),
            pl.col("visited_at").last().alias("latest_at"),
            pl.len().cast(pl.Int32).alias("n_visits"),
            years_between(first, pl.col("visited_at")).alias("years"),
            "value",
            (pl.col("observed") - pl.col("value")).alias("expected"),
            pl.col("spread").median(),
            pl.max_horizontal(
                settings.least_z * pl.col("spread").median(), pl.col("least_effect").first()
            ).alias("band"),
        )
    )
    return (
        begun.with_columns(
            pl.col("years").list.last().alias("span_years"),
            (pl.col("n_visits") >= settings.least_visits).alias("is_enough"),
            pl.when("is_residual")
            .then(pl.lit("residual"))
            .otherwise(pl.lit("value"))
            .alias("basis_code"),
        )
        .sort("first_at")
        .join_asof(
            full,
            left_on="first_at",
            right_on="full_at",
            by="vehicle_id",
            strategy="backward",
            check_sortedness=False,
        )
        .sort(SERIES)
    )


def _bands() -> pl.DataFrame:
    """Least effect of each judged feature and which of its sides are adverse."""
    return pl.DataFrame(
        {
            "feature": [f.name for f in JUDGED],
            "least_effect": [f.least_effect for f in JUDGED],
            "is_high_adverse": [f.high is not None for f in JUDGED],
            "is_low_adverse": [f.low is not None for f in JUDGED],
        }
    )


def listed(part: pl.DataFrame, column: str) -> Array:
    """A list column of equally long lists as an array (m, n)."""
    count = part["n_visits"][0] if part.height else 1
    return np.asarray(part[column].explode().to_numpy(), dtype=float).reshape(-1, count)


def add_trends(part: pl.DataFrame) -> pl.DataFrame:
    """The series, all of equally many visits, with slopes, their interval and Mann-Kendall's p."""
    times, values = listed(part, "years"), listed(part, "value")
    slopes = theil_sen(times, values, CONFIDENCE)
    return part.with_columns(
        pl.Series("slope_per_year", slopes.slope),
        pl.Series("slope_low_per_year", slopes.low),
        pl.Series("slope_high_per_year", slopes.high),
        pl.Series("mann_kendall_p", mann_kendall_p(values)),
    )


def add_crossings(part: pl.DataFrame) -> pl.DataFrame:
    """Series on deviations with the line's p-value and, in years, when it leaves the band.

    Adds p_value, `limit` with its sign, `likely`, `early` and `late` (ends of the interval),
    `early_if_open`, and `is_towards`: whether the slope leads to the limit.
    """
    noise, freedom = (part[name].to_numpy() for name in ("noise", "noise_freedom"))
    lines = fit_lines(listed(part, "years"), listed(part, "value"), noise, freedom)
    high, low = (part[f"is_{side}_adverse"].to_numpy() for side in ("high", "low"))
    side = np.where(high & low, np.where(lines.slope < 0, -1.0, 1.0), np.where(high, 1.0, -1.0))
    limit = side * part["band"].to_numpy()
    crossing = crossing_times(lines, limit, CONFIDENCE)
    wide = crossing_times(lines, limit, _ONE_SIDED)
    return part.with_columns(
        pl.lit("line").alias("model_code"),
        pl.Series("p_value", lines.slope_p),
        pl.Series("limit", limit),
        pl.Series("likely", crossing.likely),
        pl.Series("early", crossing.earliest),
        pl.Series("late", crossing.latest),
        pl.Series("early_if_open", wide.earliest),
        pl.Series("is_towards", side * lines.slope > 0),
    )
