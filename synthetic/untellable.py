"""Mishaps that a log cannot show, because a car in some state would show the same.

One function per kind of mishap: takes a `Case`, gives the reason why nobody could tell this one,
or nothing. Where a circuit could stand as the readings say, no rule may doubt them: these logs
are exempt from the score, and counted. Bounds are those of circuits, not of rules. Does not
belong here: mishaps too small to matter, or in logs too short (`trial_effects`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from synthetic.car_models import MODEL
from synthetic.plant.placement import CLAMPS
from synthetic.plant.properties import Charge

if TYPE_CHECKING:
    from collections.abc import Callable

    from synthetic.befalling import Drawn
    from synthetic.plant.arrays import BoolArray, FloatArray

_SETTLED_S = 120.0
# two sensors of 1 to 1.5 K on one line may differ by so much
_SENSORS_K = 2.0
# suction gas is warmed by no more than the air around its line
_WARMER_THAN_AIR_K = 5.0
# a line that changes by no more than this at a start tells nothing of how fast its clamp is
_LEAST_CHANGE_K = 10.0
# a clamp of common lag leaves its old line behind within so long
_FOLLOWED_S = 15.0
# below this no step shows beside those of a start
_STEP_K = 7.0
# lines of a standing car agree within 1 to 2 K (common practice), each read within 1 to 1.5 K;
# the line at a compressor that ran an hour ago stands some kelvins higher
_EVEN_K, _WARM_COMPRESSOR_K = 3.5, 6.5
# air in a standing circuit raises its high side by more than this; two gauges of a workshop and
# air left in hoses part them by this much (chosen)
_AIR_KPA, _GAUGES_KPA = 25.0, 50.0
LIQUID = ("condenser_outlet_c", "expansion_inlet_c")
COLD = ("compressor_suction_c", "evaporator_outlet_c", "rear_evaporator_outlet_c")


@dataclass(frozen=True)
class Case:
    """One log that something befell: its row, the draw, and curves over its seconds.

    `runs`: whether the compressor turned; `truth` and `read` curves by name.
    """

    row: dict[str, Any]
    drawn: Drawn
    runs: BoolArray
    truth: dict[str, FloatArray]
    read: dict[str, FloatArray]

    @property
    def settled(self) -> BoolArray:
        """Where the compressor turns and has left the start behind."""
        clock = np.arange(self.runs.size)
        later = self.runs & (clock >= self.row["true_start_s"] + _SETTLED_S)
        return later if later.any() else self.runs

    def level(self, curves: dict[str, FloatArray], name: str) -> float:
        """Middle of a curve while running."""
        return float(np.nanmedian(curves[name][self.settled]))

    def saturated_c(self, kpa: float) -> float:
        """Saturation temperature of the car's refrigerant."""
        fluid = np.array([float(MODEL[self.row["model_id"]].design.refrigerant)])
        charge = Charge.of(fluid, fluid, np.zeros(1))
        return float(charge.saturation_c(np.array([kpa]))[0])


def _high_side_alone(case: Case) -> str:
    if case.drawn.channels == ("high_side_kpa",):
        return "a high side that alone stands an atmosphere too high may have air in it"
    return ""


def _air_for_atmosphere(case: Case) -> str:
    """A high side without its atmosphere that air in it puts back where the low side stands."""
    if case.drawn.channels != ("high_side_kpa",):
        return ""
    rests = slice(0, max(int(case.row["true_start_s"]) - 3, 1))
    true_kpa, read_kpa = (
        float(np.nanmedian(curves["high_side_kpa"][rests] - curves["low_side_kpa"][rests]))
        for curves in (case.truth, case.read)
    )
    if true_kpa > _AIR_KPA and read_kpa > -_GAUGES_KPA:
        return "air in the circuit stands in for the atmosphere: the gauges stand nearly alike"
    return ""


def _moved_at_rest(case: Case) -> str:
    start_s = case.row["true_start_s"]
    moment_s = case.drawn.moment_s or 0.0
    if moment_s < start_s:
        return "moved while the machine rested: all lines stand alike, so no step marks it"
    if moment_s < start_s + _FOLLOWED_S:
        return "moved within 15 s of the start, before the clamp had followed its first line"
    (name,) = case.drawn.channels
    second = int(moment_s)
    before_c, there_c = case.read[name][second - 3 : second], case.truth[case.drawn.detail][second]
    if abs(float(np.nanmedian(before_c)) - there_c) < _STEP_K:
        return "moved while both lines stood alike, so no step marks it"
    return ""


def _like_its_witnesses(case: Case) -> str:
    (name,) = case.drawn.channels
    rests = slice(0, max(int(case.row["true_start_s"]) - 3, 1))
    others = [
        float(np.nanmedian(case.truth[each][rests]))
        for each in CLAMPS
        if each in case.row["sensors"]
    ]
    over_k = float(np.nanmedian(case.read[name][rests]) - np.median(others))
    warmest_k = _WARM_COMPRESSOR_K if name == "compressor_discharge_c" else _EVEN_K
    if -_EVEN_K < over_k < warmest_k:
        return "it stood where lines of a standing car stand"
    return ""


def _slow_line(case: Case) -> str:
    (name,) = case.drawn.channels
    if name == "compressor_suction_c" and MODEL[case.row["model_id"]].internal_heat_exchanger:
        return (
            "behind an internal heat exchanger the suction line first cools and then warms with "
            "the liquid, at a pace of its own: a slow line looks like a slow clamp"
        )
    if name not in COLD:
        return (
            "hot gas and liquid lines reach their temperature through compressor, condenser and "
            "receiver, at a pace of their own: a slow line looks like a slow clamp"
        )
    curve = case.truth[name]
    start = int(case.row["true_start_s"])
    before = float(np.nanmedian(curve[max(start - 20, 0) : max(start, 1)]))
    if abs(case.level(case.truth, name) - before) < _LEAST_CHANGE_K:
        return "the line hardly changed at the start"
    return ""


def _could_be_a_line(case: Case) -> str:
    (name,) = case.drawn.channels
    reads = case.level(case.read, name)
    if name in COLD:
        warmest_c = case.level(case.read, "ambient_air_c") + _WARMER_THAN_AIR_K
        if name == "compressor_suction_c" and MODEL[case.row["model_id"]].internal_heat_exchanger:
            # the liquid warms the suction gas
            warmest_c = max(warmest_c, case.level(case.truth, "condenser_outlet_c"))
        is_possible = reads < warmest_c
    elif name in LIQUID:
        is_possible = _is_liquid(case, reads)
    else:
        is_possible = reads > case.saturated_c(case.level(case.read, "high_side_kpa"))
    if is_possible:
        return (
            "half-way to the air around it: a line with superheat, with flash gas, or wet, stands "
            "there too"
        )
    return ""


def _is_liquid(case: Case, reads_c: float) -> bool:
    condensing_c = case.saturated_c(case.level(case.read, "high_side_kpa"))
    return reads_c < condensing_c + _SENSORS_K


def _subcooled_all_the_same(case: Case) -> str:
    (name,) = case.drawn.channels
    if _is_liquid(case, case.level(case.read, name)):
        return "warmer than its line, but below condensing still, where a liquid line may be"
    return ""


UNTELLABLE: dict[str, Callable[[Case], str]] = {
    "absolute_as_gauge": _high_side_alone,
    "gauge_as_absolute": _air_for_atmosphere,
    "clamp_moved": _moved_at_rest,
    "clamp_biased": _like_its_witnesses,
    "clamp_slow": _slow_line,
    "clamp_loose": _could_be_a_line,
    "liquid_clamp_hot": _subcooled_all_the_same,
}
"""By kind of mishap: why nobody could tell one of a log, empty where somebody could."""
