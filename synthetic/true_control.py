"""What the control of a simulated car really did: its regime each second, its events.

Takes the stations of one test as the plant made them; nothing here looks at a sensor. A regime
is left open (empty) where the definition itself leaves room. Does not belong here: what can be
seen of it in a log, any score.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from synthetic.plant import cars as kinds

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from synthetic.plant.arrays import FloatArray

    Words = NDArray[np.str_]
    Booleans = NDArray[np.bool_]

# the definitions of the regimes
STARTING_S = 60
LONGEST_PAUSE_S = 30
LONGEST_PERIOD_S = 240
LEAST_CYCLES = 3
AT_LIMIT = 0.95
FALLING_K_PER_MIN = 0.5
_SLOPE_OVER_S = 60
_TAKES_OVER_S = 10
# a change of stroke or speed of so much of its range within so long is an event
EVENT_SHARE = 0.15
_STEP_WITHIN_S, _APART_S = 20, 30
# smaller ones down to this are listed too: who finds them is not wrong
_LEAST_SHARE = 0.05
# a step begins where the effort leaves its level, by so much within so long; a creep of less
# than this share of the step's own mean pace is a control at work and not yet the step
_LEAVES_SHARE, _LEAVES_WITHIN_S = 0.01, 5
_PACE_SHARE = 0.25
# a ramp quickens where it does so much more within so long than within as long before
_QUICKENS_SHARE, _QUICKENS_WITHIN_S = 0.05, 10
# the engine's speed counts as changed by so much within so long [rev/min, s]
_ENGINE_RPM, _ENGINE_WITHIN_S = 100.0, 10
# the high side answers within so long
_ANSWER_S = 40
# an act of the car this much earlier still moves the pressures
_STILL_MOVES_S = 30


@dataclass(frozen=True)
class Control:
    """One test, second by second: the kind of compressor and what its control did.

    `stroke` and `demand` from 0 to 1 (an electric compressor's speed share is its demand),
    `greatest` the stroke that this car can reach.
    """

    kind: int
    greatest: float
    is_engaged: Booleans
    stroke: FloatArray
    demand: FloatArray
    fan_stage: FloatArray
    duct_c: FloatArray
    high_side_kpa: FloatArray
    engine_rpm: FloatArray

    @property
    def effort(self) -> FloatArray:
        """How much of what it can do the compressor is asked for, 0 to 1."""
        if self.kind == kinds.FIXED_CLUTCH:
            return self.is_engaged.astype(np.float64)
        share = self.demand if self.kind == kinds.ELECTRIC else self.stroke / self.greatest
        return np.where(self.is_engaged, share, 0.0)


@dataclass(frozen=True)
class TrueEvent:
    """A change of the control: its kind, second, size (share of the range), high-side swing.

    `is_alone` unless another act of the car moves the pressures at the same time, so that
    nobody could say whose swing it is.
    """

    kind_code: str
    time_s: float
    size: float
    swing_kpa: float
    is_alone: bool = True


def true_regimes(control: Control) -> Words:
    """The regime of every second; empty where the definition leaves it open."""
    engaged = control.is_engaged
    is_cycling, is_open = _cycling(engaged)
    works = engaged | is_cycling
    regimes = np.full(engaged.size, "off", dtype="<U10")
    at_limit = control.effort >= AT_LIMIT
    regimes[works] = np.where(at_limit[works], "saturated", "regulating")
    regimes[is_cycling] = "cycling"
    for start, stop in _runs(_without_short_pauses(works)):
        _begin(regimes[start:stop], control, slice(start, stop), at_limit[start:stop])
    regimes[is_open] = ""
    return regimes


def _begin(regimes: Words, control: Control, run: slice, at_limit: Booleans) -> None:
    """The start and the pull-down of one run written into its regimes."""
    settled = _end_of_pull_down(control.duct_c[run], at_limit)
    is_first = np.arange(regimes.size)
    falls = (is_first < settled) & (regimes == "saturated")
    regimes[falls] = "pull_down"
    regimes[(is_first < STARTING_S) & (regimes != "cycling")] = "starting"


def _end_of_pull_down(duct_c: FloatArray, at_limit: Booleans) -> int:
    """First second after the start at which the control takes over or the air stays level."""
    half = _SLOPE_OVER_S // 2
    padded = np.concatenate(
        [np.full(half, duct_c[0]), duct_c, np.full(half, duct_c[-1])]
    )  # fmt: skip
    slope = (padded[2 * half :] - padded[: -2 * half]) * 60.0 / _SLOPE_OVER_S
    level = np.flatnonzero(slope[STARTING_S:] > -FALLING_K_PER_MIN)
    eased = [start for start, stop in _runs(~at_limit) if stop - start >= _TAKES_OVER_S]
    later = [start for start in eased if start >= STARTING_S] + [
        STARTING_S for start, stop in _runs(~at_limit) if start < STARTING_S < stop
    ]
    ends = [STARTING_S + int(level[0])] if level.size else []
    return min([*ends, *later, duct_c.size])


def _cycling(engaged: Booleans) -> tuple[Booleans, Booleans]:
    """Seconds of cycling, and seconds after a last start whose cycle was not seen to its end."""
    starts = np.flatnonzero(engaged[1:] & ~engaged[:-1]) + 1
    if engaged.size and engaged[0]:
        starts = np.concatenate([[0], starts])
    is_cycling, is_open = np.zeros(engaged.size, bool), np.zeros(engaged.size, bool)
    for chain in _chains(starts):
        if chain.size <= LEAST_CYCLES:
            continue
        # it begins with the first time that the control switches off
        first_off = int(chain[0]) + int(np.argmin(engaged[chain[0] :]))
        is_cycling[first_off : chain[-1]] = True
        longest = int(np.diff(chain).max())
        is_open[chain[-1] : chain[-1] + longest] = True
    return is_cycling, is_open


def _chains(starts: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    """Starts that follow each other within the longest period."""
    if not starts.size:
        return []
    return np.split(starts, np.flatnonzero(np.diff(starts) > LONGEST_PERIOD_S) + 1)


def _runs(flags: Booleans) -> list[tuple[int, int]]:
    """First and one-past-last place of every stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _without_short_pauses(works: Booleans) -> Booleans:
    filled = works.copy()
    for start, stop in _runs(~works):
        if start > 0 and stop < works.size and stop - start <= LONGEST_PAUSE_S:
            filled[start:stop] = True
    return filled


def true_events(control: Control) -> list[TrueEvent]:
    """Changes of the fan, of the clutch and of the compressor's effort, in order of time."""
    switched, fans, steps = _switchings(control), _fan_steps(control), _effort_steps(control)
    clutch_s = [event.time_s for event in switched]
    fan_s = [event.time_s for event in fans]
    acts_s = [*clutch_s, *fan_s, *_engine_changes_s(control)]
    found = [
        *(replace(event, is_alone=_is_alone(event, fan_s)) for event in switched),
        *(replace(event, is_alone=_is_alone(event, clutch_s)) for event in fans),
        *(replace(e, is_alone=e.is_alone and _is_alone(e, acts_s)) for e in steps),
    ]
    return sorted(found, key=lambda event: event.time_s)


def _is_alone(event: TrueEvent, others_s: list[float]) -> bool:
    return not any(-_STILL_MOVES_S <= other - event.time_s <= _ANSWER_S for other in others_s)


def _engine_changes_s(control: Control) -> list[float]:
    """Seconds at which the engine's speed is on its way from one level to another."""
    change = np.abs(control.engine_rpm[_ENGINE_WITHIN_S:] - control.engine_rpm[:-_ENGINE_WITHIN_S])
    return [float(second) + 1.0 for second in np.flatnonzero(change >= _ENGINE_RPM)]


def _switchings(control: Control) -> list[TrueEvent]:
    change = np.diff(control.is_engaged.astype(np.int8))
    return [
        TrueEvent(
            "compressor_on" if change[second] > 0 else "compressor_off",
            second + 1.0, 1.0, _swing(control, second + 1, rises=bool(change[second] > 0)),
        )
        for second in np.flatnonzero(change).tolist()
    ]  # fmt: skip


def _fan_steps(control: Control) -> list[TrueEvent]:
    change = np.diff(control.fan_stage)
    return [
        TrueEvent(
            "fan_up" if change[second] > 0 else "fan_down",
            second + 1.0, abs(float(change[second])) / 2.0,
            _swing(control, second + 1, rises=bool(change[second] < 0)),
        )
        for second in np.flatnonzero(change).tolist()
    ]  # fmt: skip


def _effort_steps(control: Control) -> list[TrueEvent]:
    """Quick changes of stroke or speed of a compressor that runs on."""
    effort = control.effort * (control.greatest if control.kind != kinds.ELECTRIC else 1.0)
    if control.kind == kinds.FIXED_CLUTCH or effort.size <= _STEP_WITHIN_S:
        return []
    change = effort[_STEP_WITHIN_S:] - effort[:-_STEP_WITHIN_S]
    runs_on = np.convolve(control.is_engaged, np.ones(2 * _APART_S + 1), "same") > 2 * _APART_S
    size = np.where(runs_on[: change.size], np.abs(change), 0.0)
    events: list[TrueEvent] = []
    while size.max() >= _LEAST_SHARE:
        place = int(size.argmax())
        step = float(change[place])
        begins = _beginning(effort, place, step)
        kind = "displacement_up" if step > 0 else "displacement_down"
        swing = _swing(control, begins, rises=step > 0)
        # a long ramp fills several such spans, but has set off once
        same = [event.time_s for event in events if event.kind_code == kind]
        if all(abs(begins - other_s) >= _APART_S for other_s in same):
            events.append(TrueEvent(kind, float(begins), abs(step), swing))
        size[max(0, place - _APART_S) : place + _APART_S] = 0.0
    return [*events, *_quickenings(control, effort, runs_on, events)]


def _quickenings(
    control: Control, effort: FloatArray, runs_on: Booleans, steps: list[TrueEvent]
) -> list[TrueEvent]:
    """Seconds at which a ramp that is under way quickens, away from the steps.

    The pressures bend there once more, so who tells one is not wrong; nobody has to, because
    the step has set off before: none of them is alone.
    """
    n = _QUICKENS_WITHIN_S
    change = effort[n:] - effort[:-n]
    events: list[TrueEvent] = []
    for kind, way in (("displacement_up", 1.0), ("displacement_down", -1.0)):
        along = way * change
        more = np.where((along[:-n] > 0.0) & runs_on[n : n + along.size - n], along[n:], 0.0)
        more = np.where(more > 0.0, more - along[:-n], 0.0)
        while more.size and more.max() >= _QUICKENS_SHARE:
            second = int(more.argmax()) + n
            more[max(0, second - n - _APART_S) : second - n + _APART_S] = 0.0
            same = [event.time_s for event in steps if event.kind_code == kind]
            if all(abs(second - other_s) >= n for other_s in same):
                size = float(along[second])
                swing = _swing(control, second, rises=way > 0.0)
                events.append(TrueEvent(kind, float(second), size, swing, is_alone=False))
    return events


def _beginning(effort: FloatArray, place: int, step: float) -> int:
    """The second at which the effort leaves its level towards the step found at `place`."""
    along = np.sign(step) * effort
    mean_pace = abs(step) * _LEAVES_WITHIN_S / _STEP_WITHIN_S
    leaves = max(_LEAVES_SHARE, _PACE_SHARE * mean_pace)
    moved = np.flatnonzero(along[place : place + _STEP_WITHIN_S] - along[place] >= leaves)
    begins = place + (int(moved[0]) if moved.size else 0)
    while begins >= _LEAVES_WITHIN_S and along[begins] - along[begins - _LEAVES_WITHIN_S] >= leaves:
        begins -= 1
    return begins


def _swing(control: Control, second: int, *, rises: bool) -> float:
    """How far the high side goes the event's way within the time of its answer [kPa]."""
    after = control.high_side_kpa[second : second + _ANSWER_S]
    before = float(control.high_side_kpa[max(0, second - 1)])
    return float(after.max() - before if rises else before - after.min())
