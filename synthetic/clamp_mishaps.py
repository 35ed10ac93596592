"""Mishaps of clamps, of the intake probe and of whole instruments.

Each draw gives one `Drawn` for one test; severities are chosen, in the range that workshops
meet (common practice, no source). Does not belong here: clocks and single readings
(`clock_mishaps`), units and hoses (`unit_mishaps`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from synthetic.befalling import Drawn, between, midway, number_of, one_of, signed

if TYPE_CHECKING:
    import numpy as np

    from synthetic.befalling import Scene


def fallen(rng: np.random.Generator, scene: Scene) -> Drawn:
    """A clamp falls off its line and hangs in the air under the hood."""
    name, since = one_of(rng, scene.clamps), midway(rng, scene)
    lag_s = between(rng, 25.0, 60.0)
    changes = {
        "fallen_channel": number_of(name), "fallen_from_s": since, "fallen_lag_s": lag_s,
    }  # fmt: skip
    return Drawn(changes, (name,), scene.seconds - since, "s", since)


def never_on(rng: np.random.Generator, scene: Scene) -> Drawn:
    """A clamp hangs in the air under the hood from the start."""
    name = one_of(rng, scene.clamps)
    changes = {"fallen_channel": number_of(name), "fallen_from_s": 0.0}
    return Drawn(changes, (name,), scene.seconds, "s")


def moved(rng: np.random.Generator, scene: Scene) -> Drawn:
    """A clamp is taken from any line to any other; half of the time the other had none."""
    name = one_of(rng, scene.clamps)
    other = one_of(rng, [each for each in scene.clamps if each != name])
    since = midway(rng, scene)
    changes = {
        "moved_channel": number_of(name), "moved_to": number_of(other), "moved_from_s": since,
    }  # fmt: skip
    left_out = (other,) if rng.random() < 0.5 else ()
    return Drawn(
        changes, (name,), scene.seconds - since, "s", since, detail=other, left_out=left_out
    )


def exchanged(rng: np.random.Generator, scene: Scene) -> Drawn:
    """Two clamps are exchanged from the start."""
    one, other = (str(each) for each in rng.choice(scene.clamps, 2, replace=False))
    changes = {"exchanged_channel": number_of(one), "exchanged_with": number_of(other)}
    return Drawn(changes, (one, other), 1.0, "")


def biased(rng: np.random.Generator, scene: Scene) -> Drawn:
    """One clamp reads 5 to 12 K off, either way."""
    name, by_k = one_of(rng, scene.clamps), signed(rng, 5.0, 12.0)
    return Drawn({"biased_channel": number_of(name), "bias_k": by_k}, (name,), by_k, "K")


def loose(rng: np.random.Generator, scene: Scene) -> Drawn:
    """One clamp has poor contact: 30 to 60 % of the way to the air around it."""
    name, share = one_of(rng, scene.clamps), between(rng, 0.3, 0.6)
    changes = {"loose_channel": number_of(name), "loose_share": share}
    return Drawn(changes, (name,), share, "1")


def slow(rng: np.random.Generator, scene: Scene) -> Drawn:
    """One clamp follows its line with a time constant of 60 to 150 s."""
    name, lag_s = one_of(rng, scene.clamps), between(rng, 60.0, 150.0)
    changes = {"slow_channel": number_of(name), "slow_lag_s": lag_s}
    return Drawn(changes, (name,), lag_s, "s")


def hot_liquid(rng: np.random.Generator, scene: Scene) -> Drawn:
    """A clamp on the liquid line touches the discharge line: 40 to 70 % of the way to it."""
    names = [name for name in ("condenser_outlet_c", "expansion_inlet_c") if name in scene.sensors]
    name, share = one_of(rng, names), between(rng, 0.4, 0.7)
    changes = {
        "touching_channel": number_of(name), "touched": number_of("compressor_discharge_c"),
        "touching_share": share,
    }  # fmt: skip
    return Drawn(changes, (name,), share, "1")


def at_exchanger(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one shape
    """The clamp before the valve reads 15 to 25 K high, or that of the suction line as much low."""
    name = one_of(rng, ("expansion_inlet_c", "compressor_suction_c"))
    by_k = between(rng, 15.0, 25.0) * (1.0 if name == "expansion_inlet_c" else -1.0)
    return Drawn({"biased_channel": number_of(name), "bias_k": by_k}, (name,), by_k, "K")


def intake_underhood(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one shape
    """The intake probe reads 40 to 90 % of the way to under-hood air."""
    share = between(rng, 0.4, 0.9)
    return Drawn({"intake_stray_share": share}, ("intake_air_c",), share, "1")


def intake_coolant(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one shape
    """The intake probe reads 25 to 70 % of the way to the coolant."""
    share = between(rng, 0.25, 0.7)
    return Drawn({"intake_coolant_share": share}, ("intake_air_c",), share, "1")


def intake_warm(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one shape
    """The intake probe reads 18 to 30 K over the air, in recirculation."""
    by_k = between(rng, 18.0, 30.0)
    return Drawn({"intake_warm_k": by_k}, ("intake_air_c",), by_k, "K")


def intake_in_duct(rng: np.random.Generator, scene: Scene) -> Drawn:
    """The intake probe hangs in the stream of the vents, up to 3 K below their mean."""
    share, by_k = between(rng, 0.9, 1.0), -between(rng, 0.0, 3.0)
    changes = {"intake_duct_share": share, "intake_warm_k": by_k}
    return Drawn(changes, ("intake_air_c", *scene.ducts), share, "1")


def shared_temperature(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - shared
    """All temperatures of one instrument read 4 to 6 K off."""
    by_k = (4.0 + 2.0 * abs(scene.offset)) * (1.0 if scene.offset > 0 else -1.0)
    changes = {"temperature_offset_k": by_k}
    return Drawn(changes, tuple(scene.clamps), round(by_k, 2), "K", detail="all temperatures")


def shared_pressure(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - shared
    """The low-side gauge of one instrument reads 50 to 90 kPa off."""
    by_kpa = (50.0 + 40.0 * abs(scene.offset)) * (1.0 if scene.offset > 0 else -1.0)
    return Drawn({"low_offset_kpa": by_kpa}, ("low_side_kpa",), round(by_kpa, 1), "kPa")
