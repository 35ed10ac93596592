"""How the logger was put on in each test: clamps, instrument, clock, and mishaps.

`fitting_of` draws one `Fitting` of the plant's sensors per test; a stated share of tests has
a mishap, more with sloppy technicians. Does not belong here: what a mishap draws
(`mishaps`), what a fitting does to a curve (`plant.sensors`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from synthetic.befalling import Scene
from synthetic.mishaps import MISHAP
from synthetic.plant.sensors import Fitting
from synthetic.scenario import INSTRUMENTS

if TYPE_CHECKING:
    from synthetic.scenario import Instrument, Technician

MISHAP_SHARE = 0.05
"""Share of tests with a mishap of the sensors, over all technicians (chosen)."""
# mean of `is_sloppy` over technicians, which the share above refers to
_USUAL_SLOPPINESS = 0.08


def _offset(instrument: Instrument, name: str) -> float:
    """A number about 1 in size that stays with an instrument and sensor over all its tests."""
    seed = [INSTRUMENTS.index(instrument), *name.encode()]
    return float(np.clip(np.random.default_rng(seed).standard_normal(), -1.5, 1.5))


def _careful(
    rng: np.random.Generator, instrument: Instrument, *, clamps_insulated: bool
) -> Fitting:
    """A fitting without mishap: contact and lag of the clamps, errors of the instrument.

    What an instrument states is the half width of a 95 % interval: its errors have half of it
    as standard deviation, those of temperature shared by the instrument and of the channel
    together.
    """
    low, high = instrument.low_side_kpa / 2.0, instrument.high_side_kpa / 2.0
    kelvin = instrument.temperature_k / 2.0
    return Fitting(
        contact_share=0.025 if clamps_insulated else 0.07,
        contact_scatter=0.35,
        clamp_lag_s=(7.0 if clamps_insulated else 12.0) * float(np.exp(0.2 * rng.normal())),
        low_offset_kpa=low * _offset(instrument, "low"),
        high_offset_kpa=high * _offset(instrument, "high"),
        temperature_offset_k=0.5 * kelvin * _offset(instrument, "temperature"),
        channel_scatter_k=0.85 * kelvin,
        low_noise_kpa=0.35 * low,
        high_noise_kpa=0.35 * high,
        gaps_per_hour=float(rng.random() < 0.1) * 4.0,
        clock_skew_s=float(rng.choice([0.0, 0.0, 0.0, 1.0, 2.0])),
        clock_drift_s_per_h=float(rng.choice([0.0, 0.0, 1.0])),
        intake_stray_share=float(rng.uniform(0.0, 0.04)),
    )


# what goes wrong how often, of the tests with a mishap (chosen)
_WEIGHTS = {
    "clamp_fallen": 0.14, "intake_underhood": 0.14, "many_gaps": 0.07, "clamp_moved": 0.07,
    "clamp_loose": 0.07, "stuck": 0.06, "clamp_never_on": 0.05, "clamps_exchanged": 0.05,
    "second_clock_off": 0.05, "gap": 0.05, "sides_swapped": 0.05, "clamp_biased": 0.04,
    "clipped": 0.04, "spikes": 0.04, "gauge_as_absolute": 0.04, "fahrenheit_as_celsius": 0.04,
}  # fmt: skip
MISHAPS: tuple[str, ...] = tuple(_WEIGHTS)
# every log has these
_SENSORS = (
    "low_side_kpa", "high_side_kpa", "compressor_suction_c", "compressor_discharge_c",
    "condenser_outlet_c", "evaporator_outlet_c", "duct_left_c", "intake_air_c",
)  # fmt: skip


def _changes(rng: np.random.Generator, mishap: str, seconds: float) -> dict[str, float]:
    """What a mishap changes of a fitting."""
    if mishap == "many_gaps":
        return {"gaps_per_hour": float(rng.uniform(30.0, 120.0)), "gap_s": 12.0}
    scene = Scene(seconds=seconds, sensors=_SENSORS)
    return MISHAP[mishap].draw(rng, scene).changes


def fitting_of(
    rng: np.random.Generator,
    instrument: Instrument,
    technician: Technician,
    *,
    mishap_share: float = MISHAP_SHARE,
    seconds: int = 900,
) -> tuple[Fitting, str, bool]:
    """The fitting of one test, its mishap (or `none`), and whether clamps were insulated.

    `seconds` is the length of the test.
    """
    insulated = bool(rng.random() < technician.clamps_well)
    fitting = _careful(rng, instrument, clamps_insulated=insulated)
    chance = mishap_share * technician.is_sloppy / _USUAL_SLOPPINESS
    if rng.random() >= chance:
        return fitting, "none", insulated
    mishap = MISHAPS[int(rng.choice(len(MISHAPS), p=list(_WEIGHTS.values())))]
    changes = _changes(rng, mishap, float(seconds))
    return replace(fitting, **changes), mishap, insulated
