"""The cumulative sum that forgets good times: its path, and how long it runs without a cause.

Array functions: `C_n = max(0, C_n-1 + x_n)`. The average run length of independent
increments of any law comes from a Markov chain over slices of the interval below the limit.
Does not belong here: what the increments mean, and which run length is wanted.

Sources: Page, Biometrika 41 (1954) 100; Brook & Evans, Biometrika 59 (1972) 539 for the
chain (both from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Callable

Array = NDArray[np.float64]

_SLICES = 120


def cusum_path(increments: Array) -> Array:
    """The cumulative sum after each increment, (n,)."""
    total = np.cumsum(increments)
    lowest = np.minimum(np.minimum.accumulate(total), 0.0)
    return np.asarray(total - lowest)


def average_run_length(
    increment_cdf: Callable[[Array], Array], limit: float, *, slices: int = _SLICES
) -> float:
    """Mean number of increments until the sum reaches the limit, from zero.

    Parameters
    ----------
    increment_cdf : distribution function of one increment, elementwise on arrays.
    limit : positive, in the unit of the increments.
    slices : of the interval from zero to the limit; the first is half as wide and holds zero.
    """
    width = 2.0 * limit / (2 * slices - 1)
    places = width * np.arange(slices)
    upper = increment_cdf(places[None, :] + 0.5 * width - places[:, None])
    moves = np.diff(upper, axis=1, prepend=0.0)
    lengths = np.linalg.solve(np.eye(slices) - moves, np.ones(slices))
    return float(lengths[0])
