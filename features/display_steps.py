"""The display step of a channel: the smallest difference between neighbouring readings.

Does not belong here: whether a channel is too coarse (`features.trust.coarse`) or stands still
(`stuck`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

# steps smaller than this are rounding of a unit conversion, not resolution
LEAST_STEP = 1e-9


def resolution_of(values: NDArray[np.float64]) -> float:
    """The smallest step between neighbouring readings of a test."""
    steps = np.abs(np.diff(values))
    return float(np.min(steps, where=steps > LEAST_STEP, initial=np.inf))
