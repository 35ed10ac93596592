"""The pull-down: how the duct air falls, and the low side, after the compressor starts.

Takes grids of blocks and the starts; gives per test the two-exponential fit of the duct air
where it may be told, the times to 63 and 90 % of its fall, its temperature after 5 and 10
minutes, and by how much the low side undershoots. Does not belong here: the fit itself
(`transient_fit`), records (`transient_records`).

The fit is told only where the data reach over three of its slower time constants without an
event of the control, and both parts are well above what they may err by. That is seldom: the
fall begins with a lag of evaporator and sensor, and ends as the control takes over or the
engine is sped up, so that mostly no sum of two falling parts describes it. The times of fall
ask for no such shape.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from features.transient_fit import fit_two_exponentials, have_two_falling_parts

if TYPE_CHECKING:
    import polars as pl
    from numpy.typing import NDArray

    from features.block_grids import Grid

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]
    Values = dict[str, Floats]

_LEAST_TIME_CONSTANTS = 3.0
# A stretch of fewer blocks cannot tell five parameters.
_LEAST_BLOCKS = 24
# A part counts when it is so many times its standard error, and a time constant when it is
# known to this share (tuning values).
_LEAST_SIGNIFICANCE = 3.0
_LARGEST_RELATIVE_ERROR = 0.3
# A fit that leaves more than this is not one, K (1 sd; tuning value).
_LARGEST_REST_K = 0.5
# A stretch over whose thirds the duct falls by less is not fitted, K; and how far the last may
# lie above the second, as a share of that (tuning values).
_LEAST_FALL_FITTED_K = 0.3
_ROOM_FOR_NOISE = 0.15
# A duct that falls by less has no times of fall, K (tuning value).
_LEAST_FALL_K = 3.0
_LEAST_RUN_S = 300.0
_LOOKED_AT_S = 900.0
_SHARES = {"pull_down_t63_s": 1.0 - np.exp(-1.0), "pull_down_t90_s": 0.9}
_AFTER_S = {"pull_down_after_5_min_c": 300.0, "pull_down_after_10_min_c": 600.0}
_AFTER_WITHIN_S = 15.0
# A fall slower than this has no time, K/s.
_TINY_SLOPE = 1e-4
# The low side undershoots soon after the start, or not at all (common practice, no source).
_UNDERSHOOT_WITHIN_S = 60.0
_RECOVERS_WITHIN_S = 60.0
_LEAST_UNDERSHOOT_KPA = 3.0
# 1 sd of normal noise from the median absolute second difference: 1.4826 / sqrt(6)
_SECOND_DIFFERENCE_TO_SD = 0.6053


@dataclass(frozen=True)
class Started:
    """Tests of a grid with a start: rows of the grid, and times since the start, s."""

    grid: Grid
    row: NDArray[np.int64]
    since_s: Floats
    start_uncertainty_s: Floats
    run_s: Floats
    quiet_from_s: Floats
    quiet_to_s: Floats

    def values(self, channel: str) -> Floats:
        """A channel, test by block; NaN throughout where it is not logged."""
        if channel not in self.grid.values:
            return np.full(self.since_s.shape, np.nan)
        return self.grid.values[channel][self.row]

    @property
    def is_run(self) -> Booleans:
        """True means: the block lies wholly in the run that the start begins."""
        half_s = self.grid.block_s / 2.0
        return np.asarray((self.since_s >= half_s) & (self.since_s <= self.run_s[:, None] - half_s))


def place_starts(grid: Grid, starts: pl.DataFrame) -> Started:
    """The starts that fall into a grid."""
    row = grid.place(starts["test_number"].to_numpy().astype(np.int64))
    mine = row >= 0
    start_s = starts["start_s"].to_numpy()[mine]
    return Started(
        grid,
        row[mine],
        grid.middle_s[row[mine]] - start_s[:, None],
        starts["start_uncertainty_s"].to_numpy()[mine],
        starts["run_end_s"].to_numpy()[mine] - start_s,
        starts["quiet_start_s"].to_numpy()[mine] - start_s,
        starts["quiet_end_s"].to_numpy()[mine] - start_s,
    )


def fitted_pull_down(started: Started) -> Values:
    """Level, parts and time constants of the duct air's fall, with standard errors ("u:...").

    Time counts from the start, or from the last event of its first minute.
    """
    duct = started.values("duct_air_c")
    half_s = started.grid.block_s / 2.0
    quiet_s = started.since_s - started.quiet_from_s[:, None]
    is_quiet = (quiet_s >= half_s) & (started.since_s <= started.quiet_to_s[:, None] - half_s)
    inside = started.is_run & is_quiet & np.isfinite(duct)
    names = ("level_c", "fast_k", "fast_s", "slow_k", "slow_s")
    out = {
        f"{prefix}pull_down_{name}": np.full(started.row.size, np.nan)
        for name in names
        for prefix in ("", "u:")
    }
    tried = np.flatnonzero(inside.sum(axis=1) >= _LEAST_BLOCKS)
    tried = tried[_bends_towards_a_level(duct[tried], inside[tried])]
    if not tried.size:
        return out
    aligned, known, first_s = _aligned(duct[tried], inside[tried], quiet_s[tried])
    both_fall = have_two_falling_parts(first_s, started.grid.block_s, aligned, known)
    tried = tried[both_fall]
    if not tried.size:
        return out
    aligned, known, first_s = aligned[both_fall], known[both_fall], first_s[both_fall]
    fit = fit_two_exponentials(first_s, started.grid.block_s, aligned, known)
    order = np.argsort(fit.values[:, [2, 4]], axis=1)
    values, errors = _in_order(fit.values, order), _in_order(fit.errors, order)
    rest_k = np.sqrt((fit.rest**2).sum(axis=1) / (inside[tried].sum(axis=1) - 5))
    span_s = np.where(inside[tried], quiet_s[tried], 0.0).max(axis=1)
    told = _may_be_told(values, errors, rest_k, span_s)
    for place, name in enumerate(names):
        is_time = name.endswith("_s")
        value = np.exp(values[:, place]) if is_time else values[:, place]
        error = value * errors[:, place] if is_time else errors[:, place]
        out[f"pull_down_{name}"][tried] = np.where(told, value, np.nan)
        out[f"u:pull_down_{name}"][tried] = np.where(told, error, np.nan)
    return out


def _bends_towards_a_level(duct: Floats, inside: Booleans) -> Booleans:
    """True means: it falls, and ever slower, as two parts that both fall must.

    By the means over the thirds of the stretch, with room for noise; a duct that the control
    holds, or that a sensor's lag lets fall late, needs no fit to be told apart.
    """
    third = 3 * (np.cumsum(inside, axis=1) - 1) // np.maximum(inside.sum(axis=1), 1)[:, None]
    first, second, last = (_mean_where(duct, inside & (third == place)) for place in range(3))
    fall = first - last
    is_slower = (first - second >= second - last) & (second - last >= -_ROOM_FOR_NOISE * fall)
    return np.asarray((fall >= _LEAST_FALL_FITTED_K) & is_slower)


def _aligned(values: Floats, inside: Booleans, since_s: Floats) -> tuple[Floats, Booleans, Floats]:
    """Values and what is inside, each test from its first block inside on; and when that is."""
    first = np.argmax(inside, axis=1)
    length = int((inside.shape[1] - np.argmax(inside[:, ::-1], axis=1) - first).max())
    place = first[:, None] + np.arange(length)[None, :]
    is_there = place < inside.shape[1]
    place = np.minimum(place, inside.shape[1] - 1)
    known = np.take_along_axis(inside, place, axis=1) & is_there
    return (
        np.where(known, np.take_along_axis(values, place, axis=1), 0.0),
        known,
        since_s[np.arange(first.size), first],
    )


def _in_order(parameters: Floats, order: NDArray[np.intp]) -> Floats:
    """Parameters with the faster part first: level, amplitude and constant of both parts."""
    parts = parameters[:, 1:].reshape(-1, 2, 2)
    sorted_parts = np.take_along_axis(parts, order[:, :, None], axis=1)
    return np.concatenate([parameters[:, :1], sorted_parts.reshape(-1, 4)], axis=1)


def _may_be_told(values: Floats, errors: Floats, rest_k: Floats, span_s: Floats) -> Booleans:
    amplitudes = values[:, [1, 3]] > _LEAST_SIGNIFICANCE * errors[:, [1, 3]]
    known = errors[:, [2, 4]] < _LARGEST_RELATIVE_ERROR
    reaches = span_s >= _LEAST_TIME_CONSTANTS * np.exp(values[:, 4])
    return np.asarray(
        amplitudes.all(axis=1) & known.all(axis=1) & reaches & (rest_k <= _LARGEST_REST_K)
    )


def times_of_fall(started: Started) -> Values:
    """Times to 63 and 90 % of the fall to the lowest half minute of the first 15, with errors."""
    duct, since_s = started.values("duct_air_c"), started.since_s
    is_before = (since_s < 0.0) & (since_s >= -30.0)
    inside = started.is_run & (since_s <= _LOOKED_AT_S)
    first = np.argmax(started.is_run, axis=1)
    at_start = duct[np.arange(first.size), first]
    before = _mean_where(duct, is_before)
    began = np.where(np.isfinite(before), before, at_start)
    lowest = _lowest_half_minute(np.where(inside, duct, np.nan), started.grid.block_s)
    fall = began - lowest
    has_run = (started.run_s >= _LEAST_RUN_S) & (fall >= _LEAST_FALL_K)
    noise = _noise(duct)
    # when within its block a sample was taken is not known, and between blocks the curve is bent
    within_s = started.grid.block_s / 2.0
    out: Values = {}
    for name, share in _SHARES.items():
        level = began - share * fall
        time_s, slope = _first_below(np.where(inside, duct, np.nan), since_s, level)
        # the level is known to the noise of half a minute at both ends
        by_level = np.hypot(1.0, share) * noise / np.maximum(np.abs(slope), _TINY_SLOPE)
        error = np.hypot(by_level, np.hypot(started.start_uncertainty_s, within_s))
        out[name] = np.where(has_run, time_s, np.nan)
        out[f"u:{name}"] = np.where(has_run, error, np.nan)
    return out


def temperatures_after(started: Started) -> Values:
    """Duct air 5 and 10 minutes after the start, with the error of its scatter."""
    duct = started.values("duct_air_c")
    out: Values = {}
    for name, after_s in _AFTER_S.items():
        near = started.is_run & (np.abs(started.since_s - after_s) <= _AFTER_WITHIN_S)
        near &= (started.run_s >= after_s)[:, None] & np.isfinite(duct)
        count = near.sum(axis=1)
        mean = _mean_where(duct, near)
        off = np.where(near, duct - mean[:, None], 0.0)
        error = np.sqrt((off**2).sum(axis=1) / np.maximum(count - 1, 1) / np.maximum(count, 1))
        is_told = count >= 3
        out[name] = np.where(is_told, mean, np.nan)
        out[f"u:{name}"] = np.where(is_told, error, np.nan)
    return out


def undershoot(started: Started) -> Values:
    """By how much the low side falls below what it comes back to, and when; 0 where it does not."""
    low = np.where(started.is_run, started.values("low_side_kpa"), np.nan)
    ahead = max(round(_RECOVERS_WITHIN_S / started.grid.block_s), 1)
    highest_later = np.full(low.shape, -np.inf)
    for lead in range(1, ahead + 1):
        later = np.full(low.shape, np.nan)
        later[:, :-lead] = low[:, lead:]
        highest_later = np.fmax(highest_later, later)
    filled = np.where(np.isfinite(low), low, np.inf)
    is_lowest = np.isfinite(low) & (filled <= np.minimum.accumulate(filled, axis=1))
    is_early = started.since_s <= _UNDERSHOOT_WITHIN_S
    rise = np.where(is_lowest & is_early, highest_later - filled, -np.inf)
    best = np.argmax(rise, axis=1)
    place = np.arange(best.size)
    size, noise = rise[place, best], _noise(started.values("low_side_kpa"))
    is_seen = size > np.maximum(_LEAST_UNDERSHOOT_KPA, 4.0 * noise)
    was_read = np.isfinite(size) & (started.run_s >= _UNDERSHOOT_WITHIN_S + _RECOVERS_WITHIN_S)
    within_s = started.grid.block_s / np.sqrt(12.0)
    return {
        "start_undershoot_kpa": np.where(was_read, np.where(is_seen, size, 0.0), np.nan),
        "u:start_undershoot_kpa": np.where(was_read, np.sqrt(2.0) * noise, np.nan),
        "start_undershoot_s": np.where(was_read & is_seen, started.since_s[place, best], np.nan),
        "u:start_undershoot_s": np.where(
            was_read & is_seen, np.hypot(within_s, started.start_uncertainty_s), np.nan
        ),
    }


def _mean_where(values: Floats, chosen: Booleans) -> Floats:
    use = chosen & np.isfinite(values)
    count = use.sum(axis=1)
    total = np.where(use, values, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _lowest_half_minute(values: Floats, block_s: float) -> Floats:
    """Lowest mean over about 30 s; NaN where no such stretch is known."""
    length = max(round(30.0 / block_s), 1)
    known = np.isfinite(values)
    sums = np.cumsum(np.pad(np.where(known, values, 0.0), ((0, 0), (1, 0))), axis=1)
    counts = np.cumsum(np.pad(known, ((0, 0), (1, 0))), axis=1)
    if sums.shape[1] <= length:
        return np.full(values.shape[0], np.nan)
    total, count = (array[:, length:] - array[:, :-length] for array in (sums, counts))
    means = np.where(count == length, total / length, np.inf)
    lowest = means.min(axis=1)
    return np.where(np.isfinite(lowest), lowest, np.nan)


def _first_below(values: Floats, time_s: Floats, level: Floats) -> tuple[Floats, Floats]:
    """When values first pass below a level (between blocks in proportion), and how steeply."""
    is_below = values <= level[:, None]
    place = np.arange(values.shape[0])
    at = np.argmax(is_below, axis=1)
    before = np.maximum(at - 1, 0)
    high, low = values[place, before], values[place, at]
    step_s = np.maximum(time_s[place, at] - time_s[place, before], 1e-9)
    slope = (low - high) / step_s
    is_between = (at > 0) & np.isfinite(high) & (high > low)
    back_s = np.where(is_between, (low - level) / np.where(is_between, slope, 1.0), 0.0)
    found = is_below[place, at] & (is_between | np.isfinite(low))
    return np.where(found, time_s[place, at] - back_s, np.nan), np.where(is_between, slope, 0.0)


def _noise(values: Floats) -> Floats:
    """Noise of a block mean, 1 sd, by second differences; 0 where too little is known."""
    second = np.abs(values[:, 2:] - 2.0 * values[:, 1:-1] + values[:, :-2])
    if second.shape[1] == 0:
        return np.zeros(values.shape[0])
    filled = np.where(np.isfinite(second), second, np.inf)
    count = np.isfinite(second).sum(axis=1)
    middle = np.sort(filled, axis=1)[
        np.arange(count.size), np.maximum(count // 2, 0) % filled.shape[1]
    ]
    return np.where(np.isfinite(middle), middle * _SECOND_DIFFERENCE_TO_SD, 0.0)
