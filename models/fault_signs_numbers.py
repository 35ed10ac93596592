"""The sign tables as numbers: expected shift and its doubt, per quantity and pattern.

Takes `fault_signs`, `fault_sizes` and `fault_signs_sensors`, gives `Shapes` in least effects
per unit of severity. Does not belong here: the tables, the likelihood (`causes_likelihood`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from models.diagnostics import DIAGNOSTIC, STANDING, STANDING_LEAST_EFFECT_KPA
from models.fault_signs import LIMIT, PATTERNS, REGULATING, STATIONS, Pattern
from models.fault_signs_sensors import SENSORS
from models.fault_sizes import LEARNED_OF, SIZES
from models.findings import JUDGED_FEATURE

if TYPE_CHECKING:
    from models.conditions import Array

NONE, SENSOR = "none_of_these", "sensor"
QUANTITIES: tuple[str, ...] = (
    *(f.name for f in JUDGED_FEATURE.values() if not f.is_for_whole_test),
    *(f.name for f in DIAGNOSTIC),
    STANDING,
)
LEAST_EFFECTS = np.array(
    [JUDGED_FEATURE[n].least_effect for n in QUANTITIES if n in JUDGED_FEATURE]
    + [f.least_effect for f in DIAGNOSTIC]
    + [STANDING_LEAST_EFFECT_KPA]
)
# What a mark means, in least effects at severity one [default, tune on data].
_SIZES = {"++": 2.0, "+": 1.0, "(+)": 0.35, "0": 0.0, "?": 0.0, "(-)": -0.35, "-": -1.0, "--": -2.0}
# Doubt about a mark: of any, of a share of its size, and where the sign is not known.
_DOUBT, _DOUBT_SHARE, _SIGN_UNKNOWN = 0.2, 0.5, 1.2
_SENSOR_DOUBT, _ANYTHING = 0.08, 0.7
# Causes that come together with another one often enough to be asked for (common practice).
PAIRED = (
    ("low_charge", "condenser_air_short"), ("low_charge", "foreign_gas"),
    ("low_charge", "evaporator_air_short"), ("low_charge", "air_mixed_warm"),
    ("low_charge", "compressor_weak"), ("low_charge", "feed_restricted"),
    ("overcharge", "condenser_air_short"), ("overcharge", "foreign_gas"),
    ("condenser_air_short", "evaporator_air_short"), ("condenser_air_short", "compressor_weak"),
)  # fmt: skip
# What follows of a mark where the table does not speak of the quantity: (quantity, factor).
_FOLLOWS = {
    "condensing_over_air_k": ("high_side_kpa", 1.0),
    "rear_evaporator_outlet_superheat_k": ("evaporator_outlet_superheat_k", 1.0),
    "expansion_inlet_subcooling_k": ("condenser_outlet_subcooling_k", 1.0),
    "duct_drop_k": ("duct_air_c", -1.0),
    "subcooling_share": ("condenser_outlet_subcooling_k", 1.0),
    "coil_effectiveness": ("evaporator_approach_k", -1.0),
}


@dataclass(frozen=True)
class Shape:
    """One pattern as numbers over `QUANTITIES`: shift and doubt per unit of severity."""

    cause: str
    fault: str
    shift: Array
    doubt: Array


@cache
def shapes(control: str, context: tuple[tuple[str, object], ...]) -> tuple[Shape, ...]:
    """All patterns that can be of a car of this kind in this control state.

    `control` is LIMIT, REGULATING, or anything else where the state cannot be told: then
    both halves of the table are candidates. `context` holds items of the context's columns.
    """
    car = dict(context)
    wanted = (control,) if control in {LIMIT, REGULATING} else (LIMIT, REGULATING)
    halves = [
        [_learned(p, *by_marks(p, car)) for p in PATTERNS if p.control == half and holds(p, car)]
        for half in wanted
    ]
    nothing = np.zeros(len(QUANTITIES))
    return (
        *(shape for half in halves for shape in half),
        *(pair for half in halves for pair in _pairs(half)),
        *(_sensor(channel, sign) for channel in SENSORS for sign in (1.0, -1.0)),
        Shape(NONE, NONE, nothing, nothing + _ANYTHING),
    )


def holds(pattern: Pattern, car: dict[str, object]) -> bool:
    """Whether a car of this kind, by columns of the context, can have the pattern."""
    return all(car.get(name) in values for name, values in pattern.only.items())


def by_marks(pattern: Pattern, car: dict[str, object]) -> tuple[Array, Array]:
    """Shift and doubt over `QUANTITIES` by the marks alone, in least effects at severity one."""
    marks = dict(zip(STATIONS, pattern.marks.split(), strict=True))
    if car.get("internal_heat_exchanger") is False:
        # the suction line carries on what leaves the evaporator
        marks["compressor_suction_superheat_k"] = marks["evaporator_outlet_superheat_k"]
    marks |= dict(pattern.more)
    shift, doubt = np.zeros(len(QUANTITIES)), np.zeros(len(QUANTITIES))
    for place, name in enumerate(QUANTITIES):
        of, factor = _FOLLOWS.get(name, (name, 1.0)) if name not in marks else (name, 1.0)
        mark = marks.get(of, "0" if name in _QUIET else "?")
        shift[place] = factor * _SIZES[mark]
        doubt[place] = _SIGN_UNKNOWN if mark == "?" else _DOUBT + _DOUBT_SHARE * abs(_SIZES[mark])
    place, hot = (QUANTITIES.index(n) for n in ("compressor_discharge_superheat_k", _DISCHARGE))
    shift[place] = shift[hot] - 0.5 * shift[QUANTITIES.index("condensing_over_air_k")]
    doubt[place] = max(0.6, doubt[hot])
    return shift, doubt


def _learned(pattern: Pattern, shift: Array, doubt: Array) -> Shape:
    """The pattern with the sizes that simulated cars have taught; its marks where they have not."""
    size = SIZES.get((pattern.fault, pattern.control))
    if size is not None:
        places = [QUANTITIES.index(name) for name in LEARNED_OF]
        shift[places] = np.array(size.sizes.split(), dtype=float) / 10.0
        doubt[places] = np.array(size.doubts.split(), dtype=float) / 100.0
    return Shape(pattern.cause, pattern.fault, shift, doubt)


_DISCHARGE = "compressor_discharge_c"
# What a fault leaves alone unless its pattern says so.
_QUIET = (
    "heat_exchanger_effectiveness", "heat_exchanger_balance", "superheat_swing_k",
    "start_high_side_kpa_per_s", "start_low_side_kpa_per_s", STANDING,
)  # fmt: skip


def _pairs(faults: list[Shape]) -> list[Shape]:
    """Both at once, at the same severity."""
    found = []
    for one, other in PAIRED:
        for a in (s for s in faults if s.cause == one):
            for b in (s for s in faults if s.cause == other):
                doubt = np.hypot(a.doubt, b.doubt)
                found.append(
                    Shape(f"{one}+{other}", f"{a.fault} and {b.fault}", a.shift + b.shift, doubt)
                )
    return found


def _sensor(channel: str, sign: float) -> Shape:
    shift = np.array([sign * SENSORS[channel].get(name, 0.0) for name in QUANTITIES])
    return Shape(
        f"{SENSOR}:{channel}",
        f"{channel} reads {'high' if sign > 0 else 'low'}",
        shift,
        _SENSOR_DOUBT + 0.3 * np.abs(shift),
    )
