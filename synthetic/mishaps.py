"""Everything that goes wrong with sensors, headers and clocks: one draw per kind of mishap.

A `Mishap` draws for one test which channels it hits, how badly and when, as changes of a
`Fitting`. Severities are chosen, in the range that workshops meet (common practice, no
source), and stand in the numbers of each draw. Does not belong here: how often a fleet has
them (`fittings`), what they do to a curve (`plant.sensors`), any rule that finds them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from synthetic.plant.placement import (
    ALL_CHANNELS,
    ALL_TEMPERATURES,
    BOTH_PRESSURES,
    CHANNELS,
    CLAMPS,
    PRESSURES,
)
from synthetic.plant.sensors import (
    ABSOLUTE_AS_GAUGE,
    CELSIUS_AS_FAHRENHEIT,
    FAHRENHEIT_AS_CELSIUS,
    GAUGE_AS_ABSOLUTE,
    OTHER_PRESSURE_UNIT,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy as np


@dataclass(frozen=True)
class Scene:
    """The test that a mishap befalls: seconds of the log, start and stop, sensors, car.

    `offset` is shared by every test of one instrument, from -1 to 1.
    """

    seconds: float
    start_s: float
    stop_s: float
    sensors: tuple[str, ...]
    refrigerant: str
    is_recirculated: bool
    has_exchanger: bool
    offset: float = 0.0

    @property
    def clamps(self) -> list[str]:
        """Temperature clamps on refrigerant lines that the log has."""
        return [name for name in self.sensors if name in CLAMPS]

    @property
    def ducts(self) -> list[str]:
        """Duct probes that the log has."""
        return [name for name in self.sensors if name.startswith("duct_")]


@dataclass(frozen=True)
class Drawn:
    """One mishap of one test: the fitting's changes, and what the truth keeps of it.

    `channels` that it hits; `severity` in `unit`; `moment_s` where it begins midway; `detail`
    such as the line a clamp went to; `registered` refrigerant where the registry is wrong;
    `left_out` sensors that the log then lacks.
    """

    changes: dict[str, float]
    channels: tuple[str, ...]
    severity: float
    unit: str
    moment_s: float | None = None
    detail: str = ""
    registered: str | None = None
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True)
class Mishap:
    """A kind of mishap: its draw, who can have it, and the least effect that counts.

    A log counts as hit when its readings differ from those without the mishap by
    `least_effect` (K or kPa) in at least `share` of the instants that matter: those from
    `settles_s` after the moment, `watch_s` long, with the compressor running.
    """

    code: str
    draw: Callable[[np.random.Generator, Scene], Drawn]
    least_effect: float = 0.0
    share: float = 0.5
    settles_s: float = 0.0
    watch_s: float = 1e9
    befalls: Callable[[Scene], bool] = field(default=lambda _: True)
    exempt_because: str = ""


def _number(name: str) -> float:
    return float(CHANNELS.index(name))


def _one_of(rng: np.random.Generator, names: Sequence[str]) -> str:
    return str(rng.choice(list(names)))


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    return round(float(rng.uniform(low, high)), 3)


def _signed(rng: np.random.Generator, low: float, high: float) -> float:
    return _between(rng, low, high) * float(rng.choice([-1.0, 1.0]))


def _midway(rng: np.random.Generator, scene: Scene) -> float:
    """A moment from a minute into the log to a minute before its end [s]."""
    return float(rng.integers(60, max(61, int(scene.seconds) - 60)))


def _group(rng: np.random.Generator, scene: Scene, kind: str) -> tuple[float, tuple[str, ...]]:
    """One sensor of a kind or, as often, all of them: a header is wrong for both alike."""
    names = PRESSURES if kind == "pressure" else (*scene.clamps, *scene.ducts, "intake_air_c")
    if rng.random() < 0.5:
        every = BOTH_PRESSURES if kind == "pressure" else ALL_TEMPERATURES
        return every, tuple(name for name in names if name in scene.sensors)
    name = _one_of(rng, [name for name in names if name in scene.sensors])
    return _number(name), (name,)


def _gap(rng: np.random.Generator, scene: Scene) -> Drawn:
    lost_s, since = float(rng.integers(20, 121)), _midway(rng, scene)
    return Drawn({"pause_from_s": since, "pause_s": lost_s}, ("time_s",), lost_s, "s", since)


def _jump(rng: np.random.Generator, scene: Scene) -> Drawn:
    by_s = float(rng.choice([60.0, 300.0, 3600.0, float(rng.integers(30, 600))]))
    since = _midway(rng, scene)
    changes = {"clock_jump_from_s": since, "clock_jump_s": by_s}
    return Drawn(changes, ("time_s",), by_s, "s", since)


def _jump_back(rng: np.random.Generator, scene: Scene) -> Drawn:
    drawn = _jump(rng, scene)
    changes = drawn.changes | {"clock_jump_s": -drawn.severity}
    return Drawn(changes, ("time_s",), -drawn.severity, "s", drawn.moment_s)


def _repeated(rng: np.random.Generator, scene: Scene) -> Drawn:
    rows, since = float(rng.integers(5, 61)), _midway(rng, scene)
    changes = {"repeated_from_s": since, "repeated_rows": rows}
    return Drawn(changes, ("time_s",), rows, "rows", since)


def _stuck(rng: np.random.Generator, scene: Scene) -> Drawn:
    name = _one_of(rng, [*scene.clamps, *scene.ducts, *PRESSURES])
    since = _midway(rng, scene)
    return Drawn(
        {"stuck_channel": _number(name), "stuck_from_s": since}, (name,),
        scene.seconds - since, "s", since,
    )  # fmt: skip


def _stuck_logger(rng: np.random.Generator, scene: Scene) -> Drawn:
    since = _midway(rng, scene)
    names = (*scene.clamps, *scene.ducts, *PRESSURES)
    changes = {"stuck_channel": ALL_CHANNELS, "stuck_from_s": since}
    return Drawn(changes, names, scene.seconds - since, "s", since)


def _spikes(rng: np.random.Generator, scene: Scene) -> Drawn:
    name = _one_of(rng, [*scene.clamps, *scene.ducts, *PRESSURES])
    is_pressure = name in PRESSURES
    size = _between(rng, 450.0, 1500.0) if is_pressure else _between(rng, 15.0, 60.0)
    changes = {
        "spiked_channel": _number(name), "spikes_per_hour": float(rng.integers(40, 161)),
        "spike_size": size,
    }  # fmt: skip
    return Drawn(changes, (name,), size, "kPa" if is_pressure else "K")


def _clipped(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one shape for all
    if rng.random() < 0.25:
        end = _between(rng, 400.0, 700.0)
        return Drawn({"low_greatest_kpa": end}, ("low_side_kpa",), end, "kPa")
    end = _between(rng, 800.0, 1500.0)
    return Drawn({"high_greatest_kpa": end}, ("high_side_kpa",), end, "kPa")


def _implausible(rng: np.random.Generator, scene: Scene) -> Drawn:
    name = _one_of(rng, [*scene.clamps, *scene.ducts, *PRESSURES])
    # open and shorted sensors as loggers show them; pressures end at their scale's ends
    shown = [0.0, 9999.0] if name in PRESSURES else [-200.0, -100.0, 327.7, 850.0]
    reads, since = float(rng.choice(shown)), _midway(rng, scene)
    changes = {
        "broken_channel": _number(name), "broken_from_s": since, "broken_reads": reads,
    }  # fmt: skip
    return Drawn(changes, (name,), reads, "kPa" if name in PRESSURES else "degC", since)


def _coarse_temperature(rng: np.random.Generator, scene: Scene) -> Drawn:
    name = _one_of(rng, scene.clamps)
    step = float(rng.choice([4.0, 5.0, 10.0]))
    return Drawn({"coarse_channel": _number(name), "coarse_step": step}, (name,), step, "K")


def _coarse_pressure(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one shape
    name = _one_of(rng, PRESSURES)
    step = float(rng.choice([50.0, 100.0] if name == "low_side_kpa" else [100.0, 200.0]))
    return Drawn({"coarse_channel": _number(name), "coarse_step": step}, (name,), step, "kPa")


def _slow_logger(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one shape
    every_s = float(rng.choice([30.0, 45.0, 60.0]))
    return Drawn({"interval_s": every_s}, ("time_s",), every_s, "s")


def _swapped(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one of a kind
    return Drawn({"swapped_sides": 1.0}, PRESSURES, 1.0, "")


def _gauge_as_absolute(rng: np.random.Generator, scene: Scene) -> Drawn:
    meant, names = _group(rng, scene, "pressure")
    changes = {"wrong_unit_channel": meant, "wrong_unit": float(GAUGE_AS_ABSOLUTE)}
    return Drawn(changes, names, -1.0, "bar")


def _absolute_as_gauge(rng: np.random.Generator, scene: Scene) -> Drawn:
    meant, names = _group(rng, scene, "pressure")
    changes = {"wrong_unit_channel": meant, "wrong_unit": float(ABSOLUTE_AS_GAUGE)}
    return Drawn(changes, names, 1.0, "bar")


# kPa in one of each unit
_UNIT_KPA = {"kPa": 1.0, "psi": 6.894757, "bar": 100.0, "kgf/cm2": 98.0665}


def _unit_slip(rng: np.random.Generator, scene: Scene) -> Drawn:
    meant, names = _group(rng, scene, "pressure")
    written, claimed = (str(each) for each in rng.choice(list(_UNIT_KPA), 2, replace=False))
    if {written, claimed} == {"bar", "kgf/cm2"}:
        # alike to 2 %: a draw of its own, since nobody can tell
        claimed = "psi"
    factor = _UNIT_KPA[claimed] / _UNIT_KPA[written]
    changes = {
        "wrong_unit_channel": meant, "wrong_unit": float(OTHER_PRESSURE_UNIT),
        "unit_factor": factor,
    }  # fmt: skip
    return Drawn(changes, names, round(factor, 4), "times", detail=f"{written} as {claimed}")


def _kgf_as_bar(rng: np.random.Generator, scene: Scene) -> Drawn:
    meant, names = _group(rng, scene, "pressure")
    changes = {
        "wrong_unit_channel": meant, "wrong_unit": float(OTHER_PRESSURE_UNIT),
        "unit_factor": 100.0 / 98.0665,
    }  # fmt: skip
    return Drawn(changes, names, 1.02, "times", detail="kgf/cm2 as bar")


def _celsius_as_fahrenheit(rng: np.random.Generator, scene: Scene) -> Drawn:
    meant, names = _group(rng, scene, "temperature")
    changes = {"wrong_unit_channel": meant, "wrong_unit": float(CELSIUS_AS_FAHRENHEIT)}
    return Drawn(changes, names, 1.8, "times")


def _fahrenheit_as_celsius(rng: np.random.Generator, scene: Scene) -> Drawn:
    meant, names = _group(rng, scene, "temperature")
    changes = {"wrong_unit_channel": meant, "wrong_unit": float(FAHRENHEIT_AS_CELSIUS)}
    return Drawn(changes, names, 1.8, "times")


def _other_refrigerant(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one shape
    name = _one_of(rng, ["R290", "R22", "R600a", "R1270"])
    return Drawn({}, PRESSURES, 1.0, "", detail=f"registered as {name}", registered=name)


def _like_refrigerant(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one shape
    name = "R1234yf" if scene.refrigerant == "R134a" else "R134a"
    return Drawn({}, PRESSURES, 1.0, "", detail=f"registered as {name}", registered=name)


def _fallen(rng: np.random.Generator, scene: Scene) -> Drawn:
    name, since = _one_of(rng, scene.clamps), _midway(rng, scene)
    lag_s = _between(rng, 25.0, 60.0)
    changes = {
        "fallen_channel": _number(name), "fallen_from_s": since, "fallen_lag_s": lag_s,
    }  # fmt: skip
    return Drawn(changes, (name,), scene.seconds - since, "s", since)


def _never_on(rng: np.random.Generator, scene: Scene) -> Drawn:
    name = _one_of(rng, scene.clamps)
    changes = {"fallen_channel": _number(name), "fallen_from_s": 0.0}
    return Drawn(changes, (name,), scene.seconds, "s")


def _moved(rng: np.random.Generator, scene: Scene) -> Drawn:
    """A clamp taken from any line to any other; half of the time the other had none."""
    name = _one_of(rng, scene.clamps)
    other = _one_of(rng, [each for each in scene.clamps if each != name])
    since = _midway(rng, scene)
    changes = {
        "moved_channel": _number(name), "moved_to": _number(other), "moved_from_s": since,
    }  # fmt: skip
    left_out = (other,) if rng.random() < 0.5 else ()
    return Drawn(
        changes, (name,), scene.seconds - since, "s", since, detail=other, left_out=left_out
    )


def _exchanged(rng: np.random.Generator, scene: Scene) -> Drawn:
    one, other = (str(each) for each in rng.choice(scene.clamps, 2, replace=False))
    changes = {"exchanged_channel": _number(one), "exchanged_with": _number(other)}
    return Drawn(changes, (one, other), 1.0, "")


def _biased(rng: np.random.Generator, scene: Scene) -> Drawn:
    name, by_k = _one_of(rng, scene.clamps), _signed(rng, 5.0, 12.0)
    return Drawn({"biased_channel": _number(name), "bias_k": by_k}, (name,), by_k, "K")


def _loose(rng: np.random.Generator, scene: Scene) -> Drawn:
    name, share = _one_of(rng, scene.clamps), _between(rng, 0.3, 0.6)
    changes = {"loose_channel": _number(name), "loose_share": share}
    return Drawn(changes, (name,), share, "1")


def _slow_clamp(rng: np.random.Generator, scene: Scene) -> Drawn:
    name, lag_s = _one_of(rng, scene.clamps), _between(rng, 60.0, 150.0)
    changes = {"slow_channel": _number(name), "slow_lag_s": lag_s}
    return Drawn(changes, (name,), lag_s, "s")


def _hot_liquid_clamp(rng: np.random.Generator, scene: Scene) -> Drawn:
    """The clamp on the liquid line touches the discharge line."""
    names = [name for name in ("condenser_outlet_c", "expansion_inlet_c") if name in scene.sensors]
    name, share = _one_of(rng, names), _between(rng, 0.4, 0.7)
    changes = {
        "touching_channel": _number(name), "touched": _number("compressor_discharge_c"),
        "touching_share": share,
    }  # fmt: skip
    return Drawn(changes, (name,), share, "1")


def _exchanger_clamp(rng: np.random.Generator, scene: Scene) -> Drawn:
    """A clamp at the internal heat exchanger so far off that one side gains what none gives."""
    name = _one_of(rng, ("expansion_inlet_c", "compressor_suction_c"))
    by_k = _between(rng, 15.0, 25.0) * (1.0 if name == "expansion_inlet_c" else -1.0)
    return Drawn({"biased_channel": _number(name), "bias_k": by_k}, (name,), by_k, "K")


def _intake_underhood(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one shape
    share = _between(rng, 0.4, 0.9)
    return Drawn({"intake_stray_share": share}, ("intake_air_c",), share, "1")


def _intake_coolant(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one shape
    share = _between(rng, 0.25, 0.7)
    return Drawn({"intake_coolant_share": share}, ("intake_air_c",), share, "1")


def _intake_warm(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one shape
    by_k = _between(rng, 18.0, 30.0)
    return Drawn({"intake_warm_k": by_k}, ("intake_air_c",), by_k, "K")


def _intake_in_duct(rng: np.random.Generator, scene: Scene) -> Drawn:
    """The probe hangs before the vents; the warmer of the two ducts then reads above it."""
    share, by_k = _between(rng, 0.9, 1.0), -_between(rng, 0.0, 3.0)
    changes = {"intake_duct_share": share, "intake_warm_k": by_k}
    return Drawn(changes, ("intake_air_c", *scene.ducts), share, "1")


def _shared_temperature(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - shared
    by_k = (4.0 + 2.0 * abs(scene.offset)) * (1.0 if scene.offset > 0 else -1.0)
    changes = {"temperature_offset_k": by_k}
    return Drawn(changes, tuple(scene.clamps), round(by_k, 2), "K", detail="all temperatures")


def _shared_pressure(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - shared
    by_kpa = (50.0 + 40.0 * abs(scene.offset)) * (1.0 if scene.offset > 0 else -1.0)
    return Drawn({"low_offset_kpa": by_kpa}, ("low_side_kpa",), round(by_kpa, 1), "kPa")


def _drift(rng: np.random.Generator, scene: Scene) -> Drawn:
    """A gauge that runs off by half a bar to one and a half during the log."""
    name = _one_of(rng, PRESSURES)
    over_log = _signed(rng, 50.0, 150.0) * (1.0 if name == "low_side_kpa" else 2.0)
    field_name = f"{name.removesuffix('_side_kpa')}_drift_kpa_per_h"
    return Drawn({field_name: over_log * 3600.0 / scene.seconds}, (name,), over_log, "kPa")


def _late_clock(rng: np.random.Generator, scene: Scene) -> Drawn:
    late_s = _between(rng, 8.0, 25.0)
    changes = {"clock_skew_s": late_s, "clock_drift_s_per_h": 20.0}
    return Drawn(changes, tuple(scene.clamps), late_s, "s")


def _has_clamps(scene: Scene) -> bool:
    return len(scene.clamps) >= 4


def _has_exchanger(scene: Scene) -> bool:
    return scene.has_exchanger and "expansion_inlet_c" in scene.sensors


_TEMPERATURE_K = 6.0
MISHAPS: tuple[Mishap, ...] = (
    Mishap("gap", _gap),
    Mishap("clock_jump", _jump),
    Mishap("clock_jump_back", _jump_back),
    Mishap("repeated_times", _repeated),
    Mishap("stuck", _stuck, 1.0, 0.05),
    Mishap("stuck_logger", _stuck_logger, 1.0, 0.05),
    Mishap("spikes", _spikes),
    Mishap("clipped", _clipped, 20.0, 0.1),
    Mishap("implausible", _implausible),
    Mishap("coarse_temperature", _coarse_temperature),
    Mishap("coarse_pressure", _coarse_pressure),
    Mishap("slow_logger", _slow_logger),
    Mishap("sides_swapped", _swapped),
    Mishap("gauge_as_absolute", _gauge_as_absolute),
    Mishap("absolute_as_gauge", _absolute_as_gauge),
    Mishap("pressure_unit_slip", _unit_slip),
    Mishap(
        "kgf_as_bar", _kgf_as_bar,
        exempt_because="kgf/cm2 and bar differ by 2 %, within the accuracy of gauges",
    ),
    Mishap("celsius_as_fahrenheit", _celsius_as_fahrenheit, 6.0),
    Mishap("fahrenheit_as_celsius", _fahrenheit_as_celsius, 6.0),
    Mishap("other_refrigerant", _other_refrigerant),
    Mishap(
        "like_refrigerant", _like_refrigerant,
        exempt_because="R-134a and R-1234yf stand at nearly the same pressure (3 % apart)",
    ),
    Mishap("clamp_fallen", _fallen, _TEMPERATURE_K, 0.5, settles_s=90.0, watch_s=120.0),
    Mishap("clamp_never_on", _never_on, _TEMPERATURE_K),
    Mishap("clamp_moved", _moved, _TEMPERATURE_K, settles_s=30.0, watch_s=60.0),
    Mishap("clamps_exchanged", _exchanged, _TEMPERATURE_K, befalls=_has_clamps),
    Mishap("clamp_biased", _biased),
    Mishap("clamp_loose", _loose, 4.0),
    Mishap("clamp_slow", _slow_clamp, 2.0, 0.1),
    Mishap("liquid_clamp_hot", _hot_liquid_clamp, _TEMPERATURE_K),
    Mishap("exchanger_clamp_off", _exchanger_clamp, befalls=_has_exchanger),
    Mishap("intake_underhood", _intake_underhood, _TEMPERATURE_K),
    Mishap("intake_coolant", _intake_coolant, _TEMPERATURE_K),
    Mishap("intake_warm", _intake_warm, befalls=lambda scene: scene.is_recirculated),
    Mishap("intake_in_duct_air", _intake_in_duct, _TEMPERATURE_K),
    Mishap("instrument_temperature", _shared_temperature),
    Mishap("instrument_pressure", _shared_pressure),
    Mishap("gauge_drift", _drift),
    Mishap("second_clock_off", _late_clock),
)  # fmt: skip
MISHAP: dict[str, Mishap] = {each.code: each for each in MISHAPS}
SHARED_BY_INSTRUMENT = ("instrument_temperature", "instrument_pressure")
"""Mishaps that every test of one instrument has alike."""
