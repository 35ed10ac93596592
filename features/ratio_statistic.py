"""Has a signal settled? The ratio of two estimates of its variance, sample by sample.

The first estimate is made of distances from a filtered value, the second of differences
from sample to sample. At steady state both see the same noise and their ratio is about 1;
while the signal moves, the first grows and the ratio with it (Cao & Rhinehart 1995, J.
Process Control 5:363). How large a ratio chance makes depends on how alike neighbouring
samples are; critical values are tabulated for that, and a limit for leaving the steady
state stands above the one for entering it. Array functions over stretches of samples. Does
not belong here: which channels and stretches (`settling`), the line through a window
(`steadiness`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]
    Places = NDArray[np.int64]

# Filter constants of the value, of its distance squared and of its difference squared.
LAMBDAS = (0.2, 0.1, 0.1)
# Critical values at steady state under normal noise with a likeness phi from one sample to
# the next: 95 % to be called steady, 99 % to be called moving. Found by simulation of
# 200,000 series each (tests/features/write_ratio_critical_values.py); for phi 0 Cao &
# Rhinehart tabulate 1.44 at 95 % (1997, J. Process Control 7:149, from memory).
LIKENESS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
STEADY_BELOW = (1.44, 1.60, 1.79, 2.03, 2.33, 2.72, 3.23, 3.97, 5.06, 6.86)
MOVING_ABOVE = (1.74, 1.95, 2.20, 2.52, 2.92, 3.45, 4.15, 5.17, 6.69, 9.27)
# The filter begins at the mean of so many samples.
_FIRST = 4


@dataclass(frozen=True)
class Stretches:
    """Runs of samples within which the filters run on: rows of the first, and lengths."""

    first_row: Places
    length: Places

    @classmethod
    def of(cls, is_inside: Booleans, is_joined: Booleans) -> Stretches:
        """The runs of rows inside; one that is not joined to the row before begins a new one."""
        before = np.concatenate([np.zeros(1, dtype=np.bool_), is_inside[:-1]]) & is_joined
        first = np.flatnonzero(is_inside & ~before)
        number = np.cumsum(is_inside & ~before)[is_inside] - 1
        return cls(first, np.bincount(number, minlength=first.size))

    def spread(self, values: Floats, n_rows: int, outside: float) -> Floats:
        """The value of each stretch at each of its rows."""
        rows = np.full(n_rows, outside)
        place = np.arange(int(self.length.sum()))
        begins = np.cumsum(self.length) - self.length
        rows[np.repeat(self.first_row - begins, self.length) + place] = np.repeat(
            values, self.length
        )
        return rows


def likeness(values: Floats, stretches: Stretches) -> Floats:
    """Autocorrelation from sample to sample of each stretch, 0 to 0.9; 0 where unknown.

    Of a first-order autoregression the differences over two steps have 1 + phi times the
    variance of those over one; an even drift enters neither.
    """
    one, two = (_step_variance(values, stretches, lag) for lag in (1, 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        phi = np.clip(two / one - 1.0, LIKENESS[0], LIKENESS[-1])
    return np.where(np.isfinite(phi), phi, 0.0)


def steady_by_ratio(
    values: Floats, stretches: Stretches, tolerated: Floats, phi: Floats
) -> Booleans:
    """True means: steady at this row, by the ratio and its two limits; False outside stretches.

    Parameters
    ----------
    values
        The signal; a missing value leaves the state as it was.
    tolerated
        At every stretch the drift per sample that is not held against the signal.
    phi
        At every stretch the likeness of neighbouring samples.
    """
    state = np.zeros(values.size, dtype=np.bool_)
    if not stretches.first_row.size:
        return state
    order = np.argsort(-stretches.length, kind="stable")
    first, length = stretches.first_row[order], stretches.length[order]
    run = _Run.begin(values, Stretches(first, length), tolerated[order], phi[order])
    for place in range(int(length[0])):
        n = int(np.searchsorted(-length, -place, side="left"))
        rows = first[:n] + place
        run.step(values[rows], n)
        state[rows] = run.is_steady[:n]
    return state


@dataclass
class _Run:
    """The filters of all stretches side by side, the longest first."""

    level: Floats
    last: Floats
    distance: Floats
    difference: Floats
    floor: Floats
    enter: Floats
    leave: Floats
    is_steady: Booleans

    @classmethod
    def begin(cls, values: Floats, stretches: Stretches, tolerated: Floats, phi: Floats) -> _Run:
        """At the mean of the first samples and at a ratio of 1."""
        enter = np.interp(phi, LIKENESS, STEADY_BELOW)
        leave = np.interp(phi, LIKENESS, MOVING_ABOVE)
        floor = _difference_of_drift(tolerated, enter)
        level = _mean_of_first(values, stretches)
        squares = _mean_over(_steps(values, 1) ** 2, stretches.first_row + 1, stretches.length - 1)
        noise = np.fmax(squares, floor)
        return cls(
            level=level, last=values[stretches.first_row], distance=noise / (2.0 - LAMBDAS[0]),
            difference=noise, floor=floor, enter=enter, leave=leave,
            is_steady=np.ones(level.size, dtype=np.bool_),
        )  # fmt: skip

    def step(self, value: Floats, n: int) -> None:
        """The next sample of the first n stretches."""
        one, two, three = LAMBDAS
        known = np.isfinite(value)
        level, last = self.level[:n], self.last[:n]
        off = np.where(known & np.isfinite(level), value - level, 0.0)
        moved = np.where(known & np.isfinite(last), value - last, 0.0)
        weight = known * 1.0
        self.distance[:n] += weight * two * (off**2 - self.distance[:n])
        self.difference[:n] += weight * three * (moved**2 - self.difference[:n])
        self.level[:n] = np.where(np.isfinite(level), level + one * off, value)
        self.last[:n] = np.where(known, value, last)
        noise = np.maximum(self.difference[:n], self.floor[:n])
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = (2.0 - one) * self.distance[:n] / noise
        was_steady = self.is_steady[:n]
        self.is_steady[:n] = np.where(was_steady, ~(ratio > self.leave[:n]), ratio < self.enter[:n])


def _difference_of_drift(drift: Floats, enter: Floats) -> Floats:
    """The mean square difference at which a drift per sample just lets a signal be steady.

    A ramp of c a sample runs ahead of its filtered value by c / l1, which adds
    (2 - l1) (c / l1)^2 / d2 to a ratio of 1. A signal quieter than that is judged as if it
    had that noise: what is within its limits is not held against it.
    """
    ahead = drift / LAMBDAS[0]
    return np.asarray((2.0 - LAMBDAS[0]) * ahead**2 / (enter - 1.0))


def _step_variance(values: Floats, stretches: Stretches, lag: int) -> Floats:
    """Variance of the differences over `lag` samples of each stretch; NaN where none."""
    steps = _steps(values, lag)
    where = stretches.first_row + lag, stretches.length - lag
    return np.asarray(_mean_over(steps**2, *where) - _mean_over(steps, *where) ** 2)


def _steps(values: Floats, lag: int) -> Floats:
    steps = np.full(values.size, np.nan)
    np.subtract(values[lag:], values[:-lag], out=steps[lag:])
    return steps


def _mean_of_first(values: Floats, stretches: Stretches) -> Floats:
    return _mean_over(values, stretches.first_row, np.minimum(stretches.length, _FIRST))


def _mean_over(values: Floats, first: Places, length: Places) -> Floats:
    """Mean of the finite values of each run, summed for itself; NaN where there is none."""
    inside = length > 0
    # a run without rows begins and ends at the row added behind the last
    begin = np.where(inside, first, values.size)
    edges = np.column_stack([begin, begin + np.maximum(length, 0)]).ravel()
    known = np.isfinite(values)
    total = np.add.reduceat(np.append(np.where(known, values, 0.0), 0.0), edges)[::2]
    # mostly everything is known, so that the few others are counted
    count = length - _counted(np.flatnonzero(~known), begin, begin + length)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(inside & (count > 0), total / count, np.nan)


def _counted(places: Places, begin: Places, end: Places) -> Places:
    """How many of the places, in order, lie in each run of rows."""
    return np.searchsorted(places, end) - np.searchsorted(places, begin)
