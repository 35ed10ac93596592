"""Clamps put on another line within the first minutes of work, when all lines are on their way.

A start moves every line, so a step then proves nothing by itself. What proves it is where the
clamp ends: in an order of lines that no circuit takes, or on the line of another clamp. Of such
tests each clamp is searched for a kink in its readings, sharper than any of the pressures'
at that moment, after it had begun to follow its first line. Gives `Departure`s like
`clamp_moves`. Does not belong here: moves later in the log (`clamp_moves`), clamps that were on
the wrong line from the start (`clamps`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from features.trust.clamp_grid import BLOCK_S, CLAMPS
from features.trust.clamp_moves import Departure, place_departure
from features.trust.clamps import (
    CONDENSER,
    DISCHARGE,
    EVAPORATOR,
    EXPANSION,
    REAR,
    SUCTION,
    broken_order_k,
)
from features.trust.step_fits import Suspected, refine_step

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.trust.clamp_grid import ClampGrid
    from features.trust.clamp_levels import ClampLevels
    from features.trust.ordered import Ordered
    from features.trust.step_fits import FittedStep

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

# a kink counts from so long after the start, when a clamp has begun to follow, to so long
_FROM_S, _TO_S = 10.0, 270.0
# change of slope between neighbouring stretches of so many seconds, as temperature [K]
_STRETCH_S = 10.0
_LEAST_KINK_K = 4.0
# the pressures' own kink at that moment, as saturation temperature, must be so much smaller
_OVER_PRESSURES = 1.3
_QUIET_K = 0.5
# readings that the step is fitted to, before and after the kink [s]
_FITTED_S = ((20.0, 60.0), (8.0, 40.0))
# the kinks that are looked into
_MOST_KINKS, _KINKS_APART_S = 3, 20.0
# the pressure that a line bends with; hot gas bends with both
_PRESSURES_OF = dict.fromkeys((SUCTION, EVAPORATOR, REAR), ("evaporating_c",))
_LEAST_STEP_K, _SLOWEST_S, _LEAST_EXPLAINED = 7.0, 24.0, 0.9
# and what is left of the step once the clamp has settled
_LEAST_LEFT_K = 5.0
# two clamps that agree so nearly at work, on lines that never do, sit on one line
_ONE_LINE_K = 2.0
# neighbours on one line part and meet as the car starts: for them the start itself must be over
_NEIGHBOURS_FROM_S = 45.0
_NEVER_ALIKE = tuple(
    (one, other)
    for one, others in (
        (DISCHARGE, (SUCTION, EVAPORATOR, REAR, CONDENSER, EXPANSION)),
        (CONDENSER, (SUCTION, EVAPORATOR, REAR)),
        (EXPANSION, (SUCTION, EVAPORATOR, REAR)),
    )
    for other in others
)
# and these where an internal heat exchanger stands between them
_APART_BY_EXCHANGER = ((SUCTION, EVAPORATOR), (CONDENSER, EXPANSION))
_BROKEN_K = 0.5


def find_early_moves(grid: ClampGrid, levels: ClampLevels, ordered: Ordered) -> list[Departure]:
    """Clamps moved while the car started, in tests whose lines end in an impossible order."""
    suspects = _suspects(grid, levels)
    found = []
    for test in np.flatnonzero(np.any(list(suspects.values()), axis=0)).tolist():
        moves = [
            move
            for name, is_suspect in suspects.items()
            if is_suspect[test] and (move := _search(grid, ordered, test, name)) is not None
        ]
        if moves:
            # one hand moves one clamp: that which bends furthest beyond the pressures
            found.append(max(moves, key=lambda move: move[0])[1])
    return found


def _suspects(grid: ClampGrid, levels: ClampLevels) -> dict[str, Booleans]:
    """For each clamp the tests in which it alone breaks the order, or sits on another's line."""
    at = {name: levels.of(name) for name in (*CLAMPS, "condensing_c", "evaporating_c")}
    at["ambient_c"] = levels.ambient_c(grid.noted("ambient_c"))
    is_broken = broken_order_k(at, levels.has_exchanger) > _BROKEN_K
    unknown = np.full(grid.n_tests, np.nan)
    found = {
        name: is_broken
        & (broken_order_k(at | {name: unknown}, levels.has_exchanger) <= _BROKEN_K)
        & np.isfinite(at[name])
        for name in CLAMPS
    }
    for one, other in (*_NEVER_ALIKE, *_APART_BY_EXCHANGER):
        is_alike = np.abs(at[one] - at[other]) < _ONE_LINE_K
        if (one, other) in _APART_BY_EXCHANGER:
            is_alike &= levels.has_exchanger
        found[one] |= is_alike
        found[other] |= is_alike
    return found


def _search(
    grid: ClampGrid, ordered: Ordered, test: int, name: str
) -> tuple[float, Departure] | None:
    """How far a clamp bends beyond the pressures and its move, None without one."""
    if name not in ordered.samples.columns:
        return None
    blocks = slice(int(grid.first[test]), int(grid.first[test + 1]))
    working_s = grid.start_s[blocks][np.isfinite(grid.since_start_s[blocks])]
    if working_s.size == 0:
        return None
    rows = ordered.samples[int(ordered.first[test]) : int(ordered.first[test + 1])]
    time_s = rows["time_s"].to_numpy() - rows["time_s"].to_numpy()[0]
    values = rows[name].cast(float).fill_null(np.nan).to_numpy()
    start_s = float(working_s[0])
    for near_s, beyond in _kinks(grid, blocks, start_s, (name, time_s, values)):
        fitted = _fitted(time_s, values, near_s)
        if fitted is None or fitted.moment_s < start_s + _FROM_S:
            continue
        before = float(np.interp(fitted.moment_s - 1.0, time_s, values))
        departure = place_departure(grid, (test, name), fitted, before)
        if departure is not None and _is_convincing(departure, fitted.moment_s - start_s):
            return beyond, departure
    return None


def _fitted(time_s: Floats, values: Floats, near_s: float) -> FittedStep | None:
    """The step at a kink, None unless a clamp on a pipe makes it."""
    first, then = np.interp((near_s - _STRETCH_S, near_s + _STRETCH_S), time_s, values)
    for is_up in (bool(then > first), bool(then <= first)):
        for span_s in _FITTED_S:
            fitted = refine_step(Suspected(time_s, values, near_s, is_up, span_s))
            if fitted is not None and _is_of_a_pipe(fitted):
                return fitted
    return None


def _is_convincing(departure: Departure, since_start_s: float) -> bool:
    """Whether the clamp stays away, and does not only meet the next clamp on its line."""
    pair = {departure.channel, departure.to_channel}
    if any(pair == set(neighbours) for neighbours in _APART_BY_EXCHANGER):
        return since_start_s >= _NEIGHBOURS_FROM_S
    return abs(departure.after_c - departure.before_c) >= _LEAST_LEFT_K


def _is_of_a_pipe(fitted: FittedStep) -> bool:
    return (
        abs(fitted.size_k) >= _LEAST_STEP_K
        and fitted.time_constant_s <= _SLOWEST_S
        and fitted.explained >= _LEAST_EXPLAINED
    )


def _kinks(
    grid: ClampGrid, blocks: slice, start_s: float, readings: tuple[str, Floats, Floats]
) -> list[tuple[float, float]]:
    """When readings bend beyond the pressures within the first minutes, and how far; most first.

    `readings`: channel, instants [s], values.
    """
    name, time_s, values = readings
    known = np.isfinite(values)
    until_s = min(start_s + _TO_S, float(time_s[-1]) - _FITTED_S[0][1] / 2.0)
    asked_s = np.arange(start_s + _FROM_S, until_s, 1.0)
    if np.count_nonzero(known) < asked_s.size / 4.0 or asked_s.size < _STRETCH_S:
        return []
    own = _bend(asked_s, time_s[known], values[known])
    shared = np.zeros(asked_s.size)
    middle_s = grid.start_s[blocks] + BLOCK_S / 2.0
    for pressure in _PRESSURES_OF.get(name, ("evaporating_c", "condensing_c")):
        level = grid.of(pressure)[blocks]
        is_known = np.isfinite(level)
        if np.count_nonzero(is_known) > 2:
            shared = np.fmax(shared, _bend(asked_s, middle_s[is_known], level[is_known]))
    beyond = np.where(own >= _LEAST_KINK_K, own / (_QUIET_K + _widest(shared)), 0.0)
    weight = np.where(beyond >= _OVER_PRESSURES, own * beyond, 0.0)
    found: list[tuple[float, float]] = []
    while len(found) < _MOST_KINKS and weight.max(initial=0.0) > 0.0:
        best = int(np.argmax(weight))
        found.append((float(asked_s[best]), float(weight[best])))
        weight[max(best - int(_KINKS_APART_S), 0) : best + int(_KINKS_APART_S)] = 0.0
    return found


def _bend(asked_s: Floats, time_s: Floats, values: Floats) -> Floats:
    """By how much each next stretch departs from the one before carried on [K]."""
    before, here, after = (
        np.interp(asked_s + by_s, time_s, values) for by_s in (-_STRETCH_S, 0.0, _STRETCH_S)
    )
    return np.abs(after - 2.0 * here + before)


def _widest(values: Floats) -> Floats:
    """The largest of each value and its neighbours within 3 s: clocks of sensors differ."""
    padded = np.pad(values, 3)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, 7).max(axis=1))
