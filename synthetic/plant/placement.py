"""Where the sensors of a logger really are: moved, exchanged and fallen clamps, stray probes.

Takes true curves and fittings, gives curves at the places of the sensors, and the air around
each clamp. Does not belong here: what a sensor makes of its place (`sensors`).
"""

import numpy as np
from scipy.signal import lfilter

from synthetic.plant.arrays import Batch, BoolArray, FloatArray
from synthetic.plant.curves import Curves

PRESSURES = ("low_side_kpa", "high_side_kpa")
CLAMPS = (
    "compressor_suction_c",
    "compressor_discharge_c",
    "condenser_mid_c",
    "condenser_outlet_c",
    "expansion_inlet_c",
    "evaporator_outlet_c",
    "rear_evaporator_outlet_c",
)
AIR_PROBES = (
    "duct_left_c",
    "duct_right_c",
    "duct_rear_c",
    "intake_air_c",
    "ambient_air_c",
    "condenser_inlet_air_c",
    "underhood_air_c",
    "cabin_air_c",
)
CHANNELS = (*PRESSURES, *CLAMPS, *AIR_PROBES, "intake_humidity_pct", "engine_rpm")
# in place of one channel: none, or a group
NO_CHANNEL, BOTH_PRESSURES, ALL_TEMPERATURES, ALL_CHANNELS = -1.0, -2.0, -3.0, -4.0
# lines at the fire wall see milder air than those at the engine
HOOD_SHARE = {"expansion_inlet_c": 0.6, "evaporator_outlet_c": 0.6}


def is_meant(name: str, chosen: FloatArray) -> BoolArray:
    """Which tests mean this channel by the number of a channel or of a group."""
    meant = (chosen == CHANNELS.index(name)) | (chosen == ALL_CHANNELS)
    if name in PRESSURES:
        meant = meant | (chosen == BOTH_PRESSURES)
    if name in CLAMPS or name in AIR_PROBES:
        meant = meant | (chosen == ALL_TEMPERATURES)
    return np.asarray(meant)


def placed_curves(curves: Curves, fittings: Batch) -> Curves:
    """Curves at the places of the sensors; `<clamp>__around` is the air around each clamp."""
    placed = dict(curves)
    for name in CLAMPS:
        placed[f"{name}__around"] = _around(name, curves)
    placed["intake_air_c"] = _at_the_intake_probe(curves, fittings)
    _exchange(placed, curves, fittings)
    _touch(placed, curves, fittings)
    _move(placed, curves, fittings)
    _fall(placed, curves, fittings)
    return placed


def _around(name: str, curves: Curves) -> FloatArray:
    """Air around a line [degC]."""
    outside = curves["ambient_air_c"]
    return outside + HOOD_SHARE.get(name, 1.0) * (curves["underhood_air_c"] - outside)


def _at_the_intake_probe(curves: Curves, fittings: Batch) -> FloatArray:
    """Mixture of air and surfaces that the intake probe sees [degC]."""
    duct = (curves["duct_left_c"] + curves["duct_right_c"]) / 2.0
    seen = curves["intake_air_c"]
    for share, other in (
        (fittings.intake_stray_share, curves["underhood_air_c"]),
        (fittings.intake_coolant_share, curves["coolant_c"]),
        (fittings.intake_duct_share, duct),
    ):
        if np.any(share):
            seen = seen + share * (other - seen)
    return seen + fittings.intake_warm_k


def _pairs(one: FloatArray, other: FloatArray) -> list[tuple[int, str, str]]:
    """Tests that mean two channels, with their names."""
    return [
        (int(test), CHANNELS[int(one[test])], CHANNELS[int(other[test])])
        for test in np.flatnonzero((one >= 0.0) & (other >= 0.0))
    ]


def _put(placed: Curves, at: tuple[int, int, str], source: tuple[Curves, str]) -> None:
    """From a second on, a clamp of a test sits on another line and in its air."""
    test, second, name = at
    curves, other = source
    around = _around(other, curves)
    for key, value in ((name, curves[other]), (f"{name}__around", around)):
        changed = placed[key].copy()
        changed[second:, test] = value[second:, test]
        placed[key] = changed


def _exchange(placed: Curves, curves: Curves, fittings: Batch) -> None:
    for test, name, other in _pairs(fittings.exchanged_channel, fittings.exchanged_with):
        _put(placed, (test, 0, name), (curves, other))
        _put(placed, (test, 0, other), (curves, name))


def _move(placed: Curves, curves: Curves, fittings: Batch) -> None:
    for test, name, other in _pairs(fittings.moved_channel, fittings.moved_to):
        _put(placed, (test, int(fittings.moved_from_s[test]), name), (curves, other))


def _touch(placed: Curves, curves: Curves, fittings: Batch) -> None:
    """A clamp that touches a second line reads between the two."""
    for test, name, other in _pairs(fittings.touching_channel, fittings.touched):
        both = placed[name].copy()
        share = fittings.touching_share[test]
        both[:, test] += share * (curves[other][:, test] - both[:, test])
        placed[name] = both


def _fall(placed: Curves, curves: Curves, fittings: Batch) -> None:
    """A clamp off its line goes over to the air under the hood, slower than on a pipe."""
    hood = curves["underhood_air_c"]
    for test in np.flatnonzero(fittings.fallen_channel >= 0.0):
        name, second = (
            CHANNELS[int(fittings.fallen_channel[test])],
            int(fittings.fallen_from_s[test]),
        )
        fallen = placed[name].copy()
        keep = np.exp(-1.0 / fittings.fallen_lag_s[test])
        # off from the start: it has hung in the air long enough to have its temperature
        start = fallen[second - 1, test] if second else hood[0, test]
        fallen[second:, test] = lfilter(
            [1.0 - keep], [1.0, -keep], hood[second:, test], zi=[keep * start]
        )[0]
        around = placed[f"{name}__around"].copy()
        around[second:, test] = fallen[second:, test]
        placed |= {name: fallen, f"{name}__around": around}
