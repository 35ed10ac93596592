"""Many questions at once: Simes within a test, Benjamini-Hochberg over the fleet.

Array functions on p-values. Does not belong here: where the p-values come from.

Sources: Simes, Biometrika 73 (1986) 751; Benjamini & Hochberg, J. R. Statist. Soc. B 57
(1995) 289; both valid for independent and positively dependent p-values, which the
features of one car mostly are.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Numbers = NDArray[np.int64]


def adjusted_within(p_values: Array, families: Numbers) -> Array:
    """Benjamini-Hochberg adjusted p-values (q-values) of each family, in the order given.

    A value at most q marks a rejection at false discovery rate q in its family. The
    smallest adjusted value of a family is its Simes p-value.

    Parameters
    ----------
    p_values, families : (n,); rows of equal family number form one family.
    """
    if p_values.size == 0:
        return np.empty(0)
    order = np.lexsort((p_values, families))
    family = families[order]
    starts = np.flatnonzero(np.r_[True, family[1:] != family[:-1]])
    sizes = np.diff(np.r_[starts, family.size])
    rank = np.arange(family.size) - np.repeat(starts, sizes) + 1
    raw = p_values[order] * np.repeat(sizes, sizes) / rank
    adjusted = np.empty(p_values.size)
    adjusted[order] = np.minimum(1.0, _running_minimum_from_the_end(raw, starts, sizes))
    return adjusted


def _running_minimum_from_the_end(raw: Array, starts: Numbers, sizes: Numbers) -> Array:
    """Within each family, the smallest value from a place to the family's end."""
    result = raw.copy()
    place_from_end = np.repeat(starts + sizes, sizes) - np.arange(raw.size)
    step = 1
    while step < int(sizes.max()):
        reaches = place_from_end > step
        shifted = np.where(reaches, np.r_[result[step:], np.full(step, np.inf)], np.inf)
        result = np.minimum(result, shifted)
        step *= 2
    return result
