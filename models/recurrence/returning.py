"""Vehicles that come back for one component more often than cars of their model do.

Takes the ledger of models and a component's counts, gives rows of `RETURNING_VEHICLES`. A
car's own rate is drawn towards its model's by how much cars differ, and its chance allows for
that: only a car beyond what differing cars bring stands out. Does not belong here: what was
wrong with the repair (repair quality).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl
from scipy.stats import nbinom, poisson

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.recurrence.ledger import ComponentLedger, Ledger
    from models.recurrence.mean_cumulative import MeanCumulative

# One repair is none too many.
_LEAST_REPAIRS = 2
# cars that differ by less are alike
_LEAST_VARIANCE = 1e-9


def counts_of_cars(
    ledger: Ledger, counted: ComponentLedger, means: MeanCumulative, variance: float
) -> pl.DataFrame:
    """Cars with at least two repairs: car, n_repairs, expected_repairs, factor, p_value.

    `variance` is that of the factor by which cars differ; 0 draws all of them to 1.
    """
    repairs = counted.repairs
    begins = np.flatnonzero(np.r_[True, repairs.car[1:] != repairs.car[:-1]][: repairs.car.size])
    count = np.diff(np.r_[begins, repairs.car.size])
    begins, count = begins[count >= _LEAST_REPAIRS], count[count >= _LEAST_REPAIRS]
    cohort, enter = repairs.cohort[begins], repairs.enter_bin[begins]
    before = np.where(enter > 0, means.mean[cohort, np.maximum(enter - 1, 0)], 0.0)
    expected = means.mean[cohort, repairs.leave_bin[begins]] - before
    frame = {
        "car": repairs.car[begins].astype(np.uint32),
        "n_repairs": count,
        "expected_repairs": expected,
        "factor": (1.0 + variance * count) / (1.0 + variance * expected),
        "p_value": chance_of_so_many(count, expected, variance),
        "model": ledger.cohorts["model"].gather(cohort),
    }
    return pl.DataFrame(frame)


def chance_of_so_many(
    count: NDArray[np.int64], expected: NDArray[np.float64], variance: float
) -> NDArray[np.float64]:
    """Chance of so many repairs or more; cars differ by a gamma law of mean 1."""
    if variance <= _LEAST_VARIANCE:
        return np.asarray(poisson.sf(count - 1, expected))
    return np.asarray(nbinom.sf(count - 1, 1.0 / variance, 1.0 / (1.0 + variance * expected)))


def returning_rows(
    found: pl.DataFrame, events: pl.DataFrame, n_cars: int, false_discovery_rate: float
) -> pl.DataFrame:
    """Of all counts (with `component`), the cars that stand out, with their dates and cost.

    The q-values are among all cars and components, since each could have stood out.
    """
    ranked = found.sort("p_value").with_row_index("rank", offset=1)
    raw = pl.col("p_value") * n_cars / pl.col("rank")
    q_value = raw.cum_min(reverse=True).clip(upper_bound=1.0)
    kept = ranked.with_columns(q_value=q_value).filter(pl.col("q_value") <= false_discovery_rate)
    dates = (
        events.join(kept.select("car", "component"), on=["car", "component"], how="semi")
        .group_by("car", "component")
        .agg(
            pl.col("vehicle_id").first(),
            pl.col("day").min().cast(pl.Date).alias("first_on"),
            pl.col("day").max().cast(pl.Date).alias("latest_on"),
            pl.when(pl.col("cost").is_not_null().any()).then(pl.col("cost").sum()).alias("cost"),
        )
    )
    return kept.join(dates, on=["car", "component"]).drop("rank", "car")
