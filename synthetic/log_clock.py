"""What the logger's own clock does to a whole log: interval, pauses, jumps, rows written twice.

Takes the fitting of one test as a row of the plan, gives the seconds that are kept and the
instants that are written beside them. Does not belong here: readings (`plant.sensors`), the
form of a clock in a file (`dialects`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from synthetic.plant.arrays import FloatArray, IndexArray


@dataclass(frozen=True)
class LogClock:
    """Seconds of the test that stand in the log, and the instants [s] written beside them."""

    kept: IndexArray
    instants_s: FloatArray


def log_clock(row: dict[str, Any], seconds: int) -> LogClock:
    """The rows of a log of so many seconds, and their instants."""
    kept = np.arange(0, seconds, max(1, int(row["fit_interval_s"])))
    pause_s = float(row["fit_pause_s"])
    if pause_s > 0.0:
        since = kept - row["fit_pause_from_s"]
        kept = kept[(since < 0.0) | (since >= pause_s)]
    if row["fit_repeated_rows"] > 0.0:
        since = kept - row["fit_repeated_from_s"]
        times = 1 + ((since >= 0.0) & (since < row["fit_repeated_rows"]))
        kept = np.repeat(kept, times)
    jumped = kept >= row["fit_clock_jump_from_s"]
    instants = kept + np.where(jumped, row["fit_clock_jump_s"], 0.0)
    return LogClock(kept, instants.astype(np.float64))
