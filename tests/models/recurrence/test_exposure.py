"""Who was watched how long, which repairs count, and what clocks and lags say."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from features.context import CONTEXT
from models.recurrence.climate import by_cooling, fit_climate
from models.recurrence.clocks import by_months
from models.recurrence.denominators import fleet_size
from models.recurrence.exposure import ClaimRecords, repair_events, watch_vehicles
from models.recurrence.odometer import by_distance, distance_at
from models.recurrence.reporting_lag import fit_reporting_lag, reverse_time_shares
from models.recurrence.settings import RecurrenceSettings
from pipeline.registry_tables import REGISTRY_TABLES

LAST = date(2025, 6, 30)
SETTINGS = RecurrenceSettings()


def _records(vehicles=(), repairs=(), volumes=(), tests=(), models=()):
    models = models or [{"model_id": "m1", "architecture": "a1", "warranty_months": 24.0}]
    rows = {"vehicles": vehicles, "repairs": repairs, "volumes": volumes, "models": models}
    frames = {
        name: REGISTRY_TABLES[name].conform(pl.DataFrame(list(given), infer_schema_length=None))
        for name, given in rows.items()
    }
    return ClaimRecords(**frames, tests=CONTEXT.conform(pl.DataFrame(list(tests))))


def _car(name, service, seen=None, **more):
    return {
        "vehicle_id": name, "model_id": "m1", "build_date": date(2024, 1, 15), "plant": "p",
        "in_service_date": service, "last_seen_date": seen,
    } | more  # fmt: skip


def _repair(number, car, day, **more):
    at = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
    return {
        "repair_id": f"r{number}", "vehicle_id": car, "performed_at": at, "component": "fan",
        "action": "replace",
    } | more  # fmt: skip


def _watch(records, settings=SETTINGS):
    return watch_vehicles(records, settings, LAST)


def test_a_watch_ends_with_the_last_sight_of_the_car_or_with_the_records():
    service = date(2025, 1, 1)
    records = _records(
        [
            _car("left", service, date(2025, 3, 1)),
            _car("there", service, date(2026, 1, 1)),
            _car("no_sight", service),
            _car("stock", date(2025, 8, 1)),
            _car("unknown", None),
        ]
    )
    watched = {row["vehicle_id"]: row for row in _watch(records).iter_rows(named=True)}
    days = {
        name: row["leave_day"] - row["enter_day"]
        for name, row in watched.items()
        if row["service_day"]
    }
    # 1 January to 1 March: 31 + 28 days; to 30 June: 31 + 28 + 31 + 30 + 31 + 29
    assert (days["left"], days["there"], days["no_sight"]) == (59, 180, 180)
    assert watched["left"]["ending_code"] == "last_seen"
    assert watched["there"]["ending_code"] == "as_of"
    assert watched["stock"]["reason_code"] == "not_yet_or_no_longer_watched"
    assert watched["unknown"]["reason_code"] == "in_service_date_not_known"


def test_a_watch_begins_with_the_records_and_ends_with_the_warranty_where_so_set():
    records = _records([_car("old", date(2022, 1, 1)), _car("new", date(2025, 1, 1))])
    settings = RecurrenceSettings(records_from="2023-01-01", is_warranty_only=True)
    old, new = _watch(records, settings).iter_rows(named=True)
    assert old["enter_day"] - old["service_day"] == 365
    assert new["enter_day"] == new["service_day"]
    # 24 months of 30.4375 days are 730 whole days, the first of them day 0
    assert old["leave_day"] - old["service_day"] == 729
    assert (old["ending_code"], new["ending_code"]) == ("warranty", "as_of")


def test_what_was_repaired_on_one_day_is_one_failure_and_an_inspection_none():
    day = date(2025, 2, 1)
    records = _records(
        [_car("c", date(2025, 1, 1), date(2025, 3, 1))],
        [
            _repair(1, "c", day, parts_cost=100.0),
            _repair(2, "c", day, labour_cost=50.0, part_lot="lot_1"),
            _repair(3, "c", day, component="seal"),
            _repair(4, "c", date(2025, 2, 2), action="inspect"),
            _repair(5, "c", date(2024, 12, 1)),
            _repair(6, "c", date(2025, 4, 1)),
            _repair(7, "c", date(2025, 2, 3), component=None),
        ],
    )
    found = repair_events(records, _watch(records))
    rows = found.events.sort("component").rows(named=True)
    assert [(row["component"], row["cost"], row["part_lot"]) for row in rows] == [
        ("fan", 150.0, "lot_1"),
        ("seal", None, None),
    ]
    assert found.n_left_out == {
        "after the watch or the last day that counts": 1, "before the watch began": 1,
        "component not stated": 1,
        "inspection only": 1,
    }  # fmt: skip
    assert by_months(_watch(records), found.events).events["bin"].to_list() == [31, 31]


def test_distance_runs_between_readings_and_on_at_the_mean_pace():
    readings = pl.DataFrame(
        {"car": [0, 0, 0, 1], "day": [0, 100, 200, 0], "odometer_km": [0.0, 1000.0, 4000.0, 0.0]},
        schema={"car": pl.UInt32, "day": pl.Int32, "odometer_km": pl.Float64},
    )
    asked = pl.DataFrame(
        {"car": [0, 0, 0, 1], "day": [150, 300, 100, 50]},
        schema={"car": pl.UInt32, "day": pl.Int32},
    )
    # 1000 + half of 3000; 4000 + 100 days at 4000 km / 200 days; car 1 showed nothing
    assert distance_at(readings, asked).to_list() == [2500.0, 6000.0, 1000.0, None]


def test_distance_is_refused_when_only_repairs_show_it():
    service = date(2025, 1, 1)
    cars = [_car(f"c{n}", service, LAST) for n in range(10)]
    repairs = [_repair(1, "c0", date(2025, 5, 1), odometer_km=5000.0)]
    records = _records(cars, repairs)
    watches = _watch(records)
    aged = by_distance(records, watches, repair_events(records, watches).events)
    assert aged.n_unknown == 9
    assert "known of only 0 %" in aged.reason
    records = _records([car | {"odometer_km": 9000.0} for car in cars], repairs)
    aged = by_distance(records, watches, repair_events(records, watches).events)
    assert aged.reason == ""
    assert aged.events["bin"].to_list() == [20]
    assert aged.cars["leave_bin"].to_list() == [36] * 10


def _tests_of_a_year(vehicle="c0", months=range(1, 13)):
    return [
        {
            "test_id": f"{vehicle}{month}{day}", "vehicle_id": vehicle,
            "started_at": datetime(2024, month, day, tzinfo=UTC),
            "ambient_c": 15.0 - 10.0 * np.cos(2 * np.pi * (month - 1 + day / 30) / 12),
        }
        for month in months
        for day in (5, 15, 25)
    ]  # fmt: skip


def test_cooling_is_summed_in_the_warm_months_only():
    frame = pl.DataFrame(_tests_of_a_year()).with_columns(region=pl.lit("shore"))
    first = date(2024, 1, 1).toordinal() - date(1970, 1, 1).toordinal()
    sums = fit_climate(frame, (first, first + 365), 18.0).summed["shore"]
    assert sums[80] == 0.0
    # integral of 10 cos x over where it exceeds 3: 2 (10 sin a - 3 a) / (2 pi) years, cos a = .3
    a = np.arccos(0.3)
    assert sums[-1] == pytest.approx(2 * (10 * np.sin(a) - 3 * a) / (2 * np.pi) * 365.25, rel=0.02)
    half = frame.filter(pl.col("started_at").dt.month() <= 5)
    assert fit_climate(half, (first, first + 365), 18.0).summed == {}


def test_cars_of_a_region_without_tests_have_no_cooling_clock():
    cars = [_car("c0", date(2024, 6, 1), LAST, region="shore"),
            _car("c1", date(2024, 6, 1), LAST, region="moor")]  # fmt: skip
    records = _records(cars, [_repair(1, "c0", date(2025, 6, 1))], tests=_tests_of_a_year())
    watches = _watch(records)
    aged = by_cooling(records, watches, repair_events(records, watches).events, 18.0)
    assert aged.n_unknown == 1
    assert aged.cars["vehicle_id"].to_list() == ["c0"]
    assert aged.events["bin"][0] > 50
    assert aged.reason


def test_lags_of_young_repairs_do_not_pull_the_law_to_short_lags():
    rng = np.random.default_rng(3)
    today = date(2025, 6, 30)
    age = rng.integers(0, 300, 20_000)
    lag = np.floor(rng.exponential(40.0, age.size)).astype(int)
    seen = lag <= age
    rows = pl.DataFrame(
        {
            "performed_at": [
                datetime(2025, 6, 30, tzinfo=UTC) - timedelta(int(d)) for d in age[seen]
            ],
            "lag": lag[seen],
        }
    ).with_columns(reported_at=pl.col("performed_at") + pl.duration(days="lag"))
    law = fit_reporting_lag(rows, today)
    naive = (lag[seen] <= 30).mean()
    truth = 1 - np.exp(-31 / 40)
    assert law.reported_by(np.array([30.0]))[0] == pytest.approx(truth, abs=0.02)
    assert abs(naive - truth) > 0.03
    assert law.days_for(0.9) == pytest.approx(40 * np.log(10), abs=8)
    assert not fit_reporting_lag(rows.head(5), today).is_known


def test_reverse_time_shares_by_hand():
    lag = np.array([0] * 10 + [1] * 10 + [2] * 10, dtype=np.int32)
    longest = np.array([0] * 5 + [5] * 25, dtype=np.int32)
    # 2 days: 10 of 25; 1 day: 10 of 15; hence F(1) = .6, F(0) = .6 / 3
    assert reverse_time_shares(lag, longest) == pytest.approx([0.2, 0.6, 1.0])


def _fleet_of(n_cars, **more):
    return [_car(f"c{n}", date(2024, 3, 1), LAST) for n in range(n_cars)]


def test_rates_need_a_fleet_and_volumes_can_give_it():
    presented = [_repair(n, f"c{n}", date(2025, 2, 1)) for n in range(20)]
    records = _records(_fleet_of(20), presented)
    assert fleet_size(records, _watch(records), SETTINGS).basis == "presented"
    records = _records(_fleet_of(100), presented)
    assert fleet_size(records, _watch(records), SETTINGS).basis == "fleet"
    built = [
        {"model_id": "m1", "build_month": date(2024, 1, 1), "vehicles_built": 500, "plant": "p"}
    ]
    records = _records(_fleet_of(20), presented, volumes=built)
    counted = fleet_size(records, _watch(records), SETTINGS)
    assert (counted.basis, counted.n_added) == ("volumes", 480)
    added = counted.watches.filter(pl.col("vehicle_id").is_null()).row(0, named=True)
    assert (added["weight"], added["model"], added["build_month"]) == (480, "m1", "2024-01")
    # built on 15 January on average, and as long in stock as the registered: 46 days
    assert added["service_day"] == (date(2024, 3, 1) - date(1970, 1, 1)).days
    forced = RecurrenceSettings(registered_cars="fleet")
    assert fleet_size(records, _watch(records), forced).basis == "fleet"
