"""One row per planned test: what the registry will say, and beside it the truth.

`planned_row` turns a visit into a row: registry columns as they are called there, true
conditions and faults prefixed `true_`, the car's scatter `own_`, the logger's fitting `fit_`.
Does not belong here: who comes when (`service`, `fleet`), curves (`car_tests`).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta, timezone
from typing import TYPE_CHECKING

import numpy as np

from synthetic.climate import weather
from synthetic.fittings import MISHAP_SHARE, fitting_of
from synthetic.scenario import INSTRUMENT, MDF_INSTRUMENTS, PROTOCOLS, QUICK_LOOK
from synthetic.troubles import KINDS

if TYPE_CHECKING:
    from synthetic.scenario import Instrument, Protocol, Site, Technician
    from synthetic.service import Visit

# every place of the scenario keeps one time, two hours ahead of UTC
ZONE = timezone(timedelta(hours=2))
# of the sloppy tests, this share follows no protocol (chosen)
_HURRIES = 0.6
# of the tests by protocol: the car comes hot from the road; the log runs on after the stop (chosen)
_COMES_HOT, _LOGS_THE_REST = 0.3, 0.2
_USUAL_SECONDS = 900.0
_SUFFIX = {
    "header_block_imperial": ".csv",
    "semicolon_metric": ".csv",
    "timestamp_comma": ".csv",
    "long_parquet": ".parquet",
    "mdf4": ".mf4",
}


@dataclass(frozen=True)
class Habits:
    """How tests are logged in this fleet: share with mishaps, seconds, MDF where it can be."""

    mishap_share: float = MISHAP_SHARE
    seconds: int = 900
    with_mdf: bool = False


def dialect_of(instrument_id: str, *, with_mdf: bool) -> str:
    """Dialect that an instrument writes."""
    if with_mdf and instrument_id in MDF_INSTRUMENTS:
        return "mdf4"
    return INSTRUMENT[instrument_id].dialect


def _moment(rng: np.random.Generator, day: date) -> datetime:
    """Start of a test: working hours, now and then just before midnight."""
    start = rng.integers(8 * 3600, 17 * 3600)
    if rng.random() < 0.01:
        start = rng.integers(23 * 3600 + 3000, 24 * 3600 - 10)
    return datetime.combine(day, datetime.min.time(), ZONE) + timedelta(seconds=int(start))


def _log_path(visit: Visit, instrument: Instrument, started: datetime, dialect: str) -> str:
    """Where the logger's file lies under logs/."""
    packing = f".{instrument.packing}" if instrument.packing and dialect != "mdf4" else ""
    vehicle_id = visit.life.car.vehicle_id
    name = f"{vehicle_id}_{started:%Y%m%d_%H%M%S}{_SUFFIX[dialect]}{packing}"
    return f"{visit.site.site_id}/{started:%Y-%m}/{name}"


def _protocol(rng: np.random.Generator, technician: Technician) -> Protocol:
    """A protocol, or none worth the name."""
    if rng.random() < _HURRIES * technician.is_sloppy:
        return QUICK_LOOK
    return PROTOCOLS[int(rng.choice(len(PROTOCOLS), p=[each.share for each in PROTOCOLS]))]


def _standing(rng: np.random.Generator, protocol: Protocol, seconds: int) -> dict[str, float]:
    """How the car stands before the start and after the stop.

    By protocol it is logged with everything off for one to three minutes first: mostly a car
    that stood for hours, its coolant still warm, some just off the road. A hurried one comes
    with the engine running.
    """
    scale = min(1.0, seconds / _USUAL_SECONDS)
    if protocol.is_sloppy:
        return {
            "true_start_s": float(rng.integers(6, 50)) * min(1.0, seconds / 300.0),
            "true_engine_from_s": 0.0,
            "true_stop_s": float(seconds),
            "true_soak_k": round(float(rng.normal(2.0, 4.0)), 2),
            "true_coolant_over_ambient_k": 55.0,
            "fit_standing_scatter_k": 1.0,
            "fit_standing_hot_k": round(float(rng.uniform(10.0, 30.0)), 1),
        }
    # mostly a minute or two, seldom three
    start_s = round(60.0 + 120.0 * float(rng.beta(1.2, 2.5))) * scale
    rests_s = float(rng.integers(60, 121)) * scale * float(rng.random() < _LOGS_THE_REST)
    is_hot = bool(rng.random() < _COMES_HOT)
    return {
        "true_start_s": start_s,
        "true_engine_from_s": start_s - float(rng.integers(5, 26)) * scale,
        "true_stop_s": seconds - rests_s,
        "true_soak_k": round(float(rng.normal(5.0 if is_hot else 2.0, 1.5)), 2),
        "true_coolant_over_ambient_k": round(
            float(rng.uniform(*((45, 60) if is_hot else (15, 40))))
        ),
        "fit_standing_scatter_k": round(float(rng.uniform(0.5, 1.0)), 2),
        "fit_standing_hot_k": round(float(rng.uniform(12.0, 35.0)), 1) * is_hot,
    }


def _course(rng: np.random.Generator, protocol: Protocol, seconds: int) -> dict[str, object]:
    """How the test is run second by second; a sloppy one changes midway and ends early."""
    sloppy = protocol.is_sloppy
    return {
        **_standing(rng, protocol, seconds),
        "true_engine_rpm": protocol.engine_rpm,
        "true_raise_after_s": float(rng.integers(20, 90)) * min(1.0, seconds / 300.0),
        "true_condenser_rise_k": round(float(np.clip(rng.normal(5.5, 1.4), 2.0, 10.0)), 2),
        "true_recirculated_share": protocol.recirculated_share,
        "true_set_point_c": protocol.set_point_c,
        "true_blower_pct": protocol.blower_pct,
        "true_doors_open": protocol.doors_open,
        "true_changes_at_s": round(float(rng.uniform(0.3, 0.8)) * seconds) if sloppy else -1,
        "true_changed_blower_pct": float(rng.choice([40.0, 60.0, 100.0])),
        "true_changed_engine_rpm": float(rng.choice([800.0, 1600.0, 2200.0])),
        "true_logged_s": round(float(rng.uniform(0.4, 1.0)) * seconds) if sloppy else seconds,
    }


def _noted(
    rng: np.random.Generator, site: Site, protocol: Protocol, air: dict[str, float]
) -> dict[str, object]:
    """What the technician writes down of the conditions: little, when sloppy."""
    writes = not protocol.is_sloppy
    has_barometer = rng.random() < 0.25
    return {
        "protocol": protocol.label if writes else None,
        "altitude_m": site.altitude_m,
        "barometric_kpa": air["true_site_kpa"] if has_barometer else None,
        "ambient_c": round(air["true_ambient_c"] + float(rng.normal(0.0, 0.4)), 1),
        "ambient_humidity_pct": float(round(air["true_ambient_humidity_pct"])) if writes else None,
        "recirculation": protocol.recirculation if writes else None,
        "blower_pct": protocol.blower_pct if writes else None,
        "doors_open": protocol.doors_open if writes else None,
        "cabin_setpoint_c": protocol.set_point_c,
    }


def _truth(visit: Visit) -> dict[str, object]:
    """Faults, severities and charge of the car on the day."""
    health = visit.life.health_on(visit.day)
    return {
        "model_id": visit.life.car.model.model_id,
        "true_fault": health.worst,
        "true_severity": health.severity,
        "true_onset": health.onset,
        "true_n_faults": len(health.severities),
        "true_charge_g": health.charge_g,
        "true_batch_id": visit.life.batch_id,
        **{f"true_severity_{kind}": health.severities.get(kind, 0.0) for kind in KINDS},
    }


def planned_row(
    rng: np.random.Generator, visit: Visit, repair_id: str | None, habits: Habits
) -> dict[str, object]:
    """One test as a row."""
    car, site, technician = visit.life.car, visit.site, visit.technician
    protocol = _protocol(rng, technician)
    instrument = INSTRUMENT[site.instruments[int(rng.integers(0, len(site.instruments)))]]
    started = _moment(rng, visit.day)
    air = weather(rng, site, visit.day, started.hour + started.minute / 60.0)
    fitting, mishap, insulated = fitting_of(
        rng, instrument, technician, mishap_share=habits.mishap_share, seconds=habits.seconds
    )
    dialect = dialect_of(instrument.instrument_id, with_mdf=habits.with_mdf)
    return {
        "log": _log_path(visit, instrument, started, dialect),
        "vehicle_id": car.vehicle_id,
        "started_at": started.isoformat(),
        "site_id": site.site_id,
        "technician_id": technician.technician_id,
        "purpose": visit.purpose,
        "repair_id": repair_id,
        **_noted(rng, site, protocol, air),
        "odometer_km": car.odometer_km(visit.day),
        "instrument_id": instrument.instrument_id,
        "clamps_insulated": insulated if not protocol.is_sloppy else None,
        **_truth(visit),
        **air,
        "true_mishap": mishap,
        "true_is_sloppy": protocol.is_sloppy,
        **{f"fit_{name}": value for name, value in asdict(fitting).items()},
        "fit_site_kpa": air["true_site_kpa"],
        **_course(rng, protocol, habits.seconds),
        **car.own,
    }
