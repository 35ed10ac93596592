"""Courses behind first-order lags: how a cause reaches the duct or a pressure.

Array functions. Does not belong here: which causes there are (`explained_causes`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Chains of first-order lags by their time constants, s: the duct follows the evaporator, which
# follows the pressures, which follow the fan (tuning values, a factor of about 2.5 apart).
CHAINS_S: tuple[tuple[float, ...], ...] = (
    (4.0,), (12.0,), (30.0,), (80.0,), (200.0,),
    (12.0, 30.0), (30.0, 30.0), (12.0, 80.0), (30.0, 80.0),
)  # fmt: skip
# Mean lag of each chain: its time constants together.
MEAN_LAG_S = np.array([sum(chain) for chain in CHAINS_S])


def behind_lags(courses: Floats, block_s: float) -> Floats:
    """Every course behind every chain: test by (course, chain) by block.

    Parameters
    ----------
    courses
        Test by course by block.
    """
    first = np.ascontiguousarray(courses.transpose(2, 0, 1))
    behind: dict[tuple[float, ...], Floats] = {(): first}
    for chain in sorted(CHAINS_S, key=len):
        behind[chain] = lag_first_order(behind[chain[:-1]], block_s, chain[-1])
    stacked = np.stack([behind[chain] for chain in CHAINS_S], axis=3)
    n_blocks, n_tests = stacked.shape[:2]
    return np.ascontiguousarray(stacked.reshape(n_blocks, n_tests, -1).transpose(1, 2, 0))


def lag_first_order(courses: Floats, block_s: float, time_constant_s: float) -> Floats:
    """Block means of courses behind a first-order lag, along the first axis; at rest before.

    Exact for a course that is constant within each block: T dy/dt = x - y.
    """
    ratio = block_s / time_constant_s
    keep = np.exp(-ratio)
    within = (1.0 - keep) / ratio
    out = np.empty_like(courses)
    state = courses[0].copy()
    for block, target in enumerate(courses):
        state -= target
        np.multiply(state, within, out=out[block])
        out[block] += target
        state *= keep
        state += target
    return out
