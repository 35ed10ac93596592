"""Averages of groups compared: against what the case mix explains, with groups as random.

Takes rows of `REPAIR_OUTCOMES` with the group each belongs to, gives one row per group with
the columns that every comparison has. What strayed far before a repair strays less after it
whoever repairs, for it was chosen for straying far: the deviation after is therefore regressed
on the one before (analysis of covariance), and groups are compared at like deviations before.
Does not belong here: counts (`compared_rates`), words (`comparison_sentences`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import gammaincinv
from scipy.stats import norm, t

from models.case_mix import design
from models.compared_rates import TAIL_95, TAIL_998, no_window_shares
from models.random_intercepts import Fit, fit_random_intercepts, likely_intercepts
from models.read_severity import with_likely_severity

if TYPE_CHECKING:
    from models.measures import Measure

Array = NDArray[np.float64]

_SIGNIFICANT = 0.05
_TAIL_90 = 0.05
# a measured quantity further out than so many robust deviations is drawn in to that
_FAR = 5.0
_MAD_OF_NORMAL = 0.6744897501960817
# a law less skewed than this counts as even
_LEAST_SKEWNESS = 1e-3


@dataclass(frozen=True)
class _Chance:
    """What single repairs leave is skewed, and so are means of few of them.

    `third_moment` is that of one residual. The law of a mean is that of Pearson's type III with
    its skewness, at the width of Student's t.
    """

    freedom: int
    third_moment: float

    def limit(self, fit: Fit, error: Array, probability: float) -> Array:
        """What the mean of each group stays below by chance, (m,); `error` its deviation."""
        skewness = self.third_moment / fit.sizes**2 / np.maximum(error, 1e-300) ** 3
        shape = 4.0 / np.maximum(skewness**2, _LEAST_SKEWNESS**2)
        tail = np.where(skewness < 0.0, 1.0 - probability, probability)
        away = np.sign(skewness) * (gammaincinv(shape, tail) - shape) / np.sqrt(shape)
        even = float(norm.ppf(probability))
        away = np.where(np.abs(skewness) < _LEAST_SKEWNESS, even, away)
        return np.asarray(away * error * float(t.ppf(probability, self.freedom)) / even)


def compared_averages(rows: pl.DataFrame, measure: Measure) -> pl.DataFrame:
    """One row per group, in order of its name; none where there is too little to fit."""
    counted = rows.filter(
        measure.counted.fill_null(value=False) & pl.col("group").is_not_null()
    ).sort("group", "repair_id")
    if counted.is_empty():
        return pl.DataFrame()
    counted = with_likely_severity(counted)
    values = counted.select(measure.outcome).to_series().cast(pl.Float64).to_numpy()
    x = _of_full_rank(design(counted, measure.mix))
    groups = (
        counted.group_by("group")
        .agg(
            pl.len().cast(pl.Int32).alias("n_repairs"),
        )
        .sort("group")
    )
    if values.size <= x.shape[1] + 2 or groups.height < 2:
        return pl.DataFrame()
    place = counted["group"].rank("dense").to_numpy().astype(np.int64) - 1
    drawn = _drawn_in(values)
    fit = fit_random_intercepts(drawn, x, place)
    likely = likely_intercepts(drawn, x, place)
    of_group = np.bincount(place, values) / fit.sizes
    left = drawn - x @ fit.coefficients
    law = _Chance(values.size - x.shape[1], float(((left - left.mean()) ** 3).mean()))
    judged = groups.with_columns(_judged(fit, likely, of_group, law))
    return judged.join(no_window_shares(groups), on="group", how="left", maintain_order="left")


def _drawn_in(values: Array) -> Array:
    """The values with those far out drawn in: one odd reading must not make a bad shop."""
    middle = float(np.median(values))
    spread = float(np.median(np.abs(values - middle))) / _MAD_OF_NORMAL
    return np.clip(values, middle - _FAR * spread, middle + _FAR * spread) if spread else values


def _of_full_rank(x: Array) -> Array:
    """The columns that earlier ones do not make up."""
    kept: list[int] = []
    for column in range(x.shape[1]):
        tried = x[:, [*kept, column]]
        if np.linalg.matrix_rank(tried) == tried.shape[1]:
            kept.append(column)
    return x[:, kept]


def _judged(
    fit: Fit, likely: tuple[Array, Array], of_group: Array, law: _Chance
) -> list[pl.Series]:
    variance = fit.group_variance if fit.border_p < _SIGNIFICANT else 0.0
    error = np.sqrt(fit.residual_variance / fit.sizes + variance)
    mean, deviation = likely
    columns = {
        "observed": of_group,
        "expected": of_group - fit.mean_residuals,
        "value": fit.mean_residuals,
        **{
            f"{side}_{name}": law.limit(fit, error, probability)
            for name, tail in (("95", TAIL_95), ("998", TAIL_998))
            for side, probability in (("low", tail), ("high", 1.0 - tail))
        },
        "group_spread": np.full(of_group.size, variance**0.5),
        "shrunken": mean,
        "shrunken_low": mean - norm.isf(_TAIL_90) * deviation,
        "shrunken_high": mean + norm.isf(_TAIL_90) * deviation,
        "above_probability": norm.cdf(mean / np.maximum(deviation, 1e-300)),
    }
    return [pl.Series(name, values, pl.Float64) for name, values in columns.items()]
