"""Hunting: how far the superheat swings by itself, and in which period.

A hunting expansion valve swings the superheat in 20 to 120 s (common practice, no source).
Takes grids of blocks with the superheat; looks at the longest settled stretch, without its
straight-line trend. Does not belong here: reading windows over swings (`swings`), what
counts as a fault.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.block_grids import Grid

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]
    Values = dict[str, Floats]

SUPERHEAT = "superheat_k"
_LEAST_S = 180.0
_SHORTEST_S, _LONGEST_S = 20.0, 120.0
# The first peak of the autocorrelation must stand this high, and stand out of what noise of so
# few values makes: 1 / sqrt(n) is its standard deviation (tuning values).
_LEAST_PEAK = 0.3
_NOISE_MULTIPLE = 2.5
# A swing follows from block to block; noise does not (as in `swings`).
_LEAST_LAG_ONE = 0.25
# Events as regular as the swing make it, not the valve.
_SAME_PERIOD = 0.3
_LOW, _HIGH = 0.05, 0.95
# A smaller swing has no period worth telling (tuning value).
_LEAST_SWING_K = 0.5
# What the noise of two sensors makes of a block mean at the slowest sampling (tuning value).
_NOISE_K = 0.15


def hunting(grid: Grid, events: pl.DataFrame) -> Values:
    """Half the 5 to 95 % range of the superheat, and the period where it has one.

    `grid` needs `superheat_k`, null outside settled regimes. The period is null where there is
    none, and where control events come with it.
    """
    superheat = grid.values.get(SUPERHEAT, np.full((grid.n_tests, 1), np.nan))
    first, length = _longest_run(np.isfinite(superheat))
    names = ("superheat_swing_k", "superheat_hunting_s")
    out = {f"{u}{name}": np.full(grid.n_tests, np.nan) for name in names for u in ("", "u:")}
    tests = np.flatnonzero(length * grid.block_s >= _LEAST_S)
    if not tests.size:
        return out
    values, inside = _detrended(superheat[tests], first[tests], length[tests])
    period_s, peak = _period(values, inside, grid.block_s)
    n_seconds = np.asarray(length[tests] * grid.block_s, dtype=np.float64)
    by_events = _is_made_by_events(
        grid, tests, (first[tests].astype(np.float64) * grid.block_s, n_seconds), period_s, events
    )
    period_s = np.where(by_events, np.nan, period_s)
    # blocks even out part of a fast swing: the mean of a sine over a step is sin(x) / x of it
    half = np.pi * grid.block_s / np.where(np.isfinite(period_s), period_s, np.inf)
    swing = _half_range(values, inside) / np.where(
        half > 0, np.sin(half) / np.maximum(half, 1e-9), 1.0
    )
    period_s = np.where(swing >= _LEAST_SWING_K, period_s, np.nan)
    out["superheat_swing_k"][tests] = swing
    by_length = swing / np.sqrt(4.0 * n_seconds / _LONGEST_S)
    out["u:superheat_swing_k"][tests] = np.hypot(by_length, _NOISE_K)
    out["superheat_hunting_s"][tests] = period_s
    # what is not the swing shifts each turn of it; turns are independent
    jitter = np.sqrt(np.maximum(1.0 - peak**2, 0.0)) / (2.0 * np.pi)
    turns = np.maximum(n_seconds / period_s, 1.0)
    out["u:superheat_hunting_s"][tests] = period_s * np.hypot(
        jitter / np.sqrt(turns), 0.1 * grid.block_s / period_s
    )
    return out


def _longest_run(known: Booleans) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First place and length of the longest run of True in every row."""
    place = np.arange(known.shape[1])
    last_unknown = np.maximum.accumulate(np.where(known, -1, place), axis=1)
    length = np.where(known, place - last_unknown, 0)
    end = np.argmax(length, axis=1)
    longest = length[np.arange(end.size), end]
    return end - longest + 1, longest


def _detrended(
    values: Floats, first: NDArray[np.int64], length: NDArray[np.int64]
) -> tuple[Floats, Booleans]:
    """The runs from their first place on, without mean and straight line; 0 behind their end."""
    step = np.arange(int(length.max()))[None, :]
    inside = step < length[:, None]
    place = np.minimum(first[:, None] + step, values.shape[1] - 1)
    run = np.where(inside, np.take_along_axis(values, place, axis=1), 0.0)
    count = length[:, None].astype(np.float64)
    along = np.where(inside, step - (count - 1.0) / 2.0, 0.0)
    mean = run.sum(axis=1, keepdims=True) / count
    slope = (along * run).sum(axis=1, keepdims=True) / (along**2).sum(axis=1, keepdims=True)
    return np.where(inside, run - mean - slope * along, 0.0), inside


def _period(values: Floats, inside: Booleans, block_s: float) -> tuple[Floats, Floats]:
    """Lag of the first peak of the autocorrelation behind its first trough, and its height."""
    count = inside.sum(axis=1)
    furthest = min(int(_LONGEST_S / block_s) + 2, values.shape[1] - 1)
    variance = (values**2).sum(axis=1) / count
    safe = np.where(variance > 0, variance, 1.0)
    lags = [
        (values[:, lag:] * values[:, : values.shape[1] - lag]).sum(axis=1)
        / np.maximum(count - lag, 1)
        / safe
        for lag in range(furthest + 1)
    ]
    acf = np.stack(lags, axis=1)
    lag = np.arange(1, furthest)
    is_peak = (acf[:, 1:-1] >= acf[:, :-2]) & (acf[:, 1:-1] > acf[:, 2:])
    is_behind = np.minimum.accumulate(acf, axis=1)[:, 1:-1] < 0.0
    in_range = (lag * block_s >= _SHORTEST_S) & (lag * block_s <= _LONGEST_S)
    least = np.maximum(_LEAST_PEAK, _NOISE_MULTIPLE / np.sqrt(count))[:, None]
    found = is_peak & is_behind & in_range & (acf[:, 1:-1] > least)
    at = np.argmax(found, axis=1) + 1
    place = np.arange(at.size)
    left, middle, right = (acf[place, at + shift] for shift in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    is_told = found.any(axis=1) & (acf[:, 1] >= _LEAST_LAG_ONE) & (2 * at <= count)
    return np.where(is_told, (at + shift) * block_s, np.nan), np.clip(middle, 0.0, 1.0)


def _half_range(values: Floats, inside: Booleans) -> Floats:
    """Half the distance from the 5 to the 95 % point of each run."""
    order = np.sort(np.where(inside, values, np.inf), axis=1)
    last = inside.sum(axis=1) - 1.0
    place = np.arange(last.size)
    points = []
    for share in (_LOW, _HIGH):
        at = share * last
        below = np.floor(at).astype(np.int64)
        above = np.minimum(below + 1, last.astype(np.int64))
        part = at - below
        points.append(order[place, below] * (1.0 - part) + order[place, above] * part)
    return np.asarray((points[1] - points[0]) / 2.0)


def _is_made_by_events(
    grid: Grid,
    tests: NDArray[np.int64],
    span_s: tuple[Floats, Floats],
    period_s: Floats,
    events: pl.DataFrame,
) -> Booleans:
    """True means: events of one kind follow each other in the period, or in half of it."""
    if not np.isfinite(period_s).any():
        return np.zeros(tests.size, dtype=np.bool_)
    from_s = grid.start_s[tests] + span_s[0]
    stretches = pl.DataFrame(
        {
            "test_number": grid.test_number[tests],
            "from_s": from_s,
            "to_s": from_s + span_s[1],
            "period_s": period_s,
        },
        schema_overrides={"test_number": events.schema["test_number"]},
    )
    gap_s = (pl.col("time_s").max() - pl.col("time_s").min()) / (pl.len() - 1)
    ratio = pl.col("gap_s") / pl.col("period_s")
    is_near = ((ratio - 1.0).abs() < _SAME_PERIOD) | ((ratio - 0.5).abs() < _SAME_PERIOD / 2.0)
    regular = (
        events.join(stretches.fill_nan(None).drop_nulls(), on="test_number")
        .filter(pl.col("time_s").is_between(pl.col("from_s"), pl.col("to_s")))
        .group_by("test_number", "kind_code")
        .agg(gap_s=gap_s, n=pl.len(), period_s=pl.col("period_s").first())
        .filter((pl.col("n") >= 2) & is_near)
    )
    return np.isin(grid.test_number[tests], regular["test_number"].to_numpy())
