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
# Gains that differ by less than this share are equal.
_TIE = 1e-9
_LARGEST_LAG_ONE = 0.98
_LEAST_EFFECTIVE = 2.0


@dataclass(frozen=True)
class Series:
    """Regressors and responses of many tests about their means, and sums of their products.

    Attributes
    ----------
    n_regressors
        Columns that are regressors; the responses come behind them.
    columns, inside
        Test by column by block, 0 where a block does not count; and which do.
    parts
        Products over each part of the blocks that is left out in turn: part by test by column
        by column. The first is nothing left out.
    """

    n_regressors: int
    columns: Floats
    inside: Booleans
    parts: Floats

    @property
    def count(self) -> Floats:
        """Blocks that count, by test."""
        return np.asarray(self.inside.sum(axis=1), dtype=np.float64)


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
    looked_at = np.flatnonzero(inside.any(axis=0))
    parts = np.zeros((int(fold.max()) + 2, *columns.shape[:2], columns.shape[1]))
    for part, products in enumerate(parts[1:]):
        chosen = np.take(columns, looked_at[fold[looked_at] == part], axis=2)
        np.matmul(chosen, chosen.transpose(0, 2, 1), out=products)
    return Series(n_regressors, columns, inside, parts)


@dataclass(frozen=True)
class Bounds:
    """What effects are believed, response by test by regressor: sign (0: either), largest size."""

    signs: Floats
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


def explain_responses(series: Series, bounds: Bounds) -> list[Explained]:
    """The terms that explain each response, and how much they foretell of it.

    The responses are worked on at once, and so are the parts that are left out of each: a
    path of terms is found for every part, response and test.
    """
    path = _paths(series, bounds)
    n_responses, n_tests = bounds.signs.shape[:2]
    errors = _foretold_wrongly(series, path).reshape(n_responses * n_tests, -1)
    whole = _Path(path.picks[0], path.coefficients[0])
    count = _effective_counts(series, whole)
    regressors = series.columns[:, : series.n_regressors]
    n_candidates = np.tile((regressors != 0.0).any(axis=2).sum(axis=1), n_responses)
    place = np.arange(n_responses * n_tests)
    n_terms = _kept(errors, count.reshape(place.size, -1), n_candidates)
    movement = np.maximum(errors[:, 0], 0.0)
    share = 1.0 - errors[place, n_terms] / np.where(movement > 0, movement, 1.0)
    share = np.where(n_terms > 0, np.clip(share, 0.0, 1.0), 0.0)
    variance = movement / np.maximum(np.tile(series.count, n_responses), 1.0)
    kept = whole.coefficients.reshape(place.size, -1, MOST_TERMS)[place, n_terms]
    columns = (
        share,
        np.sqrt(variance),
        np.sqrt((1.0 - share) * variance),
        count.reshape(place.size, -1)[place, n_terms],
        np.where(kept != 0.0, whole.picks.reshape(-1, MOST_TERMS), -1),
        kept,
    )
    of_responses = [np.split(column, n_responses) for column in columns]
    return [Explained(*each) for each in zip(*of_responses, strict=True)]


@dataclass(frozen=True)
class _Path:
    """Regressors in the order taken (-1: none); coefficients by number of terms from 0 on.

    Both by part left out (or not), response and test.
    """

    picks: Integers
    coefficients: Floats


def _foretold_wrongly(series: Series, path: _Path) -> Floats:
    """Squares that the terms leave in what they had not seen, by response, test, terms."""
    unseen, picks = series.parts[1:], np.maximum(path.picks[1:], 0)
    part, response, test = np.ogrid[: picks.shape[0], : picks.shape[1], : picks.shape[2]]
    column = series.n_regressors + response
    parts, tests = part[..., None], test[..., None]
    along = unseen[parts, tests, picks, column[..., None]]
    inner = unseen[parts[..., None], tests[..., None], picks[..., None], picks[..., None, :]]
    square = unseen[part, test, column, column]
    return np.asarray(_squares(path.coefficients[1:], inner, along, square).sum(axis=0))


def _squares(coefficients: Floats, inner: Floats, along: Floats, square: Floats) -> Floats:
    """Squared deviation of a response from its terms, by number of terms from 0 on.

    From products of the terms, of them with the response, and of the response.
    """
    foretold = (coefficients @ inner * coefficients).sum(axis=-1)
    together = (coefficients @ along[..., None])[..., 0]
    return np.asarray(square[..., None] - 2.0 * together + foretold)


def _effective_counts(series: Series, path: _Path) -> Floats:
    """Independent values in the rest, by response, test and terms: n (1 - r) / (1 + r), at least 2.

    The lag-one autocorrelation r comes from the mean squared step (von Neumann's ratio),
    taken between 0 and 0.98.
    """
    is_pair = series.inside[:, 1:] & series.inside[:, :-1]
    count = np.maximum(series.count, 1.0)[:, None]
    n_steps = np.maximum(is_pair.sum(axis=1), 1.0)[:, None]
    tests = np.arange(count.size)[:, None]
    found = []
    for response, (picks, coefficients) in enumerate(
        zip(path.picks, path.coefficients, strict=True)
    ):
        column = np.full((count.size, 1), series.n_regressors + response)
        taken = series.columns[tests, np.concatenate([np.maximum(picks, 0), column], axis=1)]
        steps = np.diff(taken, axis=2) * is_pair[:, None, :]
        variance = np.maximum(_own_squares(coefficients, taken), 0.0) / count
        ratio = _own_squares(coefficients, steps) / n_steps
        ratio /= np.where(variance > 0.0, 2.0 * variance, 1.0)
        lag_one = np.clip(1.0 - ratio, 0.0, _LARGEST_LAG_ONE)
        found.append(np.maximum(count * (1.0 - lag_one) / (1.0 + lag_one), _LEAST_EFFECTIVE))
    return np.stack(found)


def _own_squares(coefficients: Floats, taken: Floats) -> Floats:
    """Squares that terms leave of the last of some series, of which the others are the terms."""
    products = taken @ taken.transpose(0, 2, 1)
    return _squares(coefficients, products[:, :-1, :-1], products[:, :-1, -1], products[:, -1, -1])


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


def _paths(series: Series, bounds: Bounds) -> _Path:
    """Forward selection by pivoted Cholesky factorisation.

    A regressor whose effect would be out of its bounds is passed over; where a new one drives
    one taken before out of them, the terms before it stand.
    """
    n, n_parts = series.n_regressors, series.parts.shape[0]
    everything = series.parts.sum(axis=0)
    shape = (n_parts, *bounds.signs.shape)
    part, _, test = (index.ravel() for index in np.indices(shape[:3]))
    believed = _Believed(*(_repeated(each, shape) for each in (bounds.signs, bounds.most)))
    seen = everything[:, :n, n:] - series.parts[:, :, :n, n:]
    along = np.ascontiguousarray(seen.transpose(0, 3, 1, 2)).reshape(-1, n)
    own = np.einsum("tpp->tp", everything) - np.einsum("ftpp->ftp", series.parts)
    size = _repeated(own[:, None, :, :n], shape)
    left = size.copy()
    place = np.arange(part.size)
    rows = np.zeros((place.size, MOST_TERMS, n))
    heights = np.zeros((place.size, MOST_TERMS))
    picks = np.full((place.size, MOST_TERMS), -1)
    coefficients = np.zeros((place.size, MOST_TERMS + 1, MOST_TERMS))
    for term in range(MOST_TERMS):
        best, is_found = _best(left, along, size, believed)
        root = np.sqrt(np.where(is_found, left[place, best], 1.0))
        taken = rows[place, :term, best][:, None, :] @ rows[:, :term]
        new = everything[test, best, :n] - series.parts[part, test, best, :n] - taken[:, 0]
        rows[:, term] = np.where(is_found[:, None], new / root[:, None], 0.0)
        heights[:, term] = np.where(is_found, along[place, best] / root, 0.0)
        picks[:, term] = np.where(is_found, best, -1)
        along -= rows[:, term] * heights[:, term, None]
        left -= rows[:, term] ** 2
        found = _back_substituted(rows, heights, picks, term + 1)
        is_believed = believed.are_within(found, picks) & is_found
        coefficients[:, term + 1] = np.where(is_believed[:, None], found, coefficients[:, term])
    return _Path(
        picks.reshape(*shape[:3], MOST_TERMS),
        coefficients.reshape(*shape[:3], MOST_TERMS + 1, MOST_TERMS),
    )


def _repeated(values: Floats, shape: tuple[int, ...]) -> Floats:
    """Values for every part, response and test, one row each."""
    return np.broadcast_to(values, shape).reshape(-1, shape[-1])


@dataclass(frozen=True)
class _Believed:
    """Bounds row by row."""

    signs: Floats
    most: Floats

    def are_within(self, coefficients: Floats, picks: Integers) -> Booleans:
        """True means: every term's effect has its sign, and none is larger than believable."""
        place, taken = np.arange(picks.shape[0])[:, None], np.maximum(picks, 0)
        is_signed = coefficients * self.signs[place, taken] >= 0.0
        is_small = np.abs(coefficients) <= self.most[place, taken]
        return np.asarray(np.all(is_signed & is_small, axis=1))


def _best(
    left: Floats, along: Floats, size: Floats, believed: _Believed
) -> tuple[Integers, Booleans]:
    """The regressor of each row that explains most, and whether there is one."""
    is_fit = (left > _LEAST_NEW * size) & (along * believed.signs >= 0.0) & (size > 0.0)
    is_fit &= np.abs(along) <= believed.most * left
    gain = np.where(is_fit, along**2 / np.where(left > 0.0, left, 1.0), 0.0)
    largest = gain.max(axis=1)
    # of causes that come and go together the first counts, whatever rounding says
    best = np.argmax(gain >= (1.0 - _TIE) * largest[:, None], axis=1)
    return best, largest > 0.0


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
