"""Two detectors that many would write first, to hold the judgement against.

Takes the features and contexts of a fleet, gives a score per test, higher being stranger:
distance from the mean in standard deviations, per feature, model and regime; and an isolation
forest over the same numbers. Neither looks at operating conditions, doubts a sensor or knows
that some of the cars are faulty. Does not belong here: the scorecard (`pipeline.score_rivals`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl
from sklearn.ensemble import IsolationForest

from models.findings import JUDGED
from models.residuals import rows_to_compare

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

# customary: three standard deviations; the forest told that a tenth of the rows is strange
CUSTOMARY_SPREADS = 3.0
FOREST_CONTAMINATION = 0.1
_LEAST_ROWS = 3
_NAMES = tuple(feature.name for feature in JUDGED)


def standardised(features: pl.DataFrame, context: pl.DataFrame) -> pl.DataFrame:
    """Rows of the judged features (test_id, regime) in standard deviations of model and regime.

    Null where a value is not known, or where there are fewer than three of its kind.
    """
    rows = rows_to_compare(features, context).select("test_id", "model_id", "regime", *_NAMES)
    kind = ("model_id", "regime")
    return rows.select(
        "test_id",
        "regime",
        *(
            pl.when(
                pl.col(name).count().over(kind) >= _LEAST_ROWS, pl.col(name).std().over(kind) > 0.0
            )
            .then((pl.col(name) - pl.col(name).mean().over(kind)) / pl.col(name).std().over(kind))
            .alias(name)
            for name in _NAMES
        ),
    )


def mean_spread_scores(rows: pl.DataFrame) -> pl.DataFrame:
    """Columns test_id, score: the largest distance of any feature; `rows` of `standardised`."""
    largest = pl.max_horizontal(pl.col(name).abs() for name in _NAMES).alias("score")
    return rows.group_by("test_id").agg(largest.max()).drop_nulls().sort("test_id")


def forest_scores(rows: pl.DataFrame, *, seed: int) -> pl.DataFrame:
    """Columns test_id, score: above 0 the forest calls it strange; `rows` of `standardised`.

    One forest per regime (scikit-learn's IsolationForest; Liu, Ting and Zhou, 2008). What is
    not known counts as the mean, since a forest takes no gaps; a test has the score of its
    strangest row.
    """
    parts = []
    for regime in rows["regime"].unique().sort():
        part = rows.filter(regime=regime)
        if part.height >= _LEAST_ROWS:
            values = part.select(pl.col(_NAMES).fill_null(0.0)).to_numpy()
            parts.append(part.select("test_id", pl.Series("score", _strangeness(values, seed))))
    if not parts:
        return pl.DataFrame(schema={"test_id": pl.String, "score": pl.Float64})
    return pl.concat(parts).group_by("test_id").agg(pl.col("score").max()).sort("test_id")


def _strangeness(values: NDArray[np.float64], seed: int) -> NDArray[np.float64]:
    forest = IsolationForest(contamination=FOREST_CONTAMINATION, random_state=seed).fit(values)
    found: NDArray[np.float64] = -forest.decision_function(values)
    return found
