"""Signatures: in which directions a car strays from its model, and which cars stray alike.

Array functions. The votes of a car (`batch_votes`), one per quantity, are freed of what the
quantities of healthy cars have in common, so that likeness means more than the usual swing;
the outermost cars are then grouped by direction, whatever the size. Does not belong here:
what a group shares (`signature_clusters`), causes (`causes`).

Sources: average linkage after Sokal & Michener, Univ. Kansas Sci. Bull. 38 (1958) 1409 (from
memory), as scipy computes it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.stats import rankdata

from models.robust import MAD_TO_SIGMA

Array = NDArray[np.float64]
Numbers = NDArray[np.int64]
Mask = NDArray[np.bool_]

# Share of the cars, by distance from the middle of their model, that is looked at for groups;
# and the mean cosine down to which directions count as alike [defaults, to be tuned on data].
_OUTERMOST = 0.2
_LEAST_COSINE = 0.5
_SHRINKAGE = 0.3
_TINY = 1e-9


def signatures(votes: Array) -> Array:
    """Directions and sizes of straying, (n, p), from votes (n, p) with NaN where not known.

    Median and median absolute deviation per quantity, then rank correlations drawn by three
    tenths towards none; what is not known counts as in the middle.
    """
    middle = np.nanmedian(votes, axis=0)
    spread = np.nanmedian(np.abs(votes - middle), axis=0) * MAD_TO_SIGMA
    # a quantity that most cars have alike tells nothing of direction
    scaled = np.where(spread > _TINY, (votes - middle) / np.maximum(spread, _TINY), 0.0)
    scaled = np.nan_to_num(scaled)
    ranks = np.apply_along_axis(rankdata, 0, scaled)
    ranks -= ranks.mean(axis=0)
    unit = ranks / np.maximum(np.linalg.norm(ranks, axis=0), _TINY)
    # sin(pi r / 6) * 2 turns rank correlations of normal values into ordinary ones (Pearson 1907)
    correlation = 2.0 * np.sin(np.pi / 6.0 * (unit.T @ unit))
    drawn = (1.0 - _SHRINKAGE) * correlation + _SHRINKAGE * np.eye(votes.shape[1])
    np.fill_diagonal(drawn, 1.0)
    values, vectors = np.linalg.eigh(drawn)
    root = vectors / np.sqrt(np.maximum(values, 0.05)) @ vectors.T
    return np.asarray(scaled @ root)


def alike_groups(directions: Array, may_belong: Mask, least: int) -> list[Numbers]:
    """Groups of at least so many cars, among the outermost, that stray the same way."""
    size = np.linalg.norm(directions, axis=1)
    is_outer = (size >= np.quantile(size, 1.0 - _OUTERMOST)) & may_belong & (size > _TINY)
    outer = np.flatnonzero(is_outer)
    if len(outer) < least:
        return []
    unit = directions[outer] / size[outer, None]
    distance = np.clip(1.0 - (unit @ unit.T)[np.triu_indices(len(outer), 1)], 0.0, 2.0)
    labels = fcluster(linkage(distance, "average"), 1.0 - _LEAST_COSINE, "distance")
    groups = [outer[labels == label] for label in range(1, int(labels.max()) + 1)]
    return [group for group in groups if len(group) >= least]


def alikeness(directions: Array, group: Numbers) -> Array:
    """Cosine of each member's direction with the mean direction of the group."""
    unit = directions[group] / np.linalg.norm(directions[group], axis=1, keepdims=True)
    mean = unit.mean(axis=0)
    return np.asarray(unit @ mean / max(float(np.linalg.norm(mean)), _TINY))
