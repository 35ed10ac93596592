"""The plan of an invented fleet: its cars, their tests and repairs over two warm seasons.

`plan_fleet` gives frames: `vehicles`, `repairs` (registry columns) and `tests` (registry
columns, the true conditions prefixed `true_` and the car's own scatter prefixed `own_`).
Does not belong here: what happens to a car (`lives`), curves (`behaviour`), files
(`registry_files`, `dialects`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta, timezone

import numpy as np
import polars as pl

from synthetic.faults import BY_KIND, KINDS, size
from synthetic.lives import Car, Illness, Repair, Visit, repairs_in, visits_of
from synthetic.moist_air import site_pressure_kpa
from synthetic.scenario import INSTRUMENTS, MODELS, PROTOCOLS, SITES, Instrument, Protocol, Site

SEASONS = ((date(2025, 4, 22), date(2025, 9, 26)), (date(2026, 4, 20), date(2026, 9, 24)))

# every place of the scenario keeps one time, two hours ahead of UTC
ZONE = timezone(timedelta(hours=2))

# what differs between two cars of one model, each a standard normal number
OWN = (
    "own_pump", "own_coil", "own_blower", "own_condenser", "own_valve", "own_setting", "own_gain",
    "own_subcool", "own_exchanger", "own_fan", "own_target", "own_sides", "own_rear", "own_charge",
    "own_leak",
)  # fmt: skip

_SUFFIX = {"header_block_imperial": ".csv", "semicolon_metric": ".csv", "long_parquet": ".parquet"}
_INSTRUMENT = {instrument.instrument_id: instrument for instrument in INSTRUMENTS}


@dataclass(frozen=True)
class Fleet:
    """The planned fleet: one row per vehicle, per test and per repair."""

    vehicles: pl.DataFrame
    tests: pl.DataFrame
    repairs: pl.DataFrame


@dataclass(frozen=True)
class FleetSize:
    """How many cars and tests, and what share of the cars gets a fault."""

    vehicles: int = 200
    tests: int = 600
    faulty_share: float = 0.12


def _season_day(rng: np.random.Generator) -> date:
    """A day in one of the seasons, more often in the warm middle of it."""
    start, end = SEASONS[int(rng.integers(0, len(SEASONS)))]
    return start + timedelta(days=int(rng.beta(1.7, 1.7) * (end - start).days))


def _draw_car(rng: np.random.Generator, number: int, n_cars: int) -> Car:
    """A healthy car; models come in fixed shares so that every fleet has all of them."""
    edges = np.cumsum([model.fleet_share for model in MODELS])
    model = MODELS[int(np.searchsorted(edges, (number + 0.5) / n_cars))]
    home = SITES[int(rng.choice(len(SITES), p=[0.36, 0.28, 0.22, 0.14]))]
    built = date(2021, 1, 4) + timedelta(days=int(rng.integers(0, 1350)))
    service = built + timedelta(days=int(rng.integers(12, 90)))
    per_day = float(rng.gamma(5.0, 11.0))
    own = dict(zip(OWN, np.clip(rng.standard_normal(len(OWN)), -2.5, 2.5).tolist(), strict=True))
    km = max(per_day * (SEASONS[0][0] - service).days, 50.0)
    return Car(f"v{number + 1:04d}", model, home, built, service, km, per_day, own)


def _test_counts(rng: np.random.Generator, fleet_size: FleetSize) -> list[int]:
    """Tests per car: an even share each, some moved from one car to another."""
    counts = np.full(fleet_size.vehicles, fleet_size.tests // fleet_size.vehicles)
    for _ in range(fleet_size.vehicles // 2):
        giver, taker = rng.integers(0, fleet_size.vehicles, 2)
        if counts[giver] > 1:
            counts[giver] -= 1
            counts[taker] += 1
    spare = fleet_size.tests - int(counts.sum())
    counts[rng.permutation(fleet_size.vehicles)[:spare]] += 1
    return [int(count) for count in counts]


def _draw_illness(rng: np.random.Generator, car: Car, kind: str) -> Illness:
    """A fault that begins before one of the car's tests, often not the first."""
    first_ill = car.days[int(rng.beta(0.8, 1.6) * len(car.days))]
    onset = first_ill - timedelta(days=int(rng.integers(1, 30)))
    grows = float(rng.uniform(40.0, 160.0)) if BY_KIND[kind].grows else 0.0
    return Illness(kind, round(float(rng.uniform(0.45, 1.0)), 3), onset, grows)


def _draw_cars(rng: np.random.Generator, fleet_size: FleetSize) -> list[Car]:
    """All cars with their test days; a share of them with one fault, every kind as often."""
    cars = [_draw_car(rng, number, fleet_size.vehicles) for number in range(fleet_size.vehicles)]
    for car, count in zip(cars, _test_counts(rng, fleet_size), strict=True):
        car.days = sorted(_season_day(rng) for _ in range(count))
    chosen = rng.permutation(len(cars))[: round(fleet_size.faulty_share * len(cars))]
    for turn, index in enumerate(chosen):
        car = cars[int(index)]
        if car.days:
            car.illness = _draw_illness(rng, car, KINDS[turn % len(KINDS)])
    return cars


def _weather(rng: np.random.Generator, site: Site, day: date, hour: float) -> dict[str, float]:
    """Air outside the workshop: warm in July and in the afternoon, drier when warmer."""
    season = np.cos(2 * np.pi * (day.timetuple().tm_yday - 203) / 365.0)
    mean = 13.5 + 11.0 * season + site.warmer_k + 3.2 * np.cos(2 * np.pi * (hour - 15.0) / 24.0)
    ambient = float(np.clip(mean + 3.4 * rng.standard_normal(), 15.0, 38.0))
    damp = site.humidity_pct - 1.3 * (ambient - 24.0) + 9.0 * rng.standard_normal()
    pressure = float(site_pressure_kpa(np.array(site.altitude_m))) + 0.5 * rng.standard_normal()
    return {
        "true_ambient_c": round(ambient, 2),
        "true_ambient_humidity_pct": round(float(np.clip(damp, 14.0, 88.0)), 1),
        "true_site_kpa": round(pressure, 2),
    }


def _conditions(rng: np.random.Generator, visit: Visit, protocol: Protocol) -> dict[str, object]:
    """How the test is run, as far as the curves depend on it and the registry may not say."""
    stray = rng.uniform(0.15, 0.3) if rng.random() < 0.03 else rng.uniform(0.0, 0.04)
    loss_g = visit.car.own["own_leak"] * 6.0 + 20.0
    age = max((visit.day - visit.filled_on).days, 0) / 365.0
    filled = visit.car.model.charge_g * (1.0 + 0.02 * visit.car.own["own_charge"])
    missing = visit.car.model.charge_g * size("undercharge", visit.severity)
    return {
        "true_charge_g": round(
            filled - loss_g * age - (missing if visit.kind == "undercharge" else 0.0), 1
        ),
        "true_engine_rpm": protocol.engine_rpm,
        "true_start_s": float(rng.integers(6, 50)),
        "true_raise_after_s": float(rng.integers(20, 90)),
        "true_soak_k": round(float(rng.normal(2.0, 1.5)), 2),
        "true_condenser_rise_k": round(float(np.clip(rng.normal(5.5, 1.4), 2.0, 10.0)), 2),
        "true_recirculated_share": protocol.recirculated_share,
        "true_set_point_c": protocol.set_point_c,
        "true_intake_stray_share": round(float(stray), 3),
        "true_clamp_seed": int(rng.integers(0, 2**31)),
    }


def _moment(rng: np.random.Generator, day: date) -> datetime:
    """Start of a test in shop hours; the odd one on the night shift."""
    start = rng.integers(7 * 3600, 18 * 3600)
    if rng.random() < 0.01:
        start = rng.integers(23 * 3600 + 3000, 24 * 3600 - 10)
    return datetime.combine(day, datetime.min.time(), ZONE) + timedelta(seconds=int(start))


def _log_path(visit: Visit, site: Site, instrument: Instrument, started: datetime) -> str:
    """Where the logger's file lies under logs/."""
    packing = f".{instrument.packing}" if instrument.packing else ""
    name = f"{visit.car.vehicle_id}_{started:%Y%m%d_%H%M%S}{_SUFFIX[instrument.dialect]}{packing}"
    return f"{site.site_id}/{started:%Y-%m}/{name}"


def _test_row(
    rng: np.random.Generator, visit: Visit, repair_ids: dict[int, str]
) -> dict[str, object]:
    """One test: registry columns, true conditions, the car's scatter."""
    car = visit.car
    at_home = rng.random() < 0.92
    site = car.home if at_home else SITES[int(rng.integers(0, len(SITES)))]
    protocol = PROTOCOLS[int(rng.choice(len(PROTOCOLS), p=[each.share for each in PROTOCOLS]))]
    instrument = _INSTRUMENT[site.instruments[int(rng.integers(0, len(site.instruments)))]]
    started = _moment(rng, visit.day)
    weather = _weather(rng, site, visit.day, started.hour + started.minute / 60.0)
    noted = rng.random(2)
    km = car.odometer_km + car.km_per_day * (visit.day - SEASONS[0][0]).days
    onset = car.illness.onset if car.illness else None
    return {
        "log": _log_path(visit, site, instrument, started),
        "vehicle_id": car.vehicle_id,
        "started_at": started.isoformat(),
        "site_id": site.site_id,
        "technician_id": site.technicians[int(rng.integers(0, len(site.technicians)))],
        "purpose": visit.purpose,
        "repair_id": repair_ids.get(id(visit.repair)),
        "protocol": protocol.label,
        "odometer_km": round(km),
        "altitude_m": site.altitude_m,
        "barometric_kpa": weather["true_site_kpa"] if noted[0] < 0.25 else None,
        "ambient_c": round(weather["true_ambient_c"] + rng.normal(0.0, 0.4), 1),
        "ambient_humidity_pct": float(round(weather["true_ambient_humidity_pct"])),
        "recirculation": protocol.recirculation,
        "blower_pct": protocol.blower_pct,
        "doors_open": protocol.doors_open,
        "cabin_setpoint_c": protocol.set_point_c,
        "instrument_id": instrument.instrument_id,
        "clamps_insulated": bool(noted[1] < 0.7),
        "model_id": car.model.model_id,
        "true_fault": visit.kind,
        "true_severity": visit.severity,
        "true_onset": onset,
        **weather,
        **_conditions(rng, visit, protocol),
        **car.own,
    }


def _repair_row(rng: np.random.Generator, number: int, repair: Repair) -> dict[str, object]:
    """One repair as the shop's books show it, and whether it cured (`true_cured`)."""
    car = repair.car
    opened = repair.opens_circuit
    recovered = car.model.charge_g * (0.55 if repair.component == "refrigerant_circuit" else 0.9)
    when = datetime.combine(repair.day, datetime.min.time(), ZONE) + timedelta(hours=10)
    parts = (
        float(rng.gamma(4.0, 60.0)) if repair.action == "replace" else float(rng.gamma(2.0, 8.0))
    )
    return {
        "repair_id": f"r{number + 1:04d}",
        "vehicle_id": car.vehicle_id,
        "performed_at": when.isoformat(),
        "shop_id": car.home.site_id,
        "technician_id": car.home.technicians[int(rng.integers(0, len(car.home.technicians)))],
        "odometer_km": round(car.odometer_km + car.km_per_day * (repair.day - SEASONS[0][0]).days),
        "complaint": repair.complaint,
        "component": repair.component,
        "action": repair.action,
        "recovered_g": round(recovered + rng.normal(0, 20)) if opened else None,
        "charged_g": round(car.model.charge_g + rng.normal(0, 8)) if opened else None,
        "oil_ml": float(rng.integers(0, 25)) if opened else None,
        "leak_found": repair.leak_found,
        "parts_cost": round(parts, 2),
        "labour_cost": round(float(rng.gamma(5.0, 22.0)), 2),
        "true_cured": repair.is_cured,
    }


def _vehicle_row(car: Car, last_seen: date | None) -> dict[str, object]:
    """One vehicle as the registry shows it."""
    return {
        "vehicle_id": car.vehicle_id,
        "model_id": car.model.model_id,
        "build_date": car.build_date,
        "in_service_date": car.in_service_date,
        "plant": "works_one" if int(car.vehicle_id[1:]) % 3 else "works_two",
        "region": car.home.region,
        "fleet": "parcels" if car.model.model_id.endswith(("van", "pickup")) else "pool",
        "odometer_km": round(car.odometer_km),
        "last_seen_date": last_seen,
    }


def plan_fleet(rng: np.random.Generator, fleet_size: FleetSize) -> Fleet:
    """The planned fleet; `tests` are in order of start and numbered `t00001` on.

    The same generator state gives the same fleet.
    """
    cars = _draw_cars(rng, fleet_size)
    visits = [visit for car in cars for visit in visits_of(rng, car)]
    repairs = repairs_in(visits)
    ids = {id(repair): f"r{number + 1:04d}" for number, repair in enumerate(repairs)}
    rows = [_test_row(rng, visit, ids) for visit in visits]
    tests = pl.DataFrame(rows, infer_schema_length=None).sort("started_at", "vehicle_id")
    tests = tests.with_row_index("number", 1).select(
        pl.format("t{}", pl.col("number").cast(pl.String).str.zfill(5)).alias("test_id"),
        pl.exclude("number"),
    )
    last = {car.vehicle_id: max(car.days, default=None) for car in cars}
    return Fleet(
        vehicles=pl.DataFrame([_vehicle_row(car, last[car.vehicle_id]) for car in cars]),
        tests=tests,
        repairs=pl.DataFrame(
            [_repair_row(rng, number, repair) for number, repair in enumerate(repairs)],
            infer_schema_length=None,
        ),
    )
