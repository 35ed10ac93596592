"""Case mix: what was to be expected of each repair, whoever did it.

Regression of what came of repairs on the cars they were done on (never on the shop): shares
by logistic regression, rates over an exposure by log-linear Poisson regression. A slight pull
towards zero keeps rare kinds of car from being fitted by heart; the intercept is free of it,
so that over all repairs as many are expected as were seen. Takes frames and arrays, gives
arrays. Does not belong here: the comparison of shops (`compared_rates`).

Source: iteratively reweighted least squares with a ridge, McCullagh & Nelder, Generalized
Linear Models (1989), chapter 2; le Cessie & van Houwelingen, Applied Statistics 41 (1992) 191.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Sequence

Array = NDArray[np.float64]
Family = Literal["binomial", "poisson"]

# weight of the pull, as so many repairs with an average outcome at one standard deviation
_RIDGE = 1.0
# keeps the equations solvable and moves nothing
_NO_PULL = 1e-9
_MOST_STEPS = 60
_CONVERGED = 1e-10
_MOST_LOG_RATE = 30.0
# kinds of car with fewer repairs are taken together
LEAST_OF_A_KIND = 20


@dataclass(frozen=True)
class Mix:
    """What is allowed for: columns with numbers, and columns with kinds."""

    numbers: tuple[str, ...]
    kinds: tuple[str, ...]


def design(rows: pl.DataFrame, mix: Mix) -> Array:
    """The design matrix (n, p): ones, numbers in standard deviations, one column per kind.

    A number not known counts as the mean, and a column says that it was not known. The most
    frequent kind is the one that the others are compared with.
    """
    columns = [np.ones(rows.height)]
    for name in mix.numbers:
        columns += _number_columns(rows[name])
    for name in mix.kinds:
        columns += _kind_columns(rows[name])
    return np.column_stack(columns)


def _number_columns(values: pl.Series) -> list[Array]:
    known = values.is_not_null().to_numpy()
    numbers = values.cast(pl.Float64).fill_null(0.0).to_numpy()
    if not known.any():
        return []
    mean, spread = float(numbers[known].mean()), float(numbers[known].std())
    columns = [np.where(known, (numbers - mean) / spread, 0.0)] if spread > 1e-12 else []
    if not known.all():
        columns.append((~known).astype(np.float64) - float((~known).mean()))
    return columns


def _kind_columns(values: pl.Series) -> list[Array]:
    counted = values.fill_null("").value_counts(name="n").sort(["n", values.name], descending=True)
    frequent = counted.filter(pl.col("n") >= LEAST_OF_A_KIND)[values.name].to_list()
    filled = values.fill_null("").to_numpy()
    # rare kinds share a column of their own, where the frequent ones leave any
    columns = [(filled == kind).astype(np.float64) for kind in frequent[1:]]
    rare = ~np.isin(filled, frequent)
    if frequent and rare.any():
        columns.append(rare.astype(np.float64))
    return columns


def expected(
    x: Array, y: Array, family: Family, *, exposure: Array | None = None, n_free: int = 1
) -> Array:
    """Expected outcome of each row, (n,), by a regression of y on x.

    Parameters
    ----------
    x : (n, p), the first `n_free` columns without pull.
    y : (n,), 0 or 1, or counts.
    family : of the outcome.
    exposure : (n,), above zero; what a rate is per. Poisson only.
    """
    if y.size == 0:
        return np.empty(0)
    offset = np.zeros(y.size) if exposure is None else np.log(exposure)
    total = min(max(float(y.sum()), 0.5), float(y.size) - 0.5 if family == "binomial" else np.inf)
    if float(y.sum()) != total:
        # all or none: no regression can be fitted, nor is one needed
        weight = np.exp(offset)
        return np.asarray(float(y.sum()) * weight / weight.sum())
    pull = np.full(x.shape[1], _RIDGE)
    pull[:n_free] = _NO_PULL
    coefficients = fit_coefficients(x, y, family, offset=offset, pull=pull)
    return _mean(x @ coefficients + offset, family)


def fit_coefficients(x: Array, y: Array, family: Family, *, offset: Array, pull: Array) -> Array:
    """The coefficients (p,) of largest likelihood less half of pull times their squares."""
    coefficients = np.zeros(x.shape[1])
    coefficients[0] = _start(y, offset, family)
    for _ in range(_MOST_STEPS):
        mean = _mean(x @ coefficients + offset, family)
        weight = mean * (1.0 - mean) if family == "binomial" else mean
        slope = x.T @ (y - mean) - pull * coefficients
        bend = (x * weight[:, None]).T @ x + np.diag(pull)
        step = _bounded(np.asarray(np.linalg.solve(bend, slope), dtype=np.float64))
        coefficients = coefficients + step
        if np.abs(step).max() < _CONVERGED:
            break
    return coefficients


def _bounded(step: Array) -> Array:
    return step * min(1.0, 3.0 / max(float(np.abs(step).max()), 1e-300))


def _start(y: Array, offset: Array, family: Family) -> float:
    if family == "binomial":
        share = float(y.mean())
        return float(np.log(share / (1.0 - share)))
    return float(np.log(y.sum() / np.exp(offset).sum()))


def _mean(linear: Array, family: Family) -> Array:
    linear = np.clip(linear, -_MOST_LOG_RATE, _MOST_LOG_RATE)
    return np.asarray(1.0 / (1.0 + np.exp(-linear)) if family == "binomial" else np.exp(linear))


def person_intervals(
    followed: Array, came: Array, cuts: Sequence[float]
) -> tuple[Array, Array, NDArray[np.int64], NDArray[np.int64]]:
    """Follow-up cut into intervals, for a rate that changes with time.

    Parameters
    ----------
    followed : (n,) exposure until the event or the end; came : (n,) whether it ended in one.
    cuts : ascending ends of the intervals; what follows the last is left out.

    Returns
    -------
    exposure, events, row, interval : (k,) each, of the intervals with any exposure.
    """
    starts, ends = np.r_[0.0, cuts[:-1]], np.asarray(cuts, dtype=np.float64)
    inside = np.clip(followed[:, None] - starts, 0.0, ends - starts)
    ended_here = (followed[:, None] > starts) & (followed[:, None] <= ends)
    event = ended_here & came.astype(bool)[:, None]
    row, interval = np.nonzero(inside > 0.0)
    return inside[row, interval], event[row, interval].astype(np.float64), row, interval
