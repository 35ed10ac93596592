"""Everything that goes wrong with sensors, headers and clocks: the list of kinds.

A `Mishap` says how a kind is drawn, whom it can befall and from which effect on it counts.
Does not belong here: the draws (`clock_mishaps`, `unit_mishaps`, `clamp_mishaps`), how often a
fleet has them (`fittings`), what they do to a curve (`plant.sensors`), any rule that finds
them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from synthetic import clamp_mishaps, clock_mishaps, unit_mishaps

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np

    from synthetic.befalling import Drawn, Scene


@dataclass(frozen=True)
class Mishap:
    """A kind of mishap: its draw, who can have it, and the least effect that counts.

    A log counts as hit when its readings differ from those without the mishap by
    `least_effect_k` (10 kPa weigh as 1 K) in at least `share` of the instants that matter: from
    `settles_s` after the moment, `watch_s` long, with the compressor running. Where the kind
    is not one that `shows_in_long_form`, a file of one row per instant and channel hides it;
    where it `needs_cool_engine`, lines that stand at a hot engine do.
    """

    code: str
    draw: Callable[[np.random.Generator, Scene], Drawn]
    least_effect_k: float = 0.0
    share: float = 0.5
    settles_s: float = 0.0
    watch_s: float = 1e9
    befalls: Callable[[Scene], bool] = field(default=lambda _: True)
    exempt_because: str = ""
    shows_in_long_form: bool = True
    needs_cool_engine: bool = False

    @property
    def told(self) -> str:
        """What happens and how badly, in a sentence."""
        return (self.draw.__doc__ or "").strip()


def _has_clamps(scene: Scene) -> bool:
    return len(scene.clamps) >= 4


def _has_exchanger(scene: Scene) -> bool:
    return scene.has_exchanger and "expansion_inlet_c" in scene.sensors


_TEMPERATURE_K = 6.0
MISHAPS: tuple[Mishap, ...] = (
    Mishap("gap", clock_mishaps.gap),
    Mishap("clock_jump", clock_mishaps.jump),
    Mishap("clock_jump_back", clock_mishaps.jump_back),
    Mishap("repeated_times", clock_mishaps.repeated, shows_in_long_form=False),
    Mishap("stuck", clock_mishaps.stuck, 1.0, 0.2),
    Mishap("stuck_logger", clock_mishaps.stuck_logger, 1.0, 0.2),
    Mishap("spikes", clock_mishaps.spikes),
    Mishap("clipped", clock_mishaps.clipped, 2.0, 0.1),
    Mishap("implausible", clock_mishaps.implausible),
    Mishap("coarse_temperature", clock_mishaps.coarse_temperature),
    Mishap("coarse_pressure", clock_mishaps.coarse_pressure),
    Mishap("slow_logger", clock_mishaps.slow_logger),
    Mishap("sides_swapped", unit_mishaps.swapped),
    Mishap("gauge_as_absolute", unit_mishaps.gauge_as_absolute),
    Mishap("absolute_as_gauge", unit_mishaps.absolute_as_gauge),
    Mishap("pressure_unit_slip", unit_mishaps.unit_slip),
    Mishap(
        "kgf_as_bar", unit_mishaps.kgf_as_bar,
        exempt_because="kgf/cm2 and bar differ by 2 %, within the accuracy of gauges",
    ),
    Mishap("celsius_as_fahrenheit", unit_mishaps.celsius_as_fahrenheit, 6.0),
    Mishap("fahrenheit_as_celsius", unit_mishaps.fahrenheit_as_celsius, 6.0),
    Mishap("other_refrigerant", unit_mishaps.other_refrigerant),
    Mishap(
        "like_refrigerant", unit_mishaps.like_refrigerant,
        exempt_because="R-134a and R-1234yf stand at nearly the same pressure (3 % apart)",
    ),
    Mishap("clamp_fallen", clamp_mishaps.fallen, _TEMPERATURE_K, settles_s=90.0, watch_s=120.0),
    Mishap("clamp_never_on", clamp_mishaps.never_on, _TEMPERATURE_K),
    Mishap("clamp_moved", clamp_mishaps.moved, _TEMPERATURE_K, settles_s=30.0, watch_s=60.0),
    Mishap("clamps_exchanged", clamp_mishaps.exchanged, _TEMPERATURE_K, befalls=_has_clamps),
    Mishap("clamp_biased", clamp_mishaps.biased, needs_cool_engine=True),
    Mishap("clamp_loose", clamp_mishaps.loose, 4.0),
    Mishap("clamp_slow", clamp_mishaps.slow, 2.0, 0.1),
    Mishap("liquid_clamp_hot", clamp_mishaps.hot_liquid, _TEMPERATURE_K),
    Mishap("exchanger_clamp_off", clamp_mishaps.at_exchanger, befalls=_has_exchanger),
    Mishap("intake_underhood", clamp_mishaps.intake_underhood, _TEMPERATURE_K),
    Mishap("intake_coolant", clamp_mishaps.intake_coolant, _TEMPERATURE_K),
    Mishap("intake_warm", clamp_mishaps.intake_warm, befalls=lambda scene: scene.is_recirculated),
    Mishap("intake_in_duct_air", clamp_mishaps.intake_in_duct, _TEMPERATURE_K),
    Mishap("instrument_temperature", clamp_mishaps.shared_temperature),
    Mishap("instrument_pressure", clamp_mishaps.shared_pressure),
    Mishap(
        "gauge_drift", clock_mishaps.drift,
        exempt_because="saturation that runs off by some kelvins within minutes is that of a car "
        "whose valve, charge or condenser changes as well; the standing car, which would tell, is "
        "seen before the drift and seldom long enough after it",
    ),
    Mishap("second_clock_off", clock_mishaps.late_clock),
)  # fmt: skip
MISHAP: dict[str, Mishap] = {each.code: each for each in MISHAPS}
SHARED_BY_INSTRUMENT = ("instrument_temperature", "instrument_pressure")
"""Mishaps that every test of one instrument has alike."""
