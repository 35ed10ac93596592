"""Signed, lagged regression of many short series at once, judged on what it has not seen.

Array functions, no frames. Each regressor is a cause behind a chain of first-order lags, from
a short list (a grid instead of a search). Terms are taken one by one, the one that explains
most first, by a pivoted Cholesky factorisation of the normal equations, which are small and
worked on for all tests together. How much they explain is decided by blocked
cross-validation: short stretches are left out in turn and foretold from the rest (about the
mean of the whole), so that what merely fits noise foretells nothing.

explained share = 1 - squared error foretold / squared movement about the mean, which is the
predictive coefficient of determination (Q2) of the chemometric literature; with everything
seen it is R2.

Does not belong here: what the regressors are (`explained_causes`), sentences.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Booleans = NDArray[np.bool_]

MOST_TERMS = 4
# A term must take this share off what is foretold wrongly (tuning value).
_LEAST_GAIN = 0.01
# A regressor of which less than this share is new beside those taken is none (tuning value).
_LEAST_NEW = 1e-3
# The largest of m squared standard normal values is about 2 ln m; with a spread that is itself
# estimated from few independent values, more (tuning value, by counts on noise).
_CHANCE_FACTOR = 3.0
_LARGEST_LAG_ONE = 0.98
_LEAST_EFFECTIVE = 2.0


@dataclass(frozen=True)
class Series:
    """Sums of products of regressors and responses of many tests, about their means.

    Attributes
    ----------
    n_regressors
        Columns that are regressors; the responses come behind them.
    count
        Blocks that count, by test.
    parts
        Products over each part of the blocks that is left out in turn: part by test by column
        by column.
    steps, n_steps
        Products of the steps from block to block, and how many there are.
    """

    n_regressors: int
    count: Floats
    parts: Floats
    steps: Floats
    n_steps: Floats


def gather_series(columns: Floats, inside: Booleans, n_regressors: int, fold: Integers) -> Series:
    """The sums that the regression needs.

    Parameters
    ----------
    columns
        Test by column by block, finite: regressors, then responses. Taken about their means
        over the blocks inside, in place.
    inside
        Blocks that count, test by block.
    fold
        With which others each block is left out.
    """
    count = inside.sum(axis=1).astype(np.float64)
    weight = inside[:, None, :].astype(np.float64)
    mean = (columns @ weight.transpose(0, 2, 1)) / np.maximum(count, 1.0)[:, None, None]
    columns -= mean
    columns *= weight
    parts = [
        columns[:, :, fold == part] @ columns[:, :, fold == part].transpose(0, 2, 1)
        for part in range(int(fold.max()) + 1)
    ]
    is_pair = inside[:, 1:] & inside[:, :-1]
    steps = np.diff(columns, axis=2)
    steps *= is_pair[:, None, :]
    n_steps = is_pair.sum(axis=1).astype(np.float64)
    return Series(n_regressors, count, np.stack(parts), steps @ steps.transpose(0, 2, 1), n_steps)


@dataclass(frozen=True)
class Bounds:
    """What effects are believed, test by regressor: sign (0: either) and largest size."""

    signs: Integers
    most: Floats


@dataclass(frozen=True)
class Explained:
    """What the terms explain of one response, test by test.

    Attributes
    ----------
    share
        Of the squared movement, foretold for what was left out; 0 with no term.
    movement, unexplained
        Standard deviations about the mean, and about what was foretold, in its unit.
    n_effective
        Independent values in what the terms leave.
    picks, coefficients
        Regressors taken, -1 for none, and their coefficients with everything seen.
    """

    share: Floats
    movement: Floats
    unexplained: Floats
    n_effective: Floats
    picks: Integers
    coefficients: Floats


def explain_response(series: Series, bounds: Bounds, response: int) -> Explained:
    """The terms that explain a response, and how much they foretell of it.

    `response` is the place of the response behind the regressors.
    """
    column = series.n_regressors + response
    everything = series.parts.sum(axis=0)
    movement = np.maximum(everything[:, column, column], 0.0)
    path = _path(everything, bounds, column)
    errors = np.zeros(path.coefficients.shape[:2])
    for unseen in series.parts:
        rest = _path(everything - unseen, bounds, column)
        errors += _squares(rest, unseen, column)
    count = _effective_counts(series, everything, path, column)
    n_candidates = (np.einsum("tpp->tp", everything)[:, : series.n_regressors] > 0.0).sum(axis=1)
    n_terms = _kept(errors, count, n_candidates)
    place = np.arange(n_terms.size)
    share = 1.0 - errors[place, n_terms] / np.where(movement > 0, movement, 1.0)
    share = np.where(n_terms > 0, np.clip(share, 0.0, 1.0), 0.0)
    variance = movement / np.maximum(series.count, 1.0)
    kept = path.coefficients[place, n_terms]
    return Explained(
        share,
        np.sqrt(variance),
        np.sqrt((1.0 - share) * variance),
        count[place, n_terms],
        np.where(kept != 0.0, path.picks, -1),
        kept,
    )


@dataclass(frozen=True)
class _Path:
    """Regressors in the order taken (-1: none); coefficients by number of terms from 0 on."""

    picks: Integers
    coefficients: Floats


def _squares(path: _Path, products: Floats, column: int) -> Floats:
    """Squared deviation of a response from the terms, test by number of terms from 0 on."""
    picks = np.maximum(path.picks, 0)
    place = np.arange(picks.shape[0])[:, None]
    inner = products[place[:, :, None], picks[:, :, None], picks[:, None, :]]
    along = path.coefficients @ products[place, picks, column][:, :, None]
    square = (path.coefficients @ inner * path.coefficients).sum(axis=2)
    return np.asarray(products[:, column, column][:, None] - 2.0 * along[:, :, 0] + square)


def _effective_counts(series: Series, everything: Floats, path: _Path, column: int) -> Floats:
    """Independent values in the rest, test by number of terms: n (1 - r) / (1 + r), at least 2.

    The lag-one autocorrelation r comes from the mean squared step (von Neumann's ratio),
    taken between 0 and 0.98.
    """
    count = np.maximum(series.count, 1.0)[:, None]
    variance = np.maximum(_squares(path, everything, column), 0.0) / count
    step = _squares(path, series.steps, column) / np.maximum(series.n_steps, 1.0)[:, None]
    ratio = step / np.where(variance > 0.0, 2.0 * variance, 1.0)
    lag_one = np.clip(1.0 - ratio, 0.0, _LARGEST_LAG_ONE)
    return np.asarray(np.maximum(count * (1.0 - lag_one) / (1.0 + lag_one), _LEAST_EFFECTIVE))


def _kept(errors: Floats, n_effective: Floats, n_candidates: Integers) -> Integers:
    """Number of terms that take more off the error than the best of so many noises would."""
    limit = _CHANCE_FACTOR * np.log(np.maximum(n_candidates, 2))
    kept = np.zeros(errors.shape[0], dtype=np.int64)
    place = np.arange(kept.size)
    for term in range(1, errors.shape[1]):
        before, after = errors[place, kept], np.maximum(errors[:, term], 0.0)
        gain = before - after
        test = gain * n_effective[:, term] / np.where(after > 0.0, after, 1.0) / (term - kept)
        is_real = (gain > _LEAST_GAIN * errors[:, 0]) & ((test > limit) | (after <= 0.0))
        kept = np.where(is_real, term, kept)
    return kept


def _path(products: Floats, bounds: Bounds, column: int) -> _Path:
    """Forward selection by pivoted Cholesky factorisation.

    A regressor whose effect would be out of its bounds is passed over; where a new one drives
    one taken before out of them, the terms before it stand.
    """
    n_tests, n = bounds.signs.shape
    size = np.einsum("tpp->tp", products)[:, :n]
    left, along = size.copy(), products[:, :n, column].copy()
    rows = np.zeros((n_tests, MOST_TERMS, n))
    heights = np.zeros((n_tests, MOST_TERMS))
    picks = np.full((n_tests, MOST_TERMS), -1)
    coefficients = np.zeros((n_tests, MOST_TERMS + 1, MOST_TERMS))
    place = np.arange(n_tests)
    for term in range(MOST_TERMS):
        is_fit = (left > _LEAST_NEW * size) & (along * bounds.signs >= 0.0) & (size > 0.0)
        is_fit &= np.abs(along) <= bounds.most * left
        gain = np.where(is_fit, along**2 / np.where(left > 0.0, left, 1.0), 0.0)
        best = np.argmax(gain, axis=1)
        is_found = gain[place, best] > 0.0
        root = np.sqrt(np.where(is_found, left[place, best], 1.0))
        taken = rows[place, :term, best][:, None, :] @ rows[:, :term]
        new = products[place, best, :n] - taken[:, 0]
        rows[:, term] = np.where(is_found[:, None], new / root[:, None], 0.0)
        heights[:, term] = np.where(is_found, along[place, best] / root, 0.0)
        picks[:, term] = np.where(is_found, best, -1)
        along -= rows[:, term] * heights[:, term, None]
        left -= rows[:, term] ** 2
        found = _back_substituted(rows, heights, picks, term + 1)
        is_believed = _are_within(found, picks, bounds) & is_found
        coefficients[:, term + 1] = np.where(is_believed[:, None], found, coefficients[:, term])
    return _Path(picks, coefficients)


def _are_within(coefficients: Floats, picks: Integers, bounds: Bounds) -> Booleans:
    """True means: every term's effect has its sign, and none is larger than believable."""
    place, taken = np.arange(picks.shape[0])[:, None], np.maximum(picks, 0)
    is_signed = coefficients * bounds.signs[place, taken] >= 0.0
    return np.asarray(
        np.all(is_signed & (np.abs(coefficients) <= bounds.most[place, taken]), axis=1)
    )


def _back_substituted(rows: Floats, heights: Floats, picks: Integers, n_terms: int) -> Floats:
    """Coefficients of the first terms, from the triangle of their factorisation."""
    found = np.zeros((rows.shape[0], MOST_TERMS))
    place = np.arange(rows.shape[0])
    for term in reversed(range(n_terms)):
        columns = rows[place[:, None], term, np.maximum(picks, 0)]
        rest = heights[:, term] - (columns * found).sum(axis=1)
        pivot = columns[:, term]
        is_used = (picks[:, term] >= 0) & (pivot > 0.0)
        found[:, term] = np.where(is_used, rest / np.where(is_used, pivot, 1.0), 0.0)
    return found
