"""Rules over the readings of one channel: out of range, spike, stuck.

Each is a function `(Ordered, context, settings) -> Verdicts`. Does not belong here: rules
that compare channels with each other, the arithmetic of frozen readings (`features.stuck`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.channels import CHANNEL, Channel
from features.left_behind import Leader, in_kelvin
from features.stuck import Stacked, frozen_rows, stuck_readings
from features.trust.ordered import PRESSURES, STEP_S, Ordered
from features.trust.rules import Rule
from features.trust.verdicts import Verdicts, flag_name

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.settings import DerivationSettings

# A reading that leaves both neighbours by more than this and comes straight back is no
# pressure and no temperature of a pipe or of duct air (common practice, no source).
_SPIKE_KPA = 300.0
_SPIKE_K = 10.0
# slower loggers can catch a true peak in a single sample
_SPIKE_LONGEST_INTERVAL_S = 2.5
# what a channel follows: a line the saturation temperature of its pressure, a duct the other, a
# gauge the line at its side
_LEADER = {
    "low_side_kpa": "evaporator_outlet_c",
    "high_side_kpa": "compressor_discharge_c",
    "compressor_discharge_c": "high_side_kpa",
    "condenser_mid_c": "high_side_kpa",
    "condenser_outlet_c": "high_side_kpa",
    "expansion_inlet_c": "high_side_kpa",
    "compressor_suction_c": "low_side_kpa",
    "evaporator_outlet_c": "low_side_kpa",
    "rear_evaporator_outlet_c": "low_side_kpa",
    "duct_left_c": "duct_right_c",
    "duct_right_c": "duct_left_c",
}
# so many channels make a row that is hardly ever like the one before
_LEAST_CHANNELS = 5
_AIR_THAT_MUST_MOVE = frozenset(
    {"duct_air_c", "duct_left_c", "duct_right_c", "duct_rear_c", "evaporator_fin_c"}
)


def find_out_of_range(
    ordered: Ordered, context: pl.DataFrame, settings: DerivationSettings
) -> Verdicts:
    """Readings that no working sensor shows on a car."""
    del context, settings
    return Verdicts(
        # written so that NaN and infinity are out of range too
        ordered.samples.select(
            (~pl.col(name).is_between(CHANNEL[name].lowest, CHANNEL[name].highest))
            .fill_null(value=False)
            .alias(flag_name(name, Rule.OUT_OF_RANGE))
            for name in ordered.channels
        )
    )


def find_spikes(ordered: Ordered, context: pl.DataFrame, settings: DerivationSettings) -> Verdicts:
    """Single readings away from both neighbours by more than a line or air can go and return."""
    del context, settings
    limits = {name: _spike_limit(CHANNEL[name]) for name in ordered.channels}
    step_s = pl.col(STEP_S)
    near = (step_s <= _SPIKE_LONGEST_INTERVAL_S) & (step_s.shift(-1) <= _SPIKE_LONGEST_INTERVAL_S)
    flags = []
    for name, limit in limits.items():
        # most channels of most stacks never move so far
        if limit is not None and _moves_further(ordered.samples[name], limit):
            there = pl.col(name).diff()
            back = there.shift(-1)
            up, down = (there > limit) & (back < -limit), (there < -limit) & (back > limit)
            spike = (near & (up | down)).fill_null(value=False)
            flags.append(spike.alias(flag_name(name, Rule.SPIKE)))
    return Verdicts(ordered.samples.select(flags))


def _moves_further(readings: pl.Series, than: float) -> bool:
    return bool((readings.diff().abs() > than).any())


def _spike_limit(channel: Channel) -> float | None:
    if channel.quantity == "pressure":
        return _SPIKE_KPA
    if channel.quantity == "temperature" and channel.station != "engine":
        return _SPIKE_K
    return None


def find_stuck(ordered: Ordered, context: pl.DataFrame, settings: DerivationSettings) -> Verdicts:
    """Readings that stand still longer than the channel's own noise and resolution allow."""
    del context, settings
    if not set(PRESSURES) <= set(ordered.channels) or ordered.samples.is_empty():
        return Verdicts()
    names = [name for name in ordered.channels if _must_move(CHANNEL[name])]
    stacked = Stacked(
        time_s=ordered.samples["time_s"].to_numpy(),
        first=ordered.first,
        running=ordered.is_running.to_numpy(),
    )
    values = {name: ordered.readings(name) for name in names}
    frozen = _frozen(values, stacked)
    return Verdicts(
        pl.DataFrame(
            pl.Series(
                flag_name(name, Rule.STUCK),
                stuck_readings(values[name], stacked, _leader(values, name))
                | (frozen & np.isfinite(values[name])),
            )
            for name in names
        )
    )


def _leader(values: dict[str, NDArray[np.float64]], name: str) -> Leader | None:
    """What a channel must follow, None where it is not logged."""
    leader = _LEADER.get(name, "")
    found = values.get(leader)
    if found is None:
        return None
    kelvin = in_kelvin(found) if leader in PRESSURES else found
    return Leader(kelvin, follower_is_pressure=name in PRESSURES)


def _frozen(
    values: dict[str, NDArray[np.float64]], stacked: Stacked
) -> NDArray[np.bool_] | np.bool_:
    """Rows in which all channels stand still at once; none where too few are logged to tell."""
    known = [each for each in values.values() if np.isfinite(each).any()]
    if len(known) < _LEAST_CHANNELS:
        return np.bool_(0)
    moves = np.zeros(stacked.time_s.size, dtype=np.bool_)
    for each in known:
        # NaN where either reading is unknown, which is no move
        moves[1:] |= np.abs(np.diff(each)) > 0.0
    return frozen_rows(moves, known, stacked)


def _must_move(channel: Channel) -> bool:
    """Whether the channel cannot stand still through a start or stop of the compressor."""
    on_the_circuit = channel.quantity == "temperature" and channel.station[0].isdigit()
    return channel.quantity == "pressure" or on_the_circuit or channel.name in _AIR_THAT_MUST_MOVE
