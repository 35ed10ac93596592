"""The `LEAKS` frame: rates weighed at services, and rates told by the fall of subcooling.

Takes the services of `leaks` and the series that `drift` has looked at. Does not belong
here: how a rate is found.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from models.drift_sentences import subcooling_sentence, weighed_sentence
from models.drift_tables import LEAKS
from models.leaks import weighed_rates

if TYPE_CHECKING:
    from models.settings import AssessmentSettings

# Regimes whose subcooling tells most of the charge come first: full load moves it about
# twice as far as regulation does (common practice, no source).
_REGIMES_BY_WORTH = {"saturated": 0, "running": 1, "cycling": 2, "regulating": 3}
_CONDENSER = "condenser_outlet_subcooling_k"


def leak_frame(
    services: pl.DataFrame, series: pl.DataFrame, settings: AssessmentSettings
) -> pl.DataFrame:
    """All that is known of the leaks of a fleet, in order of vehicle."""
    parts = [_of_services(services, settings), _of_subcooling(series)]
    return pl.concat(parts).sort(LEAKS.key)


def _of_services(services: pl.DataFrame, settings: AssessmentSettings) -> pl.DataFrame:
    rated = weighed_rates(services, settings)
    sentences = [weighed_sentence(row) for row in rated.iter_rows(named=True)]
    return LEAKS.conform(
        rated.drop("years", "full_g", "is_empty").with_columns(
            pl.lit("recovered_mass").alias("source_code"),
            pl.Series("sentence", sentences, pl.String),
        )
    )


def _of_subcooling(series: pl.DataFrame) -> pl.DataFrame:
    """One row per car whose subcooling falls; before that it tells no more than the prior."""
    worth = pl.col("regime").replace_strict(_REGIMES_BY_WORTH, default=9, return_dtype=pl.Int64)
    best = (
        series.filter((pl.col("model_code") == "hinge") & pl.col("has_begun"))
        .sort(
            "vehicle_id", pl.col("rate_g_per_year").is_null(), pl.col("feature") != _CONDENSER,
            worth, "regime",
        )
        .group_by("vehicle_id", maintain_order=True)
        .first()
        .select(
            "vehicle_id",
            "model_id",
            pl.lit("subcooling").alias("source_code"),
            pl.coalesce("full_at", "first_at").alias("since_at"),
            pl.col("latest_at").alias("until_at"),
            "rate_g_per_year",
            "rate_low_g_per_year",
            "rate_high_g_per_year",
        )
    )  # fmt: skip
    sentences = [subcooling_sentence(row) for row in best.iter_rows(named=True)]
    return LEAKS.conform(best.with_columns(pl.Series("sentence", sentences, pl.String)))
