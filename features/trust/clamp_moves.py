"""Clamps that leave their line in the middle of a log: put on another line, or fallen off.

Holds the rules `clamp_moved` and `clamp_off_line` where a log shows the moment. A step found
by `clamp_steps` is fitted, must last, and must end where no healthy or faulty circuit could
take that line; then its end decides: the value of another clamp at the pace of a pipe is a
move, the pace or the warmth of air is a clamp off its line. Does not belong here: clamps
that were wrong from the first reading (`clamps`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from features.channels import CHANNEL
from features.trust.clamp_grid import BLOCK_S, CLAMPS, ClampGrid
from features.trust.clamp_steps import BESIDE, Step, find_steps
from features.trust.step_fits import FittedStep, fit_steps

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.trust.ordered import Ordered

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

# of a clamp that fell: nothing else it can be told by, so more must be explained, and the clamp
# beside it must not go the same way in the end
_LEAST_EXPLAINED_FALL, _SHARED_BESIDE = 0.55, 0.4
# and of one that went to no line that is known
_LEAST_EXPLAINED_TO_NOWHERE = 0.9
# A clamp on a pipe follows within 5 to 15 s, one in the air much slower (common practice).
_SLOWEST_ON_PIPE_S, _USUAL_ON_PIPE_S = 24.0, 17.0
# Two clamps on one pipe agree within their contact and accuracy (common practice).
_SAME_LINE_K = 3.0
# and on a line as hot as that of the hot gas
_SAME_HOT_GAS_K = 6.0
# hot gas is never near the condensing temperature, but in a flooded compressor
_HOT_GAS_OVER_CONDENSING_K = 10.0
# a suction line this far over ambient air has the warmth of another line or of the hood
_WARM_SUCTION_OVER_AMBIENT_K = 2.0
# liquid carried over by a flooded evaporator cools a suction line to here
_WET_SUCTION_K = 3.0
# air around a car is not colder than ambient air, within two sensors and a contact
_AIR_OVER_AMBIENT_K = -3.0
# so far over the condensing temperature there is only hot gas, or air of a hot hood, which a
# clamp follows slower
_HOTTER_THAN_LIQUID_K, _HOTTER_AT_PACE_K = 8.0, 4.0
_HOT = "compressor_discharge_c"
# hot gas that warms a clamp on another line has itself risen by more
_HOT_GAS_SHARE = 1.2
# hot gas is never so far below condensing, nor a suction line twice as far above ambient air
_NEVER_THERE_K = 8.0
# a clamp on a pipe parts from it by no more in the minutes after it has settled
_GOES_ON_K = 5.0
_BEFORE_S, _AFTER_S = 75.0, 300.0
_FEWEST_BLOCKS = 5
# blocks of the moving mean that a clamp is seen against, a cycle of a clutch
_CYCLE_BLOCKS = 9
_REFERENCE = {
    "compressor_suction_c": "evaporating_c",
    "evaporator_outlet_c": "evaporating_c",
    "condenser_outlet_c": "condensing_c",
    "expansion_inlet_c": "condensing_c",
    "compressor_discharge_c": "condensing_c",
    "rear_evaporator_outlet_c": "evaporating_c",
}


@dataclass(frozen=True)
class Departure:
    """A clamp that left its line: test number, channel, moment [s], levels [degC], and where to.

    `to_channel` is the line it now sits on, None when it hangs in the air or nobody knows;
    `is_moved` tells a move from a fall; `is_certain`: no other station would fit.
    """

    test: int
    channel: str
    from_s: float
    before_c: float
    after_c: float
    is_moved: bool
    to_channel: str | None
    is_certain: bool


def find_departures(grid: ClampGrid, ordered: Ordered) -> list[Departure]:
    """All clamps that left their line while they were logged."""
    steps = find_steps(grid)
    return [
        departure
        for step, fitted in zip(steps, fit_steps(grid, ordered, steps), strict=True)
        if fitted is not None and (departure := _judge(grid, step, fitted)) is not None
    ]


def _judge(grid: ClampGrid, step: Step, fitted: FittedStep) -> Departure | None:
    span = slice(int(grid.first[step.test]), int(grid.first[step.test + 1]))
    since = grid.start_s[span] - fitted.moment_s
    works = grid.is_at_work[span] & np.isfinite(grid.of(step.channel)[span])
    settled_s = max(3.0 * fitted.time_constant_s, 15.0)
    left_s = float(np.max(since[works], initial=0.0))
    before = works & (since >= -_BEFORE_S) & (since <= -BLOCK_S)
    after = works & (since >= min(settled_s, 90.0, left_s / 2.0)) & (since <= _AFTER_S)
    if min(np.count_nonzero(before), np.count_nonzero(after)) < _FEWEST_BLOCKS:
        return None
    own = {name: grid.of(name)[span] for name in grid.values}
    if _is_warmed_by_hot_gas(own, step, fitted, (before, after)):
        return None
    if _was_elsewhere(own, step, before):
        return None
    is_alone = _warms_alone(grid, own, step)
    if not _lasts(own, step, before, after) or not (is_alone or _is_foreign(own, step, after)):
        return None
    is_moved, to_channel, is_certain = _where(own, step.channel, fitted, after)
    is_told = (
        (to_channel is not None or _is_sharp(fitted))
        if is_moved
        else _is_fall(own, step, fitted, (before, after))
    )
    if not is_told:
        return None
    return Departure(
        step.test,
        step.channel,
        fitted.moment_s,
        float(np.median(own[step.channel][before])),
        float(np.median(own[step.channel][after])),
        is_moved,
        to_channel,
        is_certain,
    )


def place_departure(
    grid: ClampGrid, at: tuple[int, str], fitted: FittedStep, before_c: float
) -> Departure | None:
    """A step with the line that it went to; None where that is none, or a usual one for it.

    `at`: test number and channel.
    """
    test, name = at
    span = slice(int(grid.first[test]), int(grid.first[test + 1]))
    since = grid.start_s[span] - fitted.moment_s
    works = grid.is_at_work[span] & np.isfinite(grid.of(name)[span])
    after = works & (since >= max(3.0 * fitted.time_constant_s, 15.0)) & (since <= _AFTER_S)
    if np.count_nonzero(after) < _FEWEST_BLOCKS:
        return None
    own = {each: grid.of(each)[span] for each in grid.values}
    step = Step(test, name, 0, fitted.size_k, 0.0)
    is_moved, to_channel, is_certain = _where(own, name, fitted, after)
    if not is_moved or not _is_foreign(own, step, after):
        return None
    if not _keeps_to(own, name, to_channel, after):
        return None
    after_c = float(np.median(own[name][after]))
    return Departure(
        test, name, fitted.moment_s, before_c, after_c, is_moved, to_channel, is_certain
    )


def _is_sharp(fitted: FittedStep) -> bool:
    """Whether a step that ends on no line that is known has the pace of a clamp, and no other."""
    is_pace_of_pipe = fitted.time_constant_s <= _SLOWEST_ON_PIPE_S
    return is_pace_of_pipe and fitted.explained >= _LEAST_EXPLAINED_TO_NOWHERE


def _keeps_to(own: dict[str, Floats], name: str, to_channel: str | None, after: Booleans) -> bool:
    """Whether a clamp stays by the line it went to; one in the air goes on for minutes."""
    reference = _REFERENCE.get(to_channel or name, "condensing_c")
    has_clamp = to_channel in own and np.isfinite(own[str(to_channel)][after]).any()
    beside = own[str(to_channel)] if has_clamp else _smooth(own[reference])
    quarters = np.array_split((own[name] - beside)[after], 4)
    went = abs(_median(quarters[-1]) - _median(quarters[0]))
    return not went > (_GOES_ON_K if has_clamp else 2.0 * _GOES_ON_K)


def _lasts(own: dict[str, Floats], step: Step, before: Booleans, after: Booleans) -> bool:
    """Whether the clamp keeps away from where it stood, as seen from its pressure."""
    over = own[step.channel] - _smooth(own[_REFERENCE[step.channel]])
    first, then = (over[each & np.isfinite(over)] for each in (before, after))
    if min(first.size, then.size) < _FEWEST_BLOCKS:
        return False
    if step.size_k > 0:
        return bool(np.quantile(then, 0.1) > np.quantile(first, 0.9))
    return bool(np.quantile(then, 0.9) < np.quantile(first, 0.1))


def _smooth(values: Floats) -> Floats:
    """Moving mean over the length of a cycle: a clamp follows those of its pressure but in part."""
    known = np.isfinite(values)
    weight = np.ones(min(_CYCLE_BLOCKS, values.size))
    count = np.convolve(known.astype(np.float64), weight, "same")
    total = np.convolve(np.where(known, values, 0.0), weight, "same")
    return np.where(count > 0.0, total / np.maximum(count, 1.0), np.nan)


def _is_fall(
    own: dict[str, Floats], step: Step, fitted: FittedStep, around: tuple[Booleans, Booleans]
) -> bool:
    """Whether a clamp that went nowhere in particular left its line, and not the line its state."""
    if fitted.explained < _LEAST_EXPLAINED_FALL:
        return False
    beside = own.get(BESIDE[step.channel])
    if beside is None:
        return True
    went, beside_went = (
        _median(each[around[1]]) - _median(each[around[0]]) for each in (own[step.channel], beside)
    )
    return not beside_went / went > _SHARED_BESIDE


def _is_warmed_by_hot_gas(
    own: dict[str, Floats], step: Step, fitted: FittedStep, around: tuple[Booleans, Booleans]
) -> bool:
    """Whether a clamp on the liquid line only goes up slowly with the hot gas that it touches."""
    is_liquid = _REFERENCE[step.channel] == "condensing_c" and step.channel != _HOT
    if not is_liquid or step.size_k < 0.0 or _HOT not in own:
        return False
    before, after = (_median(own[_HOT][each]) for each in around)
    level = own[step.channel][around[1]]
    is_between = (
        _median(level - own["condensing_c"][around[1]]) > 0.0
        and after - _median(level) > _SAME_LINE_K
    )
    is_slow = fitted.time_constant_s > _SLOWEST_ON_PIPE_S
    # what is warmed so goes on for as long as a slow fall does, beyond the step itself
    rose = max(step.size_k, _median(level) - _median(own[step.channel][around[0]]))
    return (is_slow or is_between) and bool(after - before > _HOT_GAS_SHARE * rose)


def _median(values: Floats) -> float:
    """Median of what is known; NaN without anything."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def _was_elsewhere(own: dict[str, Floats], step: Step, before: Booleans) -> bool:
    """Whether a clamp did not sit on its line before either: then it did not leave it now."""
    level = own[step.channel][before]
    if step.channel == _HOT:
        return bool(_median(level - own["condensing_c"][before]) < -_NEVER_THERE_K)
    if _REFERENCE[step.channel] == "condensing_c" or "ambient_air_c" not in own:
        return False
    return bool(_median(level - own["ambient_air_c"][before]) > 2.0 * _NEVER_THERE_K)


def _is_foreign(own: dict[str, Floats], step: Step, after: Booleans) -> bool:
    """Whether the new level is one that the circuit alone would hardly give to that line."""
    level = own[step.channel][after]
    if step.channel == "compressor_discharge_c":
        over = _median(level - own["condensing_c"][after])
        return bool(step.size_k < 0 and over < _HOT_GAS_OVER_CONDENSING_K)
    if step.channel != "compressor_suction_c":
        return True
    if step.size_k < 0:
        over = _median(level - own["evaporating_c"][after])
        return bool(over > _WET_SUCTION_K)
    if "ambient_air_c" not in own:
        return True
    return not _median(level - own["ambient_air_c"][after]) < _WARM_SUCTION_OVER_AMBIENT_K


def _warms_alone(grid: ClampGrid, own: dict[str, Floats], step: Step) -> bool:
    """Whether a suction line warms that nothing warms: no exchanger, and a clamp upstream.

    That the clamp upstream does not share the step is asked elsewhere.
    """
    has_exchanger = grid.context["internal_heat_exchanger"][step.test]
    is_known = BESIDE[step.channel] in own and np.isfinite(own[BESIDE[step.channel]]).any()
    return (
        step.channel == "compressor_suction_c"
        and step.size_k > 0.0
        and has_exchanger is False
        and bool(is_known)
    )


def _where(
    own: dict[str, Floats], channel: str, fitted: FittedStep, after: Booleans
) -> tuple[bool, str | None, bool]:
    """Whether the clamp was moved, to which line, and whether that is certain."""
    level = own[channel][after]
    is_pace_of_pipe = fitted.time_constant_s <= _SLOWEST_ON_PIPE_S
    apart = {
        name: abs(_median(level - own[name][after]))
        for name in CLAMPS
        if name != channel and name in own and np.isfinite(own[name][after]).any()
    }
    nearest = min(apart, key=lambda name: apart[name], default=None)
    # a clamp in the air of a mild hood passes for one on a liquid line, but for its pace
    is_slow = fitted.time_constant_s > _USUAL_ON_PIPE_S
    agree_k = _SAME_LINE_K / 2.0 if is_slow else _SAME_LINE_K
    if is_pace_of_pipe and nearest is not None and apart[nearest] <= agree_k:
        return True, nearest, True
    over_k = _median(level - own["condensing_c"][after])
    is_hot = over_k > (_HOTTER_AT_PACE_K if is_pace_of_pipe else _HOTTER_THAN_LIQUID_K)
    # one that only touches the hot gas line, or hangs in a hot hood, is not where its clamp is
    if is_hot and channel != _HOT and not apart.get(_HOT, 0.0) > _SAME_HOT_GAS_K:
        return True, _HOT, nearest != _HOT
    unlogged = [name for name in CLAMPS if name != channel and name not in apart]
    fitting = [name for name in unlogged if _would_fit(own, name, channel, after)]
    air = own.get("ambient_air_c")
    is_colder_than_air = air is not None and _median(level - air[after]) < _AIR_OVER_AMBIENT_K
    if is_pace_of_pipe and len(fitting) == 1:
        return True, fitting[0], is_colder_than_air or "condenser" not in fitting[0]
    return is_colder_than_air, None, False


def _would_fit(own: dict[str, Floats], name: str, channel: str, after: Booleans) -> bool:
    """Whether the level lies where a line without a clamp must lie, between its neighbours."""

    def over(other: str) -> float:
        if other not in own or not np.isfinite(own[other][after]).any():
            return np.nan
        return _median(own[channel][after] - own[other][after])

    rules = {
        "compressor_suction_c": over("evaporator_outlet_c") > 4.0 and over("condensing_c") < -10.0,
        "compressor_discharge_c": over("condensing_c") > _HOT_GAS_OVER_CONDENSING_K,
        "condenser_outlet_c": over("condensing_c") < 1.0 and over("expansion_inlet_c") > -1.0,
        "expansion_inlet_c": over("condenser_outlet_c") < 1.0 and over("evaporating_c") > 15.0,
        "evaporator_outlet_c": -2.0 < over("evaporating_c") < 15.0
        and over("compressor_suction_c") < 1.0,
        "rear_evaporator_outlet_c": False,
    }
    return bool(rules[name])


def moved_sentence(departure: Departure, *, is_relabelled: bool) -> str:
    """What the note of a moved clamp says."""
    fate = (
        f"readings from then on count as {_words(departure.to_channel)}"
        if is_relabelled
        else "readings from then on are not used"
    )
    return (
        f"moved at {departure.from_s:.0f} s from {_words(departure.channel)} "
        f"({departure.before_c:.1f} degC) to {_words(departure.to_channel)} "
        f"({departure.after_c:.1f} degC), which no pressure and no clamp beside it shared; "
        f"{fate}. Leave clamps where they are while logging, or start a new log"
    )


def fallen_sentence(departure: Departure) -> str:
    """What the note of a fallen clamp says."""
    return (
        f"left its line at {departure.from_s:.0f} s: from {departure.before_c:.1f} to "
        f"{departure.after_c:.1f} degC, while pressures and the clamp beside it went on as "
        "before; readings from then on are not used. Clamp it again on clean pipe, insulate "
        "it, and repeat the test"
    )


def _words(channel: str | None) -> str:
    if channel is None:
        return "a line that cannot be told"
    return CHANNEL[channel].meaning.split(",")[0]
