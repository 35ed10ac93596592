"""Mishaps of clocks and of single readings: gaps, jumps, freezes, spikes, ends of range, steps.

Each draw gives one `Drawn` for one test; severities are chosen, in the range that workshops
meet (common practice, no source). Does not belong here: units and hoses
(`unit_mishaps`), where clamps sit (`clamp_mishaps`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from synthetic.befalling import Drawn, between, midway, number_of, one_of, signed
from synthetic.plant.placement import ALL_CHANNELS, PRESSURES

if TYPE_CHECKING:
    import numpy as np

    from synthetic.befalling import Scene


def gap(rng: np.random.Generator, scene: Scene) -> Drawn:
    """The logger writes nothing for 20 to 120 s."""
    lost_s = float(rng.integers(20, 121))
    # the log goes on for a while afterwards
    since = min(midway(rng, scene), scene.seconds - lost_s - 30.0)
    return Drawn({"pause_from_s": since, "pause_s": lost_s}, ("time_s",), lost_s, "s", since)


def jump(rng: np.random.Generator, scene: Scene) -> Drawn:
    """The clock is put forward by half a minute to an hour; nothing is lost."""
    by_s = float(rng.choice([60.0, 300.0, 3600.0, float(rng.integers(30, 600))]))
    since = midway(rng, scene)
    changes = {"clock_jump_from_s": since, "clock_jump_s": by_s}
    return Drawn(changes, ("time_s",), by_s, "s", since)


def jump_back(rng: np.random.Generator, scene: Scene) -> Drawn:
    """The clock is put back by half a minute to an hour."""
    drawn = jump(rng, scene)
    changes = drawn.changes | {"clock_jump_s": -drawn.severity}
    return Drawn(changes, ("time_s",), -drawn.severity, "s", drawn.moment_s)


def repeated(rng: np.random.Generator, scene: Scene) -> Drawn:
    """5 to 60 rows are written twice with the same time."""
    rows, since = float(rng.integers(5, 61)), midway(rng, scene)
    changes = {"repeated_from_s": since, "repeated_rows": rows}
    return Drawn(changes, ("time_s",), rows, "rows", since)


def stuck(rng: np.random.Generator, scene: Scene) -> Drawn:
    """One clamp, duct probe or gauge keeps its reading from a moment on."""
    name = one_of(rng, [*scene.clamps, *scene.ducts, *PRESSURES])
    since = midway(rng, scene)
    return Drawn(
        {"stuck_channel": number_of(name), "stuck_from_s": since}, (name,),
        scene.seconds - since, "s", since,
    )  # fmt: skip


def stuck_logger(rng: np.random.Generator, scene: Scene) -> Drawn:
    """All readings stand still from a moment on."""
    since = midway(rng, scene)
    names = (*scene.clamps, *scene.ducts, *PRESSURES)
    changes = {"stuck_channel": ALL_CHANNELS, "stuck_from_s": since}
    return Drawn(changes, names, scene.seconds - since, "s", since)


def spikes(rng: np.random.Generator, scene: Scene) -> Drawn:
    """40 to 160 single readings an hour are 15 to 60 K or 450 to 1500 kPa off."""
    name = one_of(rng, [*scene.clamps, *scene.ducts, *PRESSURES])
    is_pressure = name in PRESSURES
    size = between(rng, 450.0, 1500.0) if is_pressure else between(rng, 15.0, 60.0)
    changes = {
        "spiked_channel": number_of(name), "spikes_per_hour": float(rng.integers(40, 161)),
        "spike_size": size,
    }  # fmt: skip
    return Drawn(changes, (name,), size, "kPa" if is_pressure else "K")


def clipped(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one shape for all
    """The gauge's range ends at 400 to 700 kPa (low) or 800 to 1500 kPa (high side)."""
    if rng.random() < 0.25:
        end = between(rng, 400.0, 700.0)
        return Drawn({"low_greatest_kpa": end}, ("low_side_kpa",), end, "kPa")
    end = between(rng, 800.0, 1500.0)
    return Drawn({"high_greatest_kpa": end}, ("high_side_kpa",), end, "kPa")


def implausible(rng: np.random.Generator, scene: Scene) -> Drawn:
    """An open or shorted sensor shows an end of the logger's scale from a moment on."""
    name = one_of(rng, [*scene.clamps, *scene.ducts, *PRESSURES])
    # open and shorted sensors as loggers show them; pressures end at their scale's ends
    shown = [0.0, 9999.0] if name in PRESSURES else [-200.0, -100.0, 327.7, 850.0]
    reads, since = float(rng.choice(shown)), midway(rng, scene)
    changes = {
        "broken_channel": number_of(name), "broken_from_s": since, "broken_reads": reads,
    }  # fmt: skip
    return Drawn(changes, (name,), reads, "kPa" if name in PRESSURES else "degC", since)


def coarse_temperature(rng: np.random.Generator, scene: Scene) -> Drawn:
    """One clamp is logged in steps of 4, 5 or 10 K."""
    name = one_of(rng, scene.clamps)
    step = float(rng.choice([4.0, 5.0, 10.0]))
    return Drawn({"coarse_channel": number_of(name), "coarse_step": step}, (name,), step, "K")


def coarse_pressure(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one shape
    """One gauge is logged in steps of 50 or 100 kPa (low), 100 or 200 kPa (high side)."""
    name = one_of(rng, PRESSURES)
    step = float(rng.choice([50.0, 100.0] if name == "low_side_kpa" else [100.0, 200.0]))
    return Drawn({"coarse_channel": number_of(name), "coarse_step": step}, (name,), step, "kPa")


def slow_logger(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one shape
    """One row in 30, 45 or 60 s."""
    every_s = float(rng.choice([30.0, 45.0, 60.0]))
    return Drawn({"interval_s": every_s}, ("time_s",), every_s, "s")


def late_clock(rng: np.random.Generator, scene: Scene) -> Drawn:
    """Temperatures come 8 to 25 s late against pressures."""
    late_s = between(rng, 8.0, 25.0)
    changes = {"clock_skew_s": late_s, "clock_drift_s_per_h": 20.0}
    return Drawn(changes, tuple(scene.clamps), late_s, "s")


def drift(rng: np.random.Generator, scene: Scene) -> Drawn:
    """A gauge runs off by 50 to 150 kPa (low) or 100 to 300 kPa (high side) during the log."""
    name = one_of(rng, PRESSURES)
    over_log = signed(rng, 50.0, 150.0) * (1.0 if name == "low_side_kpa" else 2.0)
    field_name = f"{name.removesuffix('_side_kpa')}_drift_kpa_per_h"
    return Drawn({field_name: over_log * 3600.0 / scene.seconds}, (name,), over_log, "kPa")
