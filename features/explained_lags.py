"""Courses behind first-order lags: how a cause reaches the duct or a pressure.

Array functions. Does not belong here: which causes there are (`explained_causes`).
"""

from __future__ import annotations

from functools import lru_cache
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


# Courses are put behind the lags so many blocks at a time, by one product of matrices for so
# many courses: larger products are spread over threads, which costs more than it saves.
_BLOCKS_AT_ONCE = 20
_COURSES_AT_ONCE = 32


def behind_lags(courses: Floats, block_s: float) -> Floats:
    """Every course behind every chain: course by chain by block; at rest before.

    Parameters
    ----------
    courses
        Course by block.
    """
    n_courses, n_blocks = courses.shape
    weights = _weights(block_s)
    n_inputs, n_values = weights.shape[0], len(CHAINS_S) * _BLOCKS_AT_ONCE
    n_rows = -(-n_courses // _COURSES_AT_ONCE) * _COURSES_AT_ONCE
    out = np.empty((n_courses, len(CHAINS_S), n_blocks))
    now = np.zeros((n_rows, n_inputs))
    now[:n_courses, _BLOCKS_AT_ONCE:] = courses[:, :1]
    for start in range(0, n_blocks, _BLOCKS_AT_ONCE):
        length = min(_BLOCKS_AT_ONCE, n_blocks - start)
        now[:n_courses, :length] = courses[:, start : start + length]
        products = now.reshape(-1, _COURSES_AT_ONCE, n_inputs) @ weights
        found = products.reshape(n_rows, weights.shape[1])
        behind = found[:n_courses, :n_values].reshape(n_courses, len(CHAINS_S), _BLOCKS_AT_ONCE)
        out[:, :, start : start + length] = behind[:, :, :length]
        now[:, _BLOCKS_AT_ONCE:] = found[:, n_values:]
    return out


@lru_cache(maxsize=8)
def _weights(block_s: float) -> Floats:
    """How courses of some blocks, and the states of the lags before them, make what is behind.

    The chains are linear: their answers to one block, and to one state, at a time are all
    there is to know. Rows: the blocks, then a state for every first part of a chain; columns:
    every chain by block, then the states afterwards.
    """
    firsts = sorted({chain[: n + 1] for chain in CHAINS_S for n in range(len(chain))}, key=len)
    units = np.eye(_BLOCKS_AT_ONCE + len(firsts))
    behind: dict[tuple[float, ...], Floats] = {(): units[:_BLOCKS_AT_ONCE]}
    states = []
    for place, chain in enumerate(firsts):
        state = units[_BLOCKS_AT_ONCE + place]
        behind[chain], after = _lag(behind[chain[:-1]], state, block_s, chain[-1])
        states.append(after)
    columns = [behind[chain] for chain in CHAINS_S]
    return np.ascontiguousarray(np.concatenate([*columns, np.stack(states)]).T)


def lag_first_order(courses: Floats, block_s: float, time_constant_s: float) -> Floats:
    """Block means of courses behind a first-order lag, along the first axis; at rest before.

    Exact for a course that is constant within each block: T dy/dt = x - y.
    """
    return _lag(courses, courses[0], block_s, time_constant_s)[0]


def _lag(
    courses: Floats, state: Floats, block_s: float, time_constant_s: float
) -> tuple[Floats, Floats]:
    """Block means behind a first-order lag that starts from a state, and the state at the end."""
    ratio = block_s / time_constant_s
    keep = np.exp(-ratio)
    within = (1.0 - keep) / ratio
    out = np.empty_like(courses)
    for block, target in enumerate(courses):
        out[block] = target + (state - target) * within
        state = target + (state - target) * keep
    return out, state
