"""Events that the two pressures betray where no command was logged: compressor, fan, stroke.

The bends of both sides tell them apart (common practice, no source): a compressor that starts
or does more pulls the low side down and pushes the high side up, one that stops or does less
the opposite; a condenser fan bends the high side and leaves the low side alone or takes it
a little along. Bends are those of the logarithms, in percent per second, so that a cold car
and a hot one answer alike. A bend that only lets a movement level off is no event. Takes the
event grid and gives one row per edge. Does not belong here: the broken line (`knees`),
commands (`command_steps`, `grid_moves`).

What cannot be told: a fan that is switched in the same seconds as the compressor; a stroke
that the control changes so slowly, or whose low side it holds so well, that no side bends;
which of stroke, speed and engine it was, where no speed is logged.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.knees import SIDE_CELLS, Knees, find_knees, peaks

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.event_grid import EventGrid
    from features.settings import DerivationSettings

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]
    Integers = NDArray[np.int64]

EDGES_SCHEMA = {
    "test_number": pl.UInt32(),
    "time_s": pl.Float64(),
    "is_rise": pl.Boolean(),
    "strength": pl.Float64(),
}

# Shares of a bend of the pressure ratio that each side must carry (tuning values).
_COMPRESSOR_LOW_SHARE, _COMPRESSOR_HIGH_SHARE = 0.25, 0.05
# Afterwards the movement must go the bend's way, by so much of the bend (tuning values).
_GOES_ON_COMPRESSOR, _GOES_ON_STROKE, _GOES_ON_FAN = 0.3, 0.3, 0.1
# The low side under a fan, as share of the high side's bend (tuning values): along, and
# against it; more so where the stroke is fixed and cannot be what bends the low side.
_FAN_LOW_ALONG, _FAN_LOW_AGAINST = 0.8, 0.5
_FAN_LOW_AGAINST_STIRRED, _FAN_LOW_AGAINST_FIXED = 0.25, 1.0
# While the circuit stirs, a bend of the high side is a fan from here on; a smaller one only
# where the low side stays, by these shares of the bend (tuning values).
_SURELY_A_FAN_PCT_PER_S = 1.4
_LOW_SIDE_SETTLES, _LOW_SIDE_TURNS = 0.5, 0.1
# With a circuit at rest both sides are equal; a pump that starts finds them nearly so.
_RATIO_AT_REST = 1.3
# After a stop the pressure ratio loses on and on of what it was over 1: in each part of this
# length, and so much altogether (tuning values).
_EQUALISING_PART_S, _EQUALISING_PARTS, _LEAST_EQUALISING_PARTS = 10.0, 8, 4
_EQUALISED_SHARE = 0.75
# In the second half of them it still loses this share (tuning value).
_STILL_LOST_SHARE = 0.05
# A belt that stands drives no compressor.
_STANDING_RPM = 300.0
# From here on a bend is a clutch, if it is not known what compressor it is (tuning value).
_SURELY_A_SWITCH_PCT_PER_S = 5.0
# The bend sits before the moment of a sudden step by about this much: the line is broken at
# the corner of the answer, which a step at the middle of its side draws forward.
_STEP_LAG_CELLS = 1.0
_REACH_CELLS = 3
# A stroke moves slowly: its knee is sought with 20 s on either side, and lies so long after
# the stroke has set off, up and down, unless the short knee bends by so much more (tuning
# values).
_STROKE_SIDE_CELLS = 8
_SET_OFF_BEFORE_S = (2.5, 5.0)
_ABRUPT_SHARE = 1.25
# The low side must go on the way it bends: levelling off is the charge that settles.
_LOW_GOES_ON = 0.0
_CLUTCH_REACH_CELLS = 2


@dataclass(frozen=True)
class PressureKnees:
    """Bends of both sides and of their ratio, of every cell, in percent per second."""

    grid: EventGrid
    high: Knees
    low: Knees
    pressure_ratio: Floats
    slow_high: Knees
    slow_low: Knees

    @property
    def ratio_bend(self) -> Floats:
        """Bend of the logarithm of the pressure ratio."""
        return self.high.bend - self.low.bend

    @property
    def ratio_after(self) -> Floats:
        """Its slope afterwards."""
        return self.high.slope_after - self.low.slope_after

    @property
    def ratio_error(self) -> Floats:
        """Standard error of its bend."""
        return np.hypot(self.high.standard_error, self.low.standard_error)


def pressure_knees(grid: EventGrid) -> PressureKnees | None:
    """The bends of both pressures; None where one of them is not logged at all."""
    if not {"low_side_kpa", "high_side_kpa"} <= grid.values.keys():
        return None
    high, low = grid.values["high_side_kpa"], grid.values["low_side_kpa"]
    logs = [100.0 * np.log(np.where(side > 0.0, side, np.nan)) for side in (high, low)]
    ratio = np.where(low > 0.0, high, np.nan) / np.where(low > 0.0, low, np.nan)
    high_knees, low_knees = (
        find_knees(grid, side, (SIDE_CELLS, _STROKE_SIDE_CELLS)) for side in logs
    )
    return PressureKnees(grid, high_knees[0], low_knees[0], ratio, high_knees[1], low_knees[1])


def compressor_edges(
    knees: PressureKnees, is_fixed: Floats, settings: DerivationSettings
) -> pl.DataFrame:
    """Starts (rises) and stops of the compressor by both pressures.

    `is_fixed` of every cell: 1 a compressor that only a clutch can switch, 0 one that changes
    its stroke or speed, NaN not known.
    """
    bend = knees.ratio_bend
    least = np.fmax(
        settings.least_compressor_bend_pct_per_s, settings.edge_noise_multiple * knees.ratio_error
    )
    strength = np.abs(bend) / least
    is_edge = _is_opposed(knees) & _goes_on(knees.ratio_after, bend, _GOES_ON_COMPRESSOR)
    place = peaks(np.where(is_edge & (strength >= 1.0), strength, 0.0), _CLUTCH_REACH_CELLS)
    place = place[_is_switched(knees, place, is_fixed[place])]
    delay_s = _STEP_LAG_CELLS * knees.grid.cell_s
    return _edges(knees.grid, place, bend, strength, delay_s=delay_s)


def fan_edges(
    knees: PressureKnees,
    is_stirred: Booleans,
    is_fixed: Floats,
    settings: DerivationSettings,
) -> pl.DataFrame:
    """Rises (fan down) and falls (fan up) of the high side that only a fan explains.

    `is_stirred` of every cell: the first minute after a start, when the charge finds its
    place, and the seconds after the engine speed has changed. The circuit then bends by
    itself, and a fan must do more to be seen.
    """
    bend, low = knees.high.bend, knees.low.bend * np.sign(knees.high.bend)
    least = np.fmax(
        np.where(
            is_stirred,
            settings.least_fan_bend_at_start_pct_per_s,
            settings.least_fan_bend_pct_per_s,
        ),
        settings.edge_noise_multiple * knees.high.standard_error,
    )
    strength = np.abs(bend) / least
    noise = 3.0 * knees.low.standard_error
    against = np.where(is_stirred, _FAN_LOW_AGAINST_STIRRED, _FAN_LOW_AGAINST)
    against = np.where(is_fixed == 1.0, _FAN_LOW_AGAINST_FIXED, against)
    is_alone = (low >= -np.fmax(against * np.abs(bend), noise)) & (
        low <= np.fmax(_FAN_LOW_ALONG * np.abs(bend), noise)
    )
    is_edge = is_alone & _goes_on(knees.high.slope_after, bend, _GOES_ON_FAN)
    is_edge &= ~is_stirred | (np.abs(bend) >= _SURELY_A_FAN_PCT_PER_S) | _low_side_stays(knees)
    place = peaks(np.where(is_edge & (strength >= 1.0), strength, 0.0), _REACH_CELLS)
    return _edges(knees.grid, place, bend, strength)


def _low_side_stays(knees: PressureKnees) -> Booleans:
    """Whether the low side neither falls with the high side nor turns against it for long.

    A charge that finds its place moves both sides on; a control that takes the stroke back
    turns the low side more slowly than the high side.
    """
    bend, slow = knees.high.bend, knees.slow_high.bend
    along = knees.low.slope_after * np.sign(bend) <= _LOW_SIDE_SETTLES * np.abs(bend)
    against = knees.slow_low.bend * np.sign(slow) >= -_LOW_SIDE_TURNS * np.abs(slow)
    return np.asarray(along & against)


def stroke_edges(
    knees: PressureKnees, is_fixed: Floats, settings: DerivationSettings
) -> pl.DataFrame:
    """More (rises) and less of a running compressor whose stroke or speed may change."""
    high, low = knees.slow_high, knees.slow_low
    bend = high.bend - low.bend
    sign = np.sign(bend)
    weaker = np.fmin(sign * high.bend, -sign * low.bend)
    error = np.fmax(high.standard_error, low.standard_error)
    least = np.fmax(settings.least_stroke_bend_pct_per_s, settings.edge_noise_multiple * error)
    strength = weaker / least
    after = high.slope_after - low.slope_after
    is_edge = _goes_on(after, bend, _GOES_ON_STROKE) & ~(is_fixed == 1.0)
    is_edge &= _goes_on(low.slope_after, low.bend, _LOW_GOES_ON)
    runs = knees.pressure_ratio >= _RATIO_AT_REST
    size = np.where(is_edge & runs & (strength >= 1.0), np.abs(bend), 0.0)
    return _set_off(_edges(knees.grid, peaks(size, _STROKE_SIDE_CELLS), bend, strength), knees)


def _set_off(edges: pl.DataFrame, knees: PressureKnees) -> pl.DataFrame:
    """The edges at the moment at which the stroke set off.

    A stroke sets off slowly, and the long knee sits where it is well under way; an abrupt one
    bends the short knee harder, which then has the moment.
    """
    grid = knees.grid
    place = grid.places(
        edges["test_number"].to_numpy().astype(np.int64), edges["time_s"].to_numpy()
    )
    around = place[:, None] + np.arange(-_REACH_CELLS - 1, _REACH_CELLS + 2)
    short = np.nan_to_num(np.abs(knees.ratio_bend[np.clip(around, 0, grid.test.size - 1)]))
    slow = np.abs(knees.slow_high.bend[place] - knees.slow_low.bend[place])
    is_abrupt = np.max(short, axis=1, initial=0.0) >= _ABRUPT_SHARE * slow
    corner_s = grid.time_s[place] + (np.argmax(short, axis=1) - _REACH_CELLS - 1) * grid.cell_s
    up, down = _SET_OFF_BEFORE_S
    before_s = np.where(edges["is_rise"].to_numpy(), up, down)
    return edges.with_columns(
        time_s=pl.Series(np.where(is_abrupt, corner_s, grid.time_s[place] - before_s))
    )


def _is_opposed(knees: PressureKnees) -> Booleans:
    bend = knees.ratio_bend
    sign, size = np.sign(bend), np.abs(bend)
    is_low = -sign * knees.low.bend >= _COMPRESSOR_LOW_SHARE * size
    return np.asarray(is_low & (sign * knees.high.bend >= _COMPRESSOR_HIGH_SHARE * size))


def _goes_on(after: Floats, bend: Floats, share: float) -> Booleans:
    return np.asarray(after * np.sign(bend) > share * np.abs(bend))


def _is_switched(knees: PressureKnees, place: Integers, is_fixed: Floats) -> Booleans:
    """Whether each bend is a start or a stop and not only more or less of a stroke."""
    bend = knees.ratio_bend[place]
    before = knees.pressure_ratio[np.maximum(place - _REACH_CELLS, 0)]
    is_sure = np.abs(bend) >= _SURELY_A_SWITCH_PCT_PER_S
    from_rest = (bend > 0.0) & (before < _RATIO_AT_REST)
    to_rest = (bend < 0.0) & (_equalises(knees, place) | _engine_stands(knees.grid, place))
    return np.asarray((is_fixed == 1.0) | is_sure | from_rest | to_rest)


def _engine_stands(grid: EventGrid, place: Integers) -> Booleans:
    if "engine_rpm" not in grid.values:
        return np.zeros(place.size, dtype=np.bool_)
    soon = np.minimum(place + grid.cells(_EQUALISING_PART_S), grid.last_cell(place))
    return np.asarray(grid.values["engine_rpm"][soon] < _STANDING_RPM)


def _equalises(knees: PressureKnees, place: Integers) -> Booleans:
    """Whether both sides then draw near each other on and on, as only without a pump.

    A control that takes the stroke back stops at a new level, or turns.
    """
    grid = knees.grid
    steps = np.arange(1, _EQUALISING_PARTS + 1) * grid.cells(_EQUALISING_PART_S)
    later = np.minimum(place[:, None] + steps, grid.last_cell(place)[:, None])
    excess = _around(knees.pressure_ratio, grid, later) - 1.0
    at_stop = knees.pressure_ratio[np.maximum(place - 1, 0)] - 1.0
    # a log that ends meanwhile is asked as far as it goes, if it goes far enough
    is_over = np.diff(later, axis=1) == 0
    falls_on = np.all((np.diff(excess, axis=1) < 0.0) | is_over, axis=1)
    low = _around(grid.values["low_side_kpa"], grid, later)
    rises_on = np.all((np.diff(low, axis=1) > 0.0) | is_over, axis=1)
    is_long = later[:, _LEAST_EQUALISING_PARTS - 1] == place + steps[_LEAST_EQUALISING_PARTS - 1]
    has_lost = excess[:, -1] < _EQUALISED_SHARE * at_stop
    # a stroke that was taken back draws near its new level; a circuit at rest goes on
    half = _LEAST_EQUALISING_PARTS - 1
    share = (later[:, -1] - later[:, half]) / (steps[-1] - steps[half])
    goes_on = excess[:, half] - excess[:, -1] >= _STILL_LOST_SHARE * share * at_stop
    return np.asarray(falls_on & rises_on & is_long & has_lost & goes_on)


def _around(values: Floats, grid: EventGrid, place: Integers) -> Floats:
    """Mean of three cells, so that no single reading breaks what goes on and on."""
    last = grid.last_cell(place)
    cells = np.stack([place - 1, place, np.minimum(place + 1, last)])
    return np.asarray(np.mean(values[cells], axis=0))


def _edges(
    grid: EventGrid, place: Integers, bend: Floats, strength: Floats, *, delay_s: float = 0.0
) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "test_number": grid.test[place],
            "time_s": grid.time_s[place] + delay_s,
            "is_rise": bend[place] > 0.0,
            "strength": strength[place],
        },
        schema=EDGES_SCHEMA,
    )
