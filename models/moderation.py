"""Spreads of small groups drawn towards what groups of their kind show.

Array functions: what the variances of many groups say of their kind (`learn_prior`), and
variances drawn to it.
A scale from a dozen cars can collapse to a tenth of the true one, and every next car then
looks far out; what it is worth is told by how much the groups differ beyond chance.
Does not belong here: where the variances come from (`baseline`), the tail (`tail`).

Source: Smyth, Stat. Appl. Genet. Mol. Biol. 3 (2004) article 3, sections 3 and 6: prior
degrees of freedom from the excess variance of the log variances, by trigamma; here with the
median and bounded squares, since some groups hold faulty cars.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import digamma, polygamma

if TYPE_CHECKING:
    from models.conditions import Array, Numbers

# Fewer groups say nothing of how groups differ.
LEAST_GROUPS = 5
# The prior never counts for more cars than this [default, tune on data].
MOST_PRIOR_FREEDOM = 60.0
# A log variance further out than this many standard errors is bounded: faults inflate it.
_BOUND = 3.0
_TINY = 1e-12
_GRID = np.geomspace(0.5, MOST_PRIOR_FREEDOM, 400)


@dataclass(frozen=True)
class Prior:
    """What groups of a kind show of a variance: its size, and the cars that it counts for."""

    freedom: float
    variance: float

    def draw(self, variances: Array, freedom: Array) -> tuple[Array, Array]:
        """Variances (n,) drawn to the prior, and their degrees of freedom with those of it."""
        together = self.freedom + freedom
        return (self.freedom * self.variance + freedom * variances) / together, together


def learn_prior(variances: Array, freedom: Array, groups: Numbers) -> Prior | None:
    """The prior of a kind; None where there are too few groups to tell.

    Parameters
    ----------
    variances, freedom : (n,), positive; rows of one group are estimates of one variance.
    groups : (n,) number of the group of each row.
    """
    _, number, counts = np.unique(groups, return_inverse=True, return_counts=True)
    if counts.size < LEAST_GROUPS:
        return None
    half = freedom / 2.0
    logs = np.log(np.maximum(variances, _TINY)) - digamma(half) + np.log(half)
    level = np.bincount(number, weights=logs) / counts
    noise = np.bincount(number, weights=polygamma(1, half)) / counts
    prior_freedom, prior_log = _prior(level, noise)
    shift = digamma(prior_freedom / 2) - np.log(prior_freedom / 2)
    return Prior(prior_freedom, float(np.exp(prior_log + shift)))


def _prior(level: Array, noise: Array) -> tuple[float, float]:
    """Degrees of freedom of the prior, and the middle of the log variances."""
    weights = 1.0 / noise
    order = np.argsort(level)
    cumulated = np.cumsum(weights[order])
    middle = float(level[order][np.searchsorted(cumulated, cumulated[-1] / 2)])
    squares = np.minimum((level - middle) ** 2, _BOUND**2 * noise + 1.0)
    excess = float((weights * (squares - noise)).sum() / weights.sum())
    # trigamma falls: a large excess means few degrees of freedom
    freedom = np.interp(-excess, -polygamma(1, _GRID / 2), _GRID)
    return float(freedom), middle
