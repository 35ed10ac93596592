"""What the calibration report draws: frames worked out by running the simulator.

Published values stand beside their sources. Does not belong here: pictures and prose
(`make_calibration`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from synthetic.fleet import FleetSize, plan_fleet
from synthetic.plant.arrays import side_by_side
from synthetic.plant.cars import ARCHITECTURES, BENCH_CAR
from synthetic.plant.circuit import CircuitInputs
from synthetic.plant.conditions import Conditions, Course, profiles, surroundings
from synthetic.plant.curves import true_curves
from synthetic.plant.evaporator import Air, cool_air
from synthetic.plant.moist_air import humidity_ratio
from synthetic.plant.property_tables import R1234YF
from synthetic.plant.simulate import simulate
from synthetic.plant.steady import Steady, compression_kw, cooling_kw, settle
from synthetic.plant.workshop import workshop_idle

if TYPE_CHECKING:
    from datetime import date

    from synthetic.plant.cars import CarDesign

SEA_LEVEL_KPA = 101.325
_KPA_PER_PSI = 6.894757
# speed, condenser air, evaporator air of the bench points; the last is a mild one
_POINTS = (
    (1000.0, 28.0, 27.0),
    (1000.0, 36.0, 27.0),
    (1800.0, 28.0, 27.0),
    (1800.0, 36.0, 27.0),
    (900.0, 28.0, 33.0),
)


def _settled(
    cars: list[CarDesign],
    points: list[tuple[float, float, float]],
    condenser_kg_per_s: float = 0.85,
) -> Steady:
    """Steady states of cars at held points (speed, condenser air, evaporator air)."""
    rpm, outside, inside = (np.array(column) for column in zip(*points, strict=True))
    n = len(cars)
    sea_level = np.full(n, SEA_LEVEL_KPA)
    ratio = humidity_ratio(inside, np.full(n, 45.0), sea_level)
    inputs = CircuitInputs(
        rpm=rpm,
        displacement=np.ones(n),
        front_air=Air(np.full(n, 0.12), inside, ratio, sea_level),
        rear_air=Air(np.full(n, 0.06), inside, ratio, sea_level),
        condenser_air_kg_per_s=np.full(n, condenser_kg_per_s),
        condenser_air_c=outside,
        underhood_c=np.full(n, 50.0),
    )
    return settle(side_by_side(cars), inputs)


def charge_sweep() -> pl.DataFrame:
    """Capacity, COP and subcooling over charge, relative to the middle of the reserve.

    A hot car that stands: 40 degC and 0.40 kg/s of air at the condenser.
    """
    charge = np.arange(0.168, 0.360, 0.008)
    cars = [replace(BENCH_CAR, charge_kg=float(kg)) for kg in charge]
    steady = _settled(cars, [(1800.0, 40.0, 27.0)] * charge.size, 0.40)
    high, capacity = steady.flows.high, cooling_kw(steady)
    cop = capacity / compression_kw(steady)
    filled = high.inventory.receiver_filled
    top = (filled > 0.05) & (filled < 0.95)
    best = charge[top].mean()
    return pl.DataFrame(
        {
            "charge_pct": 100.0 * charge / best,
            "capacity_pct": 100.0 * capacity / np.interp(best, charge, capacity),
            "cop_pct": 100.0 * cop / np.interp(best, charge, cop),
            "subcooling_k": high.saturation.temperature_c - high.condensing.outlet_c,
        }
    )


def share_at(frame: pl.DataFrame, quantity: str, share: float) -> float:
    """A quantity in percent of the best at a share of the middle charge."""
    return float(np.interp(100.0 * share, frame["charge_pct"], frame[quantity]))


def drop_in() -> pl.DataFrame:
    """Changes of capacity, COP [%] and discharge temperature [K] with R-1234yf."""
    points = list(_POINTS)
    cars = [BENCH_CAR] * len(points)
    cars += [replace(BENCH_CAR, refrigerant=R1234YF, charge_kg=0.28)] * len(points)
    steady = _settled(cars, points * 2)
    cooling, n = cooling_kw(steady), len(points)
    cop, hot = cooling / compression_kw(steady), steady.flows.high.discharge_c
    found = {
        "capacity, %": 100.0 * (cooling[n:] / cooling[:n] - 1.0),
        "COP, %": 100.0 * (cop[n:] / cop[:n] - 1.0),
        "discharge, K": hot[n:] - hot[:n],
    }
    # Lee & Jung (abstract); Navarro-Esbri 2013
    published = {"capacity, %": [-4.0, -9.0], "COP, %": [-2.7, -19.0], "discharge, K": [-6.5]}
    rows = [
        {"quantity": name, "change": float(value), "origin": origin}
        for origin, values in (("simulated", found), ("published", published))
        for name, changes in values.items()
        for value in changes
    ]
    return pl.DataFrame(rows)


# drop [K] at 4 kW, 0.10 kg/s, bypass 0.2 by relative humidity, from psychrometric relations
_COIL_TABLE = {
    25.0: {20.0: 33.6, 40.0: 27.2, 60.0: 21.7, 80.0: 17.1},
    30.0: {20.0: 32.1, 40.0: 24.7, 60.0: 18.7, 80.0: 13.9},
    35.0: {20.0: 30.7, 40.0: 22.4, 60.0: 16.1, 80.0: 11.3},
}


def _coil_drop_k(intake_c: float, humidity_pct: float) -> float:
    """Drop over the plant's coil where its surface makes it take 4 kW."""
    surface = np.linspace(-30.0, intake_c, 4000)
    n, one = surface.size, np.array([SEA_LEVEL_KPA])
    ratio = humidity_ratio(np.array([intake_c]), np.array([humidity_pct]), one)
    air = Air(np.full(n, 0.10), np.full(n, intake_c), np.full(n, ratio[0]), np.full(n, one[0]))
    found = cool_air(air, surface, np.full(n, 0.2))
    return intake_c - float(np.interp(-4.0, -found.heat_kw, found.celsius))


def coil_drops() -> pl.DataFrame:
    """Drops over the coil, simulated and from the table."""
    rows = [
        {
            "intake_c": intake_c,
            "humidity_pct": humidity_pct,
            "table_k": table_k,
            "simulated_k": _coil_drop_k(intake_c, humidity_pct),
        }
        for intake_c, row in _COIL_TABLE.items()
        for humidity_pct, table_k in row.items()
    ]
    return pl.DataFrame(rows)


# a service manual's example for an R-134a car: air [degC], low, high of the band
_BANDS = {
    "duct_c": [(20.0, 6.0, 8.0), (25.0, 8.4, 10.9), (30.0, 14.5, 17.5)],
    "high_kpa_gauge": [(25, 1204, 1471), (30, 1300, 1590), (35, 1500, 1820), (40, 1870, 2285)],
    "low_kpa_gauge": [(25, 171, 209), (30, 196, 240), (35, 229, 280), (40, 292, 357)],
}


def service_table() -> tuple[pl.DataFrame, pl.DataFrame]:
    """The R-134a architectures at idle, and the manual's bands."""
    names = [name for name in ARCHITECTURES if name.startswith("134a")]
    air = (20.0, 25.0, 30.0, 35.0, 40.0)
    plan = [(name, ambient_c) for name in names for ambient_c in air]
    cars = side_by_side([ARCHITECTURES[name] for name, _ in plan])
    around = surroundings(
        [
            Conditions(ambient_c=c, ambient_humidity_pct=55.0, parts_c=c, cabin_c=c, doors_open=1.0)
            for _, c in plan
        ]
    )
    stations = simulate(cars, around, profiles([Course()] * len(plan), np.random.default_rng(1)))
    curves = true_curves(stations, cars)
    late = slice(-300, None)
    runs = curves["compressor_on"][late] > 0
    found = {
        "duct_c": (curves["duct_left_c"] + curves["duct_right_c"]) / 2.0,
        "high_kpa_gauge": curves["high_side_kpa"] - SEA_LEVEL_KPA,
        "low_kpa_gauge": curves["low_side_kpa"] - SEA_LEVEL_KPA,
    }
    rows = [
        {
            "car": name.removeprefix("134a_").replace("_", " "),
            "ambient_c": ambient_c,
            "quantity": quantity,
            "value": float(curve[late][runs[:, place], place].mean()),
        }
        for quantity, curve in found.items()
        for place, (name, ambient_c) in enumerate(plan)
    ]
    bands = [
        {"quantity": quantity, "ambient_c": float(c), "low": float(low), "high": float(high)}
        for quantity, values in _BANDS.items()
        for c, low, high in values
    ]
    return pl.DataFrame(rows), pl.DataFrame(bands)


def share_inside(frame: pl.DataFrame, bands: pl.DataFrame) -> str:
    """How many simulated points lie within the bands, and how far the others lie outside."""
    under, over = pl.col("low") - pl.col("value"), pl.col("value") - pl.col("high")
    measured = frame.join(bands, on=["quantity", "ambient_c"]).with_columns(
        under=under.clip(lower_bound=0.0), over=over.clip(lower_bound=0.0)
    )
    texts = []
    for quantity, label in (
        ("duct_c", "duct air, K"),
        ("high_kpa_gauge", "high side, kPa"),
        ("low_kpa_gauge", "low side, kPa"),
    ):
        part = measured.filter(quantity=quantity)
        inside = part.filter(pl.col("under") + pl.col("over") == 0).height
        texts.append(
            f"{label}: {inside} of {part.height} inside, up to {part['under'].max():.0f} below and "
            f"{part['over'].max():.0f} above"
        )
    return "; ".join(texts) + "."


def workshop_curves() -> pl.DataFrame:
    """The workshop-idle test as read by its logger, in the units of practice."""
    _, read = workshop_idle(np.random.default_rng(1))
    seconds = np.arange(read["low_side_kpa"].shape[0])[::3]
    duct_c = (read["duct_left_c"] + read["duct_right_c"])[::3, 0] / 2.0
    return pl.DataFrame(
        {
            "minute": seconds / 60.0,
            "high_psig": (read["high_side_kpa"][::3, 0] - SEA_LEVEL_KPA) / _KPA_PER_PSI,
            "low_psig": (read["low_side_kpa"][::3, 0] - SEA_LEVEL_KPA) / _KPA_PER_PSI,
            "duct_degf": duct_c * 1.8 + 32.0,
        }
    )


@dataclass(frozen=True)
class FleetRun:
    """What a planned fleet of ten models over five years shows."""

    n_cars: int
    rates: pl.DataFrame
    mean_rate_g: float
    median_rate_g: float
    tenth_rate_g: float
    shares: pl.DataFrame
    share_text: str
    comebacks: pl.DataFrame
    comeback_text: str
    months: pl.DataFrame


_SIZE = FleetSize(2000, 6000, years=5, n_models=10)
_GROUPS = {
    "none": "none",
    "undercharge": "low charge",
    "overcharge": "overcharge",
    "condenser_blockage": "air flow, electrical",
    "weak_fan": "air flow, electrical",
    "evaporator_air_low": "air flow, electrical",
    "blend_door_leak": "air flow, electrical",
    "heater_valve_leak": "air flow, electrical",
    "compressor_wear": "compressor",
    "displacement_stuck_low": "compressor",
    "displacement_stuck_high": "compressor",
}
_PRIORS = {
    "screening": {"none": 85.0, "low charge": 8.0},
    "complaint": {
        "low charge": 45.0, "overcharge": 5.0, "air flow, electrical": 25.0, "compressor": 10.0,
        "other": 15.0,
    },
}  # fmt: skip


def _shares(tests: pl.DataFrame) -> tuple[pl.DataFrame, str]:
    """Shares of faults in screening and in complaints with a cause, beside the priors."""
    kind = (
        pl.when(pl.col("purpose") == "screening").then(pl.lit("screening"))
        .when(pl.col("purpose") != "after_repair").then(pl.lit("complaint"))
    )  # fmt: skip
    grouped = tests.select(
        tests=kind,
        group=pl.col("true_fault").replace_strict(_GROUPS, default="other"),
    ).filter(
        pl.col("tests").is_not_null(),
        (pl.col("tests") == "screening") | (pl.col("group") != "none"),
    )
    found = grouped.group_by("tests", "group").agg(pl.len().alias("n"))
    shares = found.with_columns(
        share_pct=100.0 * pl.col("n") / pl.col("n").sum().over("tests"), origin=pl.lit("simulated")
    ).select("tests", "group", "share_pct", "origin")
    priors = pl.DataFrame(
        [
            {"tests": tests_, "group": group, "share_pct": share, "origin": "prior"}
            for tests_, groups in _PRIORS.items()
            for group, share in groups.items()
        ]
    )
    both = pl.concat([shares, priors]).sort("tests", "group", "origin")
    text = "; ".join(
        f"{row['tests']}: {row['group']} {row['share_pct']:.0f} %"
        for row in shares.sort("tests", "share_pct", descending=True).iter_rows(named=True)
        if row["share_pct"] >= 5.0
    )
    return both, text


def _comebacks(repairs: pl.DataFrame, last: date) -> tuple[pl.DataFrame, str]:
    """Share of refills for lack of charge that were repaired again, over days since then."""
    days = repairs.with_columns(day=pl.col("performed_at").str.slice(0, 10).str.to_date()).sort(
        "vehicle_id", "day"
    )
    again = days.with_columns(next_day=pl.col("day").shift(-1).over("vehicle_id")).filter(
        pl.col("true_fault_before") == "undercharge",
        pl.col("action").is_in(["recharge", "leak_repair"]),
        (pl.lit(last) - pl.col("day")).dt.total_days() >= 730,
    )
    wait = again.with_columns(
        days=(pl.col("next_day") - pl.col("day")).dt.total_days(),
        leak=pl.when(pl.col("true_leak_left_g_per_year") > 0)
        .then(pl.lit("leak left in"))
        .otherwise(pl.lit("tight")),
    )
    rows, texts = [], []
    for leak in ("leak left in", "tight"):
        part = wait.filter(leak=leak)
        for limit in range(0, 731, 10):
            back = part.filter(pl.col("days") <= limit).height / part.height
            rows.append({"leak": leak, "days": limit, "back_pct": 100.0 * back})
        texts.append(f"{leak} {rows[-1]['back_pct']:.0f} % within two years (of {part.height})")
    return pl.DataFrame(rows), "; ".join(texts)


def fleet_run() -> FleetRun:
    """A planned fleet of ten models over five years, summed up."""
    fleet = plan_fleet(np.random.default_rng(1), _SIZE)
    rates = fleet.vehicles["true_loss_g_per_year"].to_numpy()
    edges = np.geomspace(4.0, 1500.0, 30)
    counts, _ = np.histogram(rates, edges)
    shares, share_text = _shares(fleet.tests)
    comebacks, comeback_text = _comebacks(fleet.repairs, _SIZE.window[1])
    month = pl.col("performed_at").str.slice(5, 2).cast(pl.Int64).alias("month")
    return FleetRun(
        n_cars=fleet.vehicles.height,
        rates=pl.DataFrame({"from_g": edges[:-1], "to_g": edges[1:], "cars": counts}),
        mean_rate_g=float(rates.mean()),
        median_rate_g=float(np.median(rates)),
        tenth_rate_g=float(np.quantile(rates, 0.9)),
        shares=shares,
        share_text=share_text,
        comebacks=comebacks,
        comeback_text=comeback_text,
        months=fleet.repairs.group_by(month).agg(pl.len().alias("repairs")).sort("month"),
    )
