"""How much likelier a row is with something wrong than without: adverse directions weighed.

Takes what a fleet's rows deviate by, in spreads, with their degrees of freedom, gives per row
the likelihood with a shift along one of the adverse directions over that without, and the
same of its mirror image: healthy rows and mirror images are alike. Does not belong here: the
directions themselves (`directions`), p-values (`adverse_calibration`).

Deviations are Student's t whose normal scores go together as the fleet's do (a Gaussian
copula). Sources: Neyman & Pearson (1933) for the ratio; Wallace, Ann. Math. Statist. 30 (1959)
1124 for the normal score of Student's t (from memory; within 0.02 for 4 degrees of freedom
and more [computed]).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from models.conditions import Array, Mask, Numbers

# Sizes of a shift that are weighed, in spreads of the quantity that it moves most.
_SIZES = (2.0, 3.5, 5.0, 7.0)
# No fault moves everything just as its signs say, and correlations are never quite known: so
# much variance of every quantity by itself is added to that of healthy cars, and all scaled
# back [default, tune on data].
_OWN_WAY = 0.5
_ROWS_AT_ONCE = 500


@dataclass(frozen=True)
class Adverse:
    """Log likelihood `ratio` (n,) of each row and the number of its likeliest direction.

    `mirrored` and `mirrored_direction` say the same of its mirror image. Ratios are NaN where
    no direction can be told.
    """

    ratio: Array
    direction: Numbers
    mirrored: Array
    mirrored_direction: Numbers


def adverse_scores(
    z: Array, freedom: Array, weights: Array, allowed: Mask, correlation: Array
) -> Adverse:
    """The rows weighed along the directions.

    Parameters
    ----------
    z, freedom : (n, features)
        Deviations in spreads (NaN where not judged) and their degrees of freedom.
    weights : (directions, features)
    allowed : (n, directions)
        Directions that hold for a row and of which enough is known.
    correlation : (features, features)
    """
    n, n_directions = allowed.shape
    ratios = np.full((2, n, n_directions), -np.inf)
    known: Mask = np.isfinite(z)
    usable: Mask = np.asarray(allowed.any(axis=1))
    for rows in _alike(known, usable):
        columns = np.flatnonzero(known[rows[0]])
        apart = correlation[np.ix_(columns, columns)] + _OWN_WAY * np.eye(columns.size)
        inverse = np.linalg.inv(apart / (1.0 + _OWN_WAY))
        for part in np.array_split(rows, -(-rows.size // _ROWS_AT_ONCE)):
            place = np.ix_(part, columns)
            law = _Law(freedom[place], np.asarray(inverse, dtype=np.float64))
            for number, side in enumerate((1.0, -1.0)):
                ratios[number, part] = _ratios(side * z[place], law, weights[:, columns])
    found = [_best(np.where(allowed, side, -np.inf), allowed) for side in ratios]
    return Adverse(*found[0], *found[1])


class _Law:
    """The law of healthy rows: Student's t each, their normal scores correlated."""

    def __init__(self, freedom: Array, inverse: Array) -> None:
        self.freedom, self.inverse = freedom, inverse
        self.bend = freedom * ((8.0 * freedom + 1.0) / (8.0 * freedom + 3.0)) ** 2
        self.fall = (freedom + 1.0) / 2.0 - self.bend / 2.0

    def log_density(self, z: Array) -> Array:
        """Over the last axis, but for a constant that a shift does not change."""
        far = np.log1p(z**2 / self.freedom)
        scores = np.sign(z) * np.sqrt(self.bend * far)
        together = ((scores @ self.inverse) * scores).sum(axis=-1)
        return np.asarray(-0.5 * together - (self.fall * far).sum(axis=-1))


def _ratios(z: Array, law: _Law, weights: Array) -> Array:
    """(n, directions): log likelihood ratio, the mean over the sizes of a shift."""
    shifts = np.array(_SIZES)[:, None, None, None] * weights[:, None, :]
    with_it = law.log_density(z - shifts) - law.log_density(z)
    return np.asarray(np.logaddexp.reduce(with_it, axis=0).T - np.log(len(_SIZES)))


def _best(ratios: Array, allowed: Mask) -> tuple[Array, Numbers]:
    """Log of the mean ratio over the directions that hold, and the likeliest of them."""
    count = np.maximum(allowed.sum(axis=1), 1)
    together = np.logaddexp.reduce(ratios, axis=1) - np.log(count)
    return np.where(np.isfinite(together), together, np.nan), np.argmax(ratios, axis=1)


def _alike(known: Mask, usable: Mask) -> list[Numbers]:
    """The usable rows in groups in which the same quantities are known."""
    rows = np.flatnonzero(usable)
    if rows.size == 0:
        return []
    codes = known[rows] @ (1 << np.arange(known.shape[1]))
    order = np.argsort(codes, kind="stable")
    ends = np.flatnonzero(np.diff(codes[order])) + 1
    return list(np.split(rows[order], ends))
