"""Still stretches in which a channel was left behind: what it follows moved, it did not.

A line follows the saturation temperature of its pressure, a duct the duct beside it, a gauge
the line at its side of the circuit. How far one follows the other differs from car to car, but
a fine display shows a tenth of the way. Takes one test as arrays and its still runs, gives the
runs that no live sensor makes. Does not belong here: stillness judged by a channel's own noise
(`stuck`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from features.display_steps import resolution_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]
    Places = NDArray[np.int64]

# coarser displays hide how far a channel follows
_FINE_STEP_K = 0.6
# A channel stands still for no minute while its leader moves by so much (tuning values).
_LEAST_READINGS, _MOVED_K = 60, 6.5
# One that flickers elsewhere in the log stands still for no two minutes while its leader moves
# by so many display steps and so much: a tenth of the way would show (chosen).
_LONG_READINGS, _MOVED_STEPS, _LEAST_MOVED_K = 120, 10.0, 1.0
_LEAST_FLICKER_SHARE, _LEAST_FLICKERS = 0.05, 5
# rest before a start that lies inside a still run
_LEAST_REST_READINGS = 10
# Saturation pressure rises by this share a kelvin at most: R-134a from 349.9 to 414.6 kPa
# between 5 and 10 degC, by 0.026 a kelvin at 45 degC (printed table, from memory).
_LN_A_KELVIN = 0.034


@dataclass(frozen=True)
class Leader:
    """What a channel must follow, as a temperature of which only changes count [K].

    `follower_is_pressure`: the channel that follows is a gauge.
    """

    kelvin: Floats
    follower_is_pressure: bool = False

    def part(self, span: slice, running: Booleans) -> _Part:
        """The leader within one test."""
        # a gauge that stands still does not tell whether the machine runs
        at_work = np.ones_like(running[span]) if self.follower_is_pressure else running[span]
        return _Part(self.kelvin[span], at_work, self.follower_is_pressure)


@dataclass(frozen=True)
class _Part:
    kelvin: Floats
    at_work: Booleans
    follower_is_pressure: bool


def in_kelvin(pressure_kpa: Floats) -> Floats:
    """A pressure as a temperature of which only changes count [K], NaN where not above zero."""
    known = np.where(pressure_kpa > 0.0, pressure_kpa, np.nan)
    return np.asarray(np.log(known) / _LN_A_KELVIN)


def left_behind(values: Floats, runs: Places, leader: _Part) -> list[tuple[int, int]]:
    """The still runs (first, past the last) of one test over which the leader moved too far.

    Parameters
    ----------
    values
        Readings of the channel, NaN where unknown.
    runs
        First and past-the-last reading of each still run, shape (n, 2).
    leader
        From `Leader.part`.
    """
    step_k = resolution_of(in_kelvin(values) if leader.follower_is_pressure else values)
    if step_k > _FINE_STEP_K:
        return []
    least_k = max(_LEAST_MOVED_K, _MOVED_STEPS * step_k)
    is_alive = _flickers(values, runs)
    found = []
    for lo, hi in runs:
        moved_k, n_readings = _moved_k(leader.kelvin[lo:hi], leader.at_work[lo:hi])
        is_far = n_readings >= _LEAST_READINGS and moved_k > _MOVED_K
        is_long = is_alive and n_readings >= _LONG_READINGS and moved_k > least_k
        if is_long or (is_far and (is_alive or not leader.follower_is_pressure)):
            found.append((int(lo), int(hi)))
    return found


def _moved_k(leader_k: Floats, at_work: Booleans) -> tuple[float, int]:
    """How far a leader moved at work or from rest to work [K], and its readings at work."""
    working, resting = (leader_k[part & np.isfinite(leader_k)] for part in (at_work, ~at_work))
    if working.size < _LEAST_READINGS:
        return 0.0, working.size
    low, middle, high = np.quantile(working, (0.1, 0.5, 0.9))
    by_start = 0.0
    if resting.size >= _LEAST_REST_READINGS:
        by_start = abs(float(np.median(resting)) - float(middle))
    return max(float(high - low), by_start), working.size


def _flickers(values: Floats, runs: Places) -> bool:
    """Whether a channel goes back where it came from often enough outside its still runs.

    Noise does; a line that only ramps between steady states does not, and may stand still.
    """
    outside = np.ones(values.size, dtype=np.bool_)
    for lo, hi in runs:
        outside[lo:hi] = False
    step = np.diff(values)
    # NaN where a reading is unknown, which is no flicker
    back = (step[1:] * step[:-1] < 0.0) & outside[1:-1]
    count = int(np.count_nonzero(back))
    return count >= max(_LEAST_FLICKERS, _LEAST_FLICKER_SHARE * np.count_nonzero(outside))
