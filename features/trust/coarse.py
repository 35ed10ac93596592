"""Rules over what a channel can show: clipped at the end of its range, too coarse.

Each is a function `(Ordered, context, settings) -> Verdicts`. A plateau is no fault: a
display in steps stands still on a level as long as the line is quiet. So a clipped reading
is told by its own noise, which stops at one value and goes on below it. Does not belong
here: readings outside the plausible range (`single_channel`).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.channels import CHANNEL
from features.display_steps import resolution_of
from features.stuck import noise_between, readings_per_update
from features.trust.ordered import PRESSURES, STEP_S, Ordered
from features.trust.rules import Rule
from features.trust.standing import CASE_AIR, LINES
from features.trust.verdicts import Verdicts, flag_name, notes_of, of_whole_tests

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.settings import DerivationSettings

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

# Steps of a display that leave superheat or subcooling unknown by more than sensors do, about
# 2 K: at 2 degC 1 K is 11 kPa, at 50 degC 32 kPa of R-134a (tuning values)
_COARSE_K = 2.0
_COARSE_KPA = {"low_side_kpa": 25.0, "high_side_kpa": 60.0}
# events and transients last tens of seconds; a window needs several samples
_COARSE_INTERVAL_S = 20.0
_LEAST_READINGS, _LEAST_INTERVALS = 60, 5
# a step smaller than any that would be too coarse shows within so many readings
_FIRST_READINGS = 150
# steps smaller than this are rounding of a unit conversion
_ROUNDING = 1e-6
_OFF_LADDER, _LEAST_RUNGS, _LEAST_CHANGES = 0.02, 3, 6
_WIDE_STEPS, _WIDEST_STEPS, _LESS_WIDE = 3.5, 6.0, 1.9
_SLOW_BEAT = 20
# equal readings at the end of a range: in a row and together, and how improbable (tuning)
_LEAST_RUN, _LEAST_EQUAL = 4, 10
_LEAST_NOISE_PER_STEP = 0.5
# a rise by so much within so many readings does not end at once for so many more (tuning)
_RISE_KPA, _RISE_READINGS, _DEAD_READINGS = 12.0, 4, 20
# No pressure of a fine display stands at one value so long while the compressor works, if it
# flickers elsewhere: goes back at so many of its readings (tuning).
_FINE_KPA, _LONG_READINGS = 3.0, 90
_LEAST_FLICKER_SHARE, _FEWEST_FLICKERS = 0.15, 8
_LN_HIGHEST_CHANCE = math.log(1e-9)


def find_too_coarse(
    ordered: Ordered, context: pl.DataFrame, settings: DerivationSettings
) -> Verdicts:
    """Channels whose display moves in steps too large to judge a car by, and slow loggers."""
    del context, settings
    if ordered.samples.is_empty():
        return Verdicts()
    flags, notes = [], []
    for channel in ordered.channels:
        limit = _coarse_limit(channel)
        if limit is None:
            continue
        steps = _coarse_steps(ordered, channel, limit)
        if steps:
            flags.append(of_whole_tests(ordered, channel, Rule.TOO_COARSE, list(steps)))
            notes.append(_coarse_notes(ordered, channel, steps))
    intervals_s = _slow_tests(ordered)
    if intervals_s:
        flags.append(of_whole_tests(ordered, "time_s", Rule.TOO_COARSE, list(intervals_s)))
        notes.append(_slow_notes(ordered, intervals_s))
    return Verdicts(pl.DataFrame(flags), pl.concat(notes)) if flags else Verdicts()


def _coarse_limit(channel: str) -> float | None:
    return _COARSE_K if channel in (*LINES, *CASE_AIR) else _COARSE_KPA.get(channel)


def _coarse_steps(ordered: Ordered, channel: str, limit: float) -> dict[int, float]:
    """The tests whose readings lie no closer together than the limit, with the least distance."""
    values = ordered.readings(channel)
    found = {}
    for test in np.flatnonzero(_may_be_coarse(values, ordered.first, limit)):
        own = values[ordered.first[test] : ordered.first[test + 1]]
        step = _display_step(own[np.isfinite(own)], limit)
        if step >= limit:
            found[int(test)] = step
    return found


def _display_step(readings: Floats, limit: float) -> float:
    """The step of a display whose readings all lie on one ladder; 0 where none is seen.

    A sensor that tells a new value only now and then has few values far apart too, but not
    on a ladder; a few rungs alone are one when the reading goes back and forth between them,
    or when they lie very far apart.
    """
    levels = np.unique(readings)
    apart = np.diff(levels)
    apart = apart[apart > _ROUNDING]
    if readings.size < _LEAST_READINGS or apart.size == 0:
        return 0.0
    step = float(apart.min())
    rungs = apart / step
    is_ladder = bool(np.all(np.abs(rungs - np.round(rungs)) < _OFF_LADDER))
    n_changes = np.count_nonzero(np.abs(np.diff(readings)) > _ROUNDING)
    # no display has steps so wide that a start spans but one
    is_wide = _WIDE_STEPS * limit <= step <= _WIDEST_STEPS * limit
    is_seen = (
        apart.size >= _LEAST_RUNGS
        or n_changes >= _LEAST_CHANGES
        or (apart.size > 1 and is_wide)
        or (_is_rounded(levels, step) and (apart.size > 1 or is_wide) and step > _LESS_WIDE * limit)
    )
    return step if is_ladder and is_seen and not _is_held(readings) else 0.0


def _is_held(readings: Floats) -> bool:
    """Whether values change in a fixed beat only, as of a sensor that tells one now and then."""
    places = np.flatnonzero(np.abs(np.diff(readings)) > _ROUNDING) + 1
    if places.size < 2:
        return False
    beat = int(np.diff(places).min())
    return beat >= _SLOW_BEAT and bool(np.all(places % beat == 0))


def _is_rounded(levels: Floats, step: float) -> bool:
    """Whether all values are whole multiples of the step, as a rounded export writes them."""
    return any(
        bool(np.all(np.abs(shown / own - np.round(shown / own)) < _OFF_LADDER))
        for shown, own in ((levels, step), (1.8 * levels + 32.0, 1.8 * step))
    )


def _may_be_coarse(values: Floats, first: NDArray[np.int64], limit: float) -> Booleans:
    """Tests without a smaller step among their first readings; a smaller one acquits."""
    n_asked = np.minimum(np.diff(first), _FIRST_READINGS)
    asked = np.repeat(first[:-1] - np.cumsum(n_asked) + n_asked, n_asked) + np.arange(n_asked.sum())
    steps = np.abs(np.diff(values[asked], append=np.nan))
    is_fine = (steps > _ROUNDING) & (steps < limit)
    borders = np.concatenate(([0], np.cumsum(n_asked)[:-1])).astype(np.int64)
    # the step over a border belongs to no test
    is_fine[borders[1:] - 1] = False
    return np.asarray(np.add.reduceat(is_fine.astype(np.int64), borders) == 0)


def _coarse_notes(ordered: Ordered, channel: str, steps: dict[int, float]) -> pl.DataFrame:
    unit = "K" if CHANNEL[channel].quantity == "temperature" else CHANNEL[channel].unit
    return notes_of(
        ordered.test_ids["test_id"].gather(list(steps)),
        channel,
        Rule.TOO_COARSE,
        [
            f"readings lie {step:.3g} {unit} apart: too coarse to judge by; set the logger to a "
            "finer resolution, or do not round in the export"
            for step in steps.values()
        ],
    )


def _slow_tests(ordered: Ordered) -> dict[int, float]:
    """The tests with samples further apart than events last, with their usual interval [s]."""
    places = ordered.first[:-1]
    # a cheap look first: the mean interval
    time_s = ordered.samples["time_s"].to_numpy()
    n_steps = np.diff(ordered.first) - 1
    length_s = time_s[ordered.first[1:] - 1] - time_s[places]
    is_asked = (n_steps >= _LEAST_INTERVALS) & (length_s > _COARSE_INTERVAL_S * n_steps)
    steps_s = ordered.samples[STEP_S]
    found = {}
    for test in np.flatnonzero(is_asked):
        own = steps_s[int(places[test]) : int(ordered.first[test + 1])]
        usual_s = own.median()
        if isinstance(usual_s, float) and usual_s >= _COARSE_INTERVAL_S:
            found[int(test)] = usual_s
    return found


def _slow_notes(ordered: Ordered, intervals_s: dict[int, float]) -> pl.DataFrame:
    return notes_of(
        ordered.test_ids["test_id"].gather(list(intervals_s)),
        "time_s",
        Rule.TOO_COARSE,
        [
            f"a sample every {interval_s:.0f} s: events of the fan and the clutch fall between; "
            "log every second or two"
            for interval_s in intervals_s.values()
        ],
    )


def find_clipped(ordered: Ordered, context: pl.DataFrame, settings: DerivationSettings) -> Verdicts:
    """Pressures that stand at one highest or lowest value where their noise should show."""
    del context, settings
    flags, notes = [], []
    for channel in PRESSURES:
        if channel not in ordered.channels or ordered.samples.is_empty():
            continue
        values = ordered.readings(channel)
        is_clipped, ends = _clipped_readings(values, ordered)
        if ends:
            flags.append(pl.Series(flag_name(channel, Rule.CLIPPED), is_clipped))
            notes.append(_clipped_notes(ordered, channel, is_clipped, ends))
    return Verdicts(pl.DataFrame(flags), pl.concat(notes)) if flags else Verdicts()


def _clipped_readings(values: Floats, ordered: Ordered) -> tuple[Booleans, dict[int, float]]:
    """Which readings are cut off, and for each test concerned the value at which they are."""
    first = ordered.first
    is_clipped = np.zeros(values.size, dtype=np.bool_)
    ends: dict[int, float] = {}
    filled = np.where(np.isfinite(values), values, -np.inf)
    highest = np.repeat(np.maximum.reduceat(filled, first[:-1]), np.diff(first))
    at_end = filled >= highest - _ROUNDING
    # a line at rest is quiet, and stands at one value however good its sensor
    runs = ordered.is_running.to_numpy()
    n_equal = np.add.reduceat((at_end & runs).astype(np.int64), first[:-1])
    for test in np.flatnonzero(n_equal >= _LEAST_EQUAL):
        span = slice(int(first[test]), int(first[test + 1]))
        in_runs = _in_runs(at_end[span])
        if _is_cut_off(values[span], in_runs & runs[span]):
            is_clipped[span] = in_runs
            ends[int(test)] = float(highest[span][0])
    return is_clipped, ends


def _in_runs(at_end: Booleans) -> Booleans:
    """Which of the marked readings follow each other in rows long enough."""
    borders = np.flatnonzero(np.diff(at_end)) + 1
    start, end = np.concatenate(([0], borders)), np.concatenate((borders, [at_end.size]))
    is_long = at_end[start] & (end - start >= _LEAST_RUN)
    return np.repeat(is_long, end - start)


def _is_cut_off(values: Floats, at_end: Booleans) -> bool:
    """Whether the noise, or the rise, of the channel cannot have stopped at one value."""
    n_equal = int(np.count_nonzero(at_end))
    moving = np.where(at_end, np.nan, values)
    resolution = resolution_of(moving)
    if n_equal < _LEAST_EQUAL or not np.isfinite(resolution):
        return False
    if _stands_long(moving, at_end, resolution):
        return True
    # a sensor slower than the logger stands still between two of its own readings
    held = readings_per_update(moving)
    noise = noise_between(moving[::held], resolution)
    if noise < _LEAST_NOISE_PER_STEP * resolution:
        return held == 1 and _stops_dead(values, at_end, resolution)
    same = math.erf(resolution / (2.0 * math.sqrt(2.0) * noise))
    return n_equal / held * math.log(max(same, 1e-300)) < _LN_HIGHEST_CHANCE - math.log(values.size)


def _stands_long(moving: Floats, at_end: Booleans, resolution: float) -> bool:
    """Whether a fine display that flickers elsewhere stands long at the highest value."""
    steps = np.diff(moving)
    n_back = int(np.count_nonzero(steps[1:] * steps[:-1] < 0.0))
    least = max(_FEWEST_FLICKERS, _LEAST_FLICKER_SHARE * np.count_nonzero(np.isfinite(moving)))
    if resolution > _FINE_KPA or n_back < least:
        return False
    borders = np.flatnonzero(np.diff(np.concatenate(([False], at_end, [False])).astype(np.int8)))
    longest = int(np.max(borders[1::2] - borders[::2], initial=0))
    return longest >= _LONG_READINGS * readings_per_update(moving)


def _stops_dead(values: Floats, at_end: Booleans, resolution: float) -> bool:
    """Whether a fast rise ends at once in a long row of the highest value: no line does that."""
    entries = np.flatnonzero(np.diff(at_end.astype(np.int8)) == 1) + 1
    for entry in entries[entries >= _RISE_READINGS]:
        row = at_end[entry : entry + _DEAD_READINGS]
        rise = values[entry] - values[entry - _RISE_READINGS]
        # a rise of NaN is none
        if row.size == _DEAD_READINGS and row.all() and rise > max(_RISE_KPA, 4.0 * resolution):
            return True
    return False


def _clipped_notes(
    ordered: Ordered, channel: str, is_clipped: Booleans, ends: dict[int, float]
) -> pl.DataFrame:
    counts = np.add.reduceat(is_clipped.astype(np.int64), ordered.first[:-1])
    return notes_of(
        ordered.test_ids["test_id"].gather(list(ends)),
        channel,
        Rule.CLIPPED,
        [
            f"{counts[test]} readings stand at {end:.0f} kPa, the highest of the test, and none "
            "above: the sensor or the logger's scale ends there; use one with a wider range"
            for test, end in ends.items()
        ],
    )
