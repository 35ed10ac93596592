"""Frozen readings: a value that stands still longer than its own noise allows.

Holds the array functions behind the rule `stuck`. A steady reading is no fault: with a
coarse display, or on a quiet line, equal values follow each other for minutes. So a flat
run is held against the noise and the resolution that the same channel shows in the same
test while the machine runs, and is called stuck only when chance cannot explain it. A
channel that never moved at all has shown no noise; it is called stuck only when the
compressor started or stopped meanwhile. One that stood still while what it follows moved is
stuck however quiet it is (`left_behind`). Takes the samples of stacked tests as arrays, ordered
by test and time. Does not belong here: other rules, frames (`screening`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from features.display_steps import LEAST_STEP, resolution_of
from features.left_behind import left_behind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.left_behind import Leader

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]
    Places = NDArray[np.int64]

# shorter stillness is never called stuck (default, to be tuned on data)
_LEAST_STILL_S = 30.0
_LEAST_STILL_READINGS = 15
# how improbable a run must be in its whole test (default, to be tuned on data)
_HIGHEST_CHANCE = 1e-5
# noise is taken from blocks of so many readings, and from no fewer than so many blocks
_NOISE_BLOCK_READINGS = 20
_LEAST_NOISE_BLOCKS = 3
# A reading near the border of two display steps flickers however quiet it is, then stands
# still once it has drifted off the border. Only noise that spans several steps proves a
# sensor alive: flicker between two values alone looks like noise of 0.41 steps.
_LEAST_NOISE_PER_STEP = 0.45
# rows of a logger with several live channels are hardly ever alike
_LEAST_LIVE_ROWS, _LEAST_LIVE_SHARE = 30, 0.8
# a start or stop shows only when the machine both rested and ran for a while
_LEAST_REST_S = 10.0
_LEAST_RUN_S = 120.0


@dataclass(frozen=True)
class Stacked:
    """What the samples of stacked tests have in common, ordered by test and time.

    `first` holds the place of each test's first sample and, as its last element, the
    number of samples. `running` says whether the compressor works at that instant.
    """

    time_s: Floats
    first: Places
    running: Booleans


def stuck_readings(values: Floats, stacked: Stacked, leader: Leader | None = None) -> Booleans:
    """Whether each reading stands in a frozen stretch. True means: do not trust it.

    Parameters
    ----------
    values
        One channel, canonical unit, NaN where unknown, no infinities.
    stacked
        Times, test borders and running state of the same samples.
    leader
        Where known, what the channel must follow.
    """
    stuck = np.zeros(values.size, dtype=np.bool_)
    start, end = _long_still_runs(values, stacked)
    if start.size == 0:
        return stuck
    test = np.searchsorted(stacked.first, start, side="right") - 1
    for number in np.unique(test):
        own = test == number
        span = slice(int(stacked.first[number]), int(stacked.first[number + 1]))
        runs = np.column_stack((start[own], end[own])) - span.start
        found = _judge_test(values[span], runs, span, stacked)
        if leader is not None:
            found += left_behind(values[span], runs, leader.part(span, stacked.running))
        for lo, hi in found:
            stuck[span.start + lo : span.start + hi] = True
    return stuck


def frozen_rows(moves: Booleans, channels: list[Floats], stacked: Stacked) -> Booleans:
    """Rows in which a whole logger stands still although its rows flicker all the time.

    `moves`: whether any of the channels differs from the row before. A row flickers where
    any of them turned back, which noise does and a settling line does not.
    """
    frozen = np.zeros(moves.size, dtype=np.bool_)
    start, end = _long_runs(~moves[1:], stacked)
    test = np.searchsorted(stacked.first, start, side="right") - 1
    for number in np.unique(test):
        own = test == number
        span = slice(int(stacked.first[number]), int(stacked.first[number + 1]))
        inside = np.zeros(span.stop - span.start, dtype=np.bool_)
        for lo, hi in zip(start[own] - span.start, end[own] - span.start, strict=True):
            inside[lo:hi] = True
        outside = _flickers([values[span] for values in channels])[~inside]
        if outside.size >= _LEAST_LIVE_ROWS and outside.mean() >= _LEAST_LIVE_SHARE:
            frozen[span] = inside
    return frozen


def _flickers(channels: list[Floats]) -> Booleans:
    """Whether any channel of one test goes back at a reading from where it came."""
    flickers = np.zeros(channels[0].size, dtype=np.bool_)
    for values in channels:
        step = np.diff(values)
        flickers[1:-1] |= step[1:] * step[:-1] < 0.0
    return flickers


def _judge_test(
    values: Floats, runs: Places, span: slice, stacked: Stacked
) -> list[tuple[int, int]]:
    """The runs (first, past the last) of one test that chance cannot explain."""
    time_s, running = stacked.time_s[span], stacked.running[span]
    if np.nanmax(values) - np.nanmin(values) < LEAST_STEP:
        return [(0, values.size)] if _started_or_stopped(time_s, running) else []
    resolution = resolution_of(values)
    held = readings_per_update(values)
    noise = noise_between(_between(values, runs, running)[::held], resolution)
    if noise == 0.0:
        # frozen soon after the start: the line at rest is no noisier than at work
        noise = max(
            noise_between(_between(values, runs, part)[::held], resolution)
            for part in (np.ones_like(running), ~running)
        )
    if noise < _LEAST_NOISE_PER_STEP * resolution:
        return []
    ln_same = math.log(max(math.erf(resolution / (2.0 * math.sqrt(2.0) * noise)), 1e-300))
    ln_allowed = math.log(_HIGHEST_CHANCE / values.size)
    # stillness at rest is the machine's own, so only readings while it runs count
    readings = [np.count_nonzero(running[lo:hi]) for lo, hi in runs]
    return [
        (int(lo), int(hi))
        for (lo, hi), count in zip(runs, readings, strict=True)
        if count >= _LEAST_STILL_READINGS and ln_same * (count / held - 1.0) < ln_allowed
    ]


def readings_per_update(values: Floats) -> int:
    """How many readings a value is usually held: a logger may ask faster than a sensor tells."""
    changes = np.flatnonzero(np.abs(np.diff(values)) > LEAST_STEP)
    return round(float(np.median(np.diff(changes)))) if changes.size > 1 else values.size


def _between(values: Floats, runs: Places, running: Booleans) -> Floats:
    """The readings while the machine runs and outside the still runs, NaN elsewhere."""
    moving = running.copy()
    for lo, hi in runs:
        moving[lo:hi] = False
    return np.where(moving, values, np.nan)


def _long_still_runs(values: Floats, stacked: Stacked) -> tuple[Places, Places]:
    """First and past-the-last place of every run of equal readings that lasts long enough."""
    # written so that a NaN ends a run
    return _long_runs(np.abs(np.diff(values)) < LEAST_STEP, stacked)


def _long_runs(stands: Booleans, stacked: Stacked) -> tuple[Places, Places]:
    """First and past-the-last reading of every long run; `stands`: each as the one before."""
    stands = stands.copy()
    # the first reading of a test is like none before it
    stands[stacked.first[1:-1] - 1] = False
    begins = _all_of_next(stands, _LEAST_STILL_READINGS - 1)
    edges = np.diff(begins.astype(np.int8), prepend=0, append=0)
    start, past = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    end = past + _LEAST_STILL_READINGS - 1
    long = stacked.time_s[end - 1] - stacked.time_s[start] >= _LEAST_STILL_S
    return start[long], end[long]


def _all_of_next(flags: Booleans, count: int) -> Booleans:
    """Whether each flag and those after it, `count` in all, are true; doubled step by step."""
    reach, held = flags, 1
    while held < count:
        step = min(held, count - held)
        reach, held = reach[:-step] & reach[step:], held + step
    return reach


def noise_between(values: Floats, resolution: float) -> float:
    """Standard deviation of the channel's own noise, from below; 0 when it cannot be told.

    Independent noise of variance v makes neighbouring second differences vary against each
    other by -4 v; ramps and smooth curves do not, and slow noise does less. Rounding counts
    as noise of resolution^2 / 12. The quarter quantile over blocks keeps transients out.
    """
    second = np.diff(values, 2)
    opposed = -second[1:] * second[:-1] / 4.0
    usable = opposed[np.isfinite(opposed)]
    blocks = usable.size // _NOISE_BLOCK_READINGS
    if blocks < _LEAST_NOISE_BLOCKS:
        return 0.0
    means = usable[: blocks * _NOISE_BLOCK_READINGS].reshape(blocks, -1).mean(axis=1)
    variance = float(np.quantile(means, 0.25)) - resolution**2 / 12.0
    return math.sqrt(max(variance, 0.0))


def _started_or_stopped(time_s: Floats, running: Booleans) -> bool:
    """Whether the machine both rested and ran long enough for any channel of it to move."""
    if time_s.size < 2:
        return False
    interval_s = (time_s[-1] - time_s[0]) / (time_s.size - 1)
    ran_s = np.count_nonzero(running) * interval_s
    rested_s = np.count_nonzero(~running) * interval_s
    return bool(ran_s >= _LEAST_RUN_S and rested_s >= _LEAST_REST_S)
