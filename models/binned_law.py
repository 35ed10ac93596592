"""Laws of many unknowns at once, kept as shares of weight in bins common to all.

Array functions: from weighted atoms to a distribution per row, and its quantiles and tails.
Weight beyond the last bin counts as infinite. Does not belong here: what the atoms are
(`hinge`, `leaks`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Numbers = NDArray[np.int64]


@dataclass(frozen=True)
class LogBins:
    """Bins of equal width on the logarithm of `offset` plus the value."""

    lowest: float
    highest: float
    count: int
    offset: float = 0.0

    @property
    def ends(self) -> Array:
        """Borders of the bins, (count + 1,)."""
        scaled = np.geomspace(self.lowest + self.offset, self.highest + self.offset, self.count + 1)
        return np.asarray(scaled - self.offset)

    def places(self, values: Array) -> Numbers:
        """Number of the bin of each value; the first for lower ones, `count` for higher."""
        lowest, highest = np.log(self.lowest + self.offset), np.log(self.highest + self.offset)
        scaled = np.log(np.maximum(values + self.offset, self.lowest + self.offset)) - lowest
        place = np.minimum(scaled * (self.count / (highest - lowest)), self.count)
        return np.asarray(place.astype(np.int64))


@dataclass(frozen=True)
class BinnedLaw:
    """Distributions of m unknowns: `cumulated` (m, bins) shares at or below each bin's end.

    `ends` (bins + 1,) are the borders of the bins; what the last share lacks to one lies
    beyond them.
    """

    ends: Array
    cumulated: Array

    def quantile(self, share: float) -> Array:
        """Value that so large a share of the law does not exceed, (m,); may be infinite."""
        reached = self.cumulated >= share
        place = np.argmax(reached, axis=1)
        rows = np.arange(len(place))
        above = self.cumulated[rows, place]
        below = np.where(place > 0, self.cumulated[rows, np.maximum(place - 1, 0)], 0.0)
        part = (share - below) / np.maximum(above - below, 1e-300)
        value = self.ends[place] + np.clip(part, 0.0, 1.0) * (
            self.ends[place + 1] - self.ends[place]
        )
        return np.where(reached.any(axis=1), value, np.inf)

    def share_above(self, limits: Array) -> Array:
        """Share of each law above its limit, (m,)."""
        place = np.searchsorted(self.ends, limits, side="right") - 1
        inside = np.clip(place, 0, self.cumulated.shape[1] - 1)
        rows = np.arange(len(inside))
        below = np.where(inside > 0, self.cumulated[rows, np.maximum(inside - 1, 0)], 0.0)
        width = self.ends[inside + 1] - self.ends[inside]
        part = np.clip((limits - self.ends[inside]) / width, 0.0, 1.0)
        return np.asarray(1.0 - below - part * (self.cumulated[rows, inside] - below))


def bin_atoms(bins: LogBins, values: Array, weights: Array, rows: Numbers, count: int) -> BinnedLaw:
    """The laws of `count` rows from their atoms.

    Parameters
    ----------
    bins : LogBins
    values, weights, rows : (a,)
        Each atom's value, weight and row; values below the first bin count in it.
    """
    shares = np.bincount(
        rows * (bins.count + 1) + bins.places(values),
        weights=weights,
        minlength=count * (bins.count + 1),
    ).reshape(count, bins.count + 1)
    cumulated = np.cumsum(shares, axis=1)
    total = np.maximum(cumulated[:, -1:], 1e-300)
    return BinnedLaw(bins.ends, (cumulated / total)[:, :-1])
