"""The rule temperature_unit_slip: degrees Celsius read as Fahrenheit, or the reverse.

At rest all lines and the air of a car lie within some kelvins of each other and of the
saturation temperature of the standing pressure. A temperature that lies far from them and
comes to lie among them when it is read in the other unit was written in that unit. Does not
belong here: slips of pressure units (`pressures`), clamps off their line (`clamps`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.channels import CHANNEL
from features.trust.rules import Rule
from features.trust.standing import LINES, Standing, read_standing
from features.trust.verdicts import Verdicts, flag_name, notes_of, of_whole_tests

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from features.settings import DerivationSettings
    from features.trust.ordered import Ordered

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

# So far from all that it should agree with, no sensor and no sun puts a line or the air of a
# standing car; so near, the other unit puts it back (tuning values).
_FAR_K, _NEAR_K = 15.0, 8.0
# the noted ambient temperature is that of the shade, and the car may have stood in the sun
_NEAR_NOTED_K = 12.0
# An engine that has run leaves these lines hot; at work they lie above the saturation
# temperature of their side, but for what sensors are off (tuning values).
_NEAR_ENGINE = {"compressor_suction_c": "low_side_kpa", "compressor_discharge_c": "high_side_kpa"}
_BELOW_SATURATION_K = {"compressor_suction_c": 5.0, "compressor_discharge_c": -3.0}
_HOT_LINE_K, _HOTTEST_LINE_K = 40.0, 45.0
_FAR_BELOW_SATURATION_K = {"compressor_suction_c": 6.0, "compressor_discharge_c": 10.0}
_HOT_FROM_ENGINE = frozenset({"coolant_c", "underhood_air_c"})
_AIR = ("intake_air_c", "ambient_air_c", "condenser_inlet_air_c", "cabin_air_c")


@dataclass(frozen=True)
class Slip:
    """A channel of some tests whose numbers are in another unit than the header says."""

    channel: str
    is_hit: Booleans
    # the readings of the first seconds as they were read [degC]
    as_read_c: Floats
    written: str
    said: str

    def set_right(self, as_read_c: Floats) -> Floats:
        """Readings of the channel as the unit in which they were written gives them [degC]."""
        return _set_right(as_read_c, self.written)


def find_temperature_unit_slips(
    ordered: Ordered, context: pl.DataFrame, settings: DerivationSettings
) -> Verdicts:
    """Temperature channels that agree with the rest of a standing car in the other unit only."""
    del settings
    standing = read_standing(ordered, context)
    slips = list(temperature_slips(standing))
    if not slips:
        return Verdicts()
    numbers = np.arange(standing.test_ids.height)
    flags: dict[str, pl.Series] = {}
    for slip in slips:
        name = flag_name(slip.channel, Rule.TEMPERATURE_UNIT_SLIP)
        flag = of_whole_tests(
            ordered, slip.channel, Rule.TEMPERATURE_UNIT_SLIP, numbers[slip.is_hit].tolist()
        )
        flags[name] = flags[name] | flag if name in flags else flag
    notes = [
        notes_of(
            standing.test_ids.filter(slip.is_hit)["test_id"],
            slip.channel,
            Rule.TEMPERATURE_UNIT_SLIP,
            [_sentence(slip, int(test)) for test in np.flatnonzero(slip.is_hit)],
        )
        for slip in slips
    ]
    return Verdicts(pl.DataFrame(list(flags.values())), pl.concat(notes))


def temperature_slips(standing: Standing) -> Iterator[Slip]:
    """Every channel and way of slipping with the tests that show it."""
    anchors = _anchors(standing)
    for channel in standing.begun:
        if CHANNEL[channel].quantity != "temperature" or channel in _HOT_FROM_ENGINE:
            continue
        as_read = standing.at_begin(channel)
        for written, said in (("degF", "degC"), ("degC", "degF")):
            is_hit = _agrees_only_set_right(as_read, _set_right(as_read, written), anchors)
            if channel in _NEAR_ENGINE:
                is_hit = _is_possible_at_work(standing, channel, written) & (
                    is_hit | _is_impossible_as_read(standing, channel, written)
                )
            if channel not in _AIR:
                is_hit &= standing.has_rested
            if is_hit.any():
                yield Slip(channel, is_hit, as_read, written, said)


def _anchors(standing: Standing) -> list[tuple[Floats, float]]:
    """What temperatures of a standing car should agree with [degC], and how nearly [K]."""
    of_pressure = [
        np.where(standing.has_rested, standing.saturated_c(standing.at_begin(name)), np.nan)
        for name in ("low_side_kpa", "high_side_kpa")
    ]
    others = np.vstack([standing.at_begin(name) for name in (*LINES, *_AIR)])
    enough = np.isfinite(others).sum(axis=0) >= 3
    middle = np.full(others.shape[1], np.nan)
    middle[enough] = np.nanmedian(others[:, enough], axis=0)
    middle[~standing.has_rested] = np.nan
    known = [*((each, _NEAR_K) for each in of_pressure), (standing.noted_ambient_c, _NEAR_NOTED_K)]
    for written in ("degF", "degC"):
        # where all of them slipped, their middle is no witness
        middle[_agrees_only_set_right(middle, _set_right(middle, written), known)] = np.nan
    return [*known, (middle, _NEAR_K)]


def _agrees_only_set_right(
    as_read: Floats, set_right: Floats, anchors: list[tuple[Floats, float]]
) -> Booleans:
    agrees_as_read = np.zeros(as_read.size, dtype=np.bool_)
    agrees_set_right = np.zeros(as_read.size, dtype=np.bool_)
    for anchor, near_k in anchors:
        # comparisons with NaN are False: an anchor that is unknown says nothing
        agrees_as_read |= np.abs(as_read - anchor) < near_k
        agrees_set_right |= (np.abs(as_read - anchor) > _FAR_K) & (
            np.abs(set_right - anchor) < near_k
        )
    return agrees_set_right & ~agrees_as_read


def _set_right(as_read_c: Floats, written: str) -> Floats:
    return (as_read_c - 32.0) / 1.8 if written == "degF" else 1.8 * as_read_c + 32.0


def _coldest_at_work_c(standing: Standing, channel: str) -> Floats:
    """What the line at work is no colder than [degC]: saturation on its side of the circuit."""
    return standing.saturated_c(standing.at_work(_NEAR_ENGINE[channel]))


def _is_possible_at_work(standing: Standing, channel: str, written: str) -> Booleans:
    """Whether the line at work, set right, is one that a circuit can have.

    A line that an earlier run left hot may lie where the other unit would put it right at
    rest; at work it would then lie below saturation.
    """
    late = _set_right(standing.at_work(channel), written)
    return np.asarray(late > _coldest_at_work_c(standing, channel) - _BELOW_SATURATION_K[channel])


def _is_impossible_as_read(standing: Standing, channel: str, written: str) -> Booleans:
    """Whether the line is far below saturation at work, or hotter at rest than engines make it.

    Set right it is where a hot engine may put it at rest, which keeps out a clamp that hangs
    in the air.
    """
    car_c, begun_c = _car_c(standing), standing.at_begin(channel)
    if written == "degF":
        is_impossible = begun_c - car_c > _HOTTEST_LINE_K
    else:
        below_k = _coldest_at_work_c(standing, channel) - standing.at_work(channel)
        is_impossible = below_k > _FAR_BELOW_SATURATION_K[channel]
    over_car_k = _set_right(begun_c, written) - car_c
    return np.asarray(is_impossible & (over_car_k > -_NEAR_K) & (over_car_k < _HOT_LINE_K))


def _car_c(standing: Standing) -> Floats:
    """Temperature of the standing car by the noted ambient, else by its low side [degC]."""
    of_pressure = standing.saturated_c(standing.at_begin("low_side_kpa"))
    noted = standing.noted_ambient_c
    return np.asarray(np.where(np.isfinite(noted), noted, of_pressure))


def _sentence(slip: Slip, test: int) -> str:
    set_right_c = float(slip.set_right(slip.as_read_c[test : test + 1])[0])
    return (
        f"at rest it reads {slip.as_read_c[test]:.1f} degC where the car is near "
        f"{set_right_c:.1f} degC: the numbers are {slip.written}, the header says "
        f"{slip.said}; set the unit of this column right and read the log again"
    )
