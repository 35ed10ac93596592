"""A hand-made fleet for the tests of the reports: every figure below is chosen, none derived."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta

import polars as pl

from features.catalogue import FEATURES
from features.channels import SAMPLES
from features.context import CONTEXT
from features.events import EVENTS
from features.regime_spans import REGIMES
from features.screening import TRUST
from features.story import STORIES
from features.unread import UNREAD
from features.windows import WINDOWS
from models.causes_table import CAUSES
from models.drift_tables import DRIFTS
from models.tables import EVIDENCE, INSTRUMENT_OFFSETS, RESIDUALS, STATES
from pipeline.registry_tables import REGISTRY_TABLES
from pipeline.store_tables import LOGS, NOTICES, REJECTED, UNASSIGNED
from reports.content import SiteContent
from reports.settings import ReportSettings

CLOCK = datetime(2026, 6, 1, 6, 0, tzinfo=UTC)  # a Monday
HOSTILE_VEHICLE = "</script><img src=x onerror=alert(1)>"
HOSTILE_MODEL = '"><svg onload=alert(2)>{{ 7*7 }}'
STATE_CYCLE = ("in band", "watch", "service", "retest", "no verdict", "silent")


def make_samples(test_id, *, rows=900, silent=(), stuck_at=None):
    """A plausible log: fan steps on the high side, a slow swing on the low side."""
    seconds = [float(second) for second in range(rows)]
    fan = [40.0 if second % 240 < 120 else 80.0 for second in seconds]
    columns = {
        "time_s": seconds,
        "low_side_kpa": [320.0 + 8.0 * math.sin(second / 17.0) for second in seconds],
        "high_side_kpa": [
            1500.0 - 4.0 * (step - 40.0) + 6.0 * math.sin(second / 11.0)
            for second, step in zip(seconds, fan, strict=True)
        ],
        "evaporator_outlet_c": [8.0 + 0.7 * math.sin(second / 23.0) for second in seconds],
        "compressor_suction_c": [16.0 + 0.5 * math.sin(second / 29.0) for second in seconds],
        "condenser_outlet_c": [47.0 + 0.6 * math.sin(second / 13.0) for second in seconds],
        "expansion_inlet_c": [43.0 + 0.6 * math.sin(second / 13.0) for second in seconds],
        "compressor_discharge_c": [82.0 + 1.5 * math.sin(second / 31.0) for second in seconds],
        "duct_left_c": [9.0 + 16.0 * math.exp(-second / 60.0) for second in seconds],
        "duct_right_c": [9.6 + 16.0 * math.exp(-second / 70.0) for second in seconds],
        "intake_air_c": [29.0 + 0.3 * math.sin(second / 41.0) for second in seconds],
        "ambient_air_c": [30.0 + 0.2 * math.sin(second / 37.0) for second in seconds],
        "engine_rpm": [1500.0 + 12.0 * math.sin(second / 7.0) for second in seconds],
        "condenser_fan_pct": fan,
    }
    if stuck_at is not None:  # an impossible stretch: 400 degC on a pipe
        columns["condenser_outlet_c"] = [
            400.0 if second >= stuck_at else value
            for second, value in zip(seconds, columns["condenser_outlet_c"], strict=True)
        ]
    for name in silent:
        columns[name] = [None] * rows
    frame = pl.DataFrame({"test_id": [test_id] * rows, **columns}, strict=False)
    return SAMPLES.conform(frame)


def _residual(car, test, feature, values, *, finding=None, reason=None, regime="saturated"):
    observed, expected, spread = values
    z = None if expected is None else (observed - expected) / spread
    return {
        "test_id": test["test_id"], "vehicle_id": car["vehicle_id"], "model_id": car["model_id"],
        "regime": regime, "feature": feature, "observed": observed, "expected": expected,
        "spread": spread, "standard_uncertainty": None if spread is None else spread / 2,
        "z": z, "p_value": None if z is None else 0.0004 if finding else 0.4,
        "q_value": None if z is None else 0.0123 if finding else 0.8,
        "pooling_level": "none" if reason else "model", "baseline_vehicles": 0 if reason else 41,
        "finding_code": finding, "reason_code": reason,
    }  # fmt: skip


def _residuals(car, test, *, is_low):
    subcooling = (1.1, 6.0, 1.0) if is_low else (6.2, 6.0, 1.0)
    return [
        _residual(
            car, test, "condenser_outlet_subcooling_k", subcooling,
            finding="subcooling_low" if is_low else None,
        ),
        _residual(
            car, test, "duct_air_c", (13.4, 8.2, 1.3) if is_low else (8.6, 8.2, 1.3),
            finding="duct_air_warm" if is_low else None,
        ),
        _residual(car, test, "high_side_kpa", (1421.0, 1400.0, 30.0)),
        _residual(
            car, test, "rear_evaporator_outlet_superheat_k", (None, None, None),
            reason="not_known",
        ),
    ]  # fmt: skip


def make_cars(count, *, hostile=False):
    """Vehicles in all six states by turns, three tests each."""
    cars = [
        {
            "vehicle_id": f"CAR-{number:04d}",
            "model_id": f"Model {'ABC'[number % 3]}",
            "state": STATE_CYCLE[number % 6],
        }
        for number in range(count)
    ]
    if hostile:
        cars.append({"vehicle_id": HOSTILE_VEHICLE, "model_id": HOSTILE_MODEL, "state": "service"})
    return cars


def make_tests(car, place):
    return [
        {
            "test_id": f"{place:08x}{number:08x}",
            "vehicle_id": car["vehicle_id"],
            "model_id": car["model_id"],
            "log_path": f"site/{place:04d}-{number}.csv",
            "started_at": datetime(2026, 5, 20, 9, 30, tzinfo=UTC)
            - timedelta(days=60 * (2 - number) + place % 5),
            "refrigerant": "R134a",
            "compressor": "fixed_clutch",
            "expansion_device": "txv",
            "purpose": "screening",
        }
        for number in range(3)
    ]


def _state(car, tests):
    is_low = car["state"] in ("service", "watch")
    reasons = {
        "in band": "3 quantities compared with 41 cars of this model, none out of band",
        "watch": "subcooling at the condenser outlet 4.9 K lower than expected, once",
        "service": "subcooling at the condenser outlet 4.9 K lower than expected in two of the "
        "last three tests",
        "retest": "the test never held steady: hold engine speed for ten minutes",
        "no verdict": "3 cars of this model, 8 are needed",
        "silent": "last tested 410 days ago",
    }
    return {
        "vehicle_id": car["vehicle_id"], "model_id": car["model_id"], "state": car["state"],
        "reason": reasons[car["state"]], "latest_test_id": tests[-1]["test_id"],
        "latest_tested_at": tests[-1]["started_at"], "n_tests": 3,
        "worst_z": -4.9 if is_low else 0.7,
        "missing": "a clamp on the rear suction line; a longer steady window",
    }  # fmt: skip


def _evidence(rows):
    found = [row for row in rows if row["finding_code"] is not None]
    return [
        {key: value for key, value in row.items() if key in EVIDENCE.schema} | {"sentence": ""}
        for row in found
    ]


STORY = "Compressor on at 0:10; condenser fan up at 4:10: high side -290 kPa in 22 s."


def make_content(count=6, *, hostile=False, settings=None, samples=make_samples):
    """The whole content of a site of `count` vehicles."""
    cars = make_cars(count, hostile=hostile)
    tests = {car["vehicle_id"]: make_tests(car, place) for place, car in enumerate(cars)}
    every = [test for car in cars for test in tests[car["vehicle_id"]]]
    residuals = [
        row
        for car in cars
        for number, test in enumerate(tests[car["vehicle_id"]])
        for row in _residuals(car, test, is_low=car["state"] in ("service", "watch") and number > 0)
    ]
    return SiteContent(
        states=_frame(STATES, [_state(car, tests[car["vehicle_id"]]) for car in cars]),
        evidence=_frame(EVIDENCE, _evidence(residuals)),
        residuals=_frame(RESIDUALS, residuals),
        features=_frame(FEATURES, _features(cars, tests)),
        unread=_frame(UNREAD, _unread(cars, tests)),
        stories=_frame(
            STORIES, [{"test_id": test["test_id"], "sentence": STORY} for test in every]
        ),
        windows=_frame(WINDOWS, _windows(cars, tests)),
        regimes=_frame(REGIMES, [row for test in every for row in _regimes(test)]),
        events=_frame(EVENTS, [row for test in every for row in _events(test)]),
        trust=_frame(TRUST, [_distrusted(test) for test in every[::7]]),
        context=_frame(CONTEXT, every),
        vehicles=pl.DataFrame(cars, schema={"vehicle_id": pl.String, "model_id": pl.String}),
        models=pl.DataFrame(schema={"model_id": pl.String}),
        repairs=_frame(REGISTRY_TABLES["repairs"], [_repair(car) for car in cars[1:]]),
        logs=_frame(LOGS, [_log(test) for test in every] + [_refused_log()]),
        rejected=_frame(REJECTED, _rejected(every)),
        notices=_frame(NOTICES, _notices(cars, tests)),
        unassigned=_frame(UNASSIGNED, [_waiting()]),
        drifts=DRIFTS.empty(),
        causes=_frame(CAUSES, [_cause(car, tests) for car in cars if car["state"] == "service"]),
        instrument_offsets=_frame(INSTRUMENT_OFFSETS, []),
        read_samples=lambda test_ids: pl.concat(samples(test_id) for test_id in test_ids),
        clock=CLOCK,
        settings=settings or ReportSettings(),
        code_version="0.1.0",
    )


FITS = "It fits best: refrigerant short (for it: subcooling 4.2 K lower than expected)."


def _cause(car, tests):
    latest = tests[car["vehicle_id"]][-1]["test_id"]
    return dict.fromkeys(CAUSES.schema) | {
        "vehicle_id": car["vehicle_id"], "test_id": latest, "cause_code": "low_charge",
        "cause_rank": 1, "sentence": FITS,
    }  # fmt: skip


def _frame(table, rows):
    declared = table if hasattr(table, "conform") else table.table
    return (
        declared.conform(pl.DataFrame(rows, infer_schema_length=None))
        if rows
        else (declared.empty())
    )


def _latest_of(cars, tests, state):
    """The latest tests of the cars in a state."""
    return [tests[car["vehicle_id"]][-1] for car in cars if car["state"] == state]


def _windows(cars, tests):
    """A window in every test but those of `_unread`; of a car to watch, over swings."""
    unread = {row["test_id"] for row in _unread(cars, tests)}
    swings = {test["test_id"] for test in _latest_of(cars, tests, "watch")}
    return [
        _window(test, is_swing=test["test_id"] in swings)
        for car in cars
        for test in tests[car["vehicle_id"]]
        if test["test_id"] not in unread
    ]


def _window(test, *, is_swing):
    return {
        "test_id": test["test_id"], "window_number": 1,
        "kind_code": "periodic" if is_swing else "steady",
        "cycle_code": "swing" if is_swing else None,
        "regime": "saturated", "start_s": 125.0, "end_s": 250.0, "n_samples": 125,
    }  # fmt: skip


def _unread(cars, tests):
    return [
        {
            "test_id": test["test_id"], "reason_code": "never_settled",
            "channel": "evaporator_outlet_c",
            "sentence": "never settled: the suction line drifts by 1.8 K/min (1 allowed)",
        }
        for test in _latest_of(cars, tests, "retest")
    ]  # fmt: skip


def _features(cars, tests):
    """The latest test of a car to watch has one duct sensor, that of a car in band two."""
    sources = {"watch": "duct_left_c", "in band": "both_sides"}
    return [
        {"test_id": test["test_id"], "regime": regime, "duct_air_source": source}
        for state, code in sources.items()
        for test in _latest_of(cars, tests, state)
        for regime, source in (("saturated", code), ("whole_test", None))
    ]


def _notices(cars, tests):
    """A remark on the latest log of each car in band and in service."""
    return [
        {
            "path": test["log_path"], "column_name": "<i>Notes</i>", "code": "unused_column",
            "sentence": "The column matches no channel.", "place": "column Notes",
            "hint": "List it in `ignore`.",
        }
        for state in ("in band", "service")
        for test in _latest_of(cars, tests, state)
    ]  # fmt: skip


def _regimes(test):
    """Pulled down in two minutes, at full output from then on."""
    spans = (("pull_down", 0.0, 120.0, "the duct air still falls"),
             ("saturated", 120.0, 900.0, "the duct air stays above the wish"))  # fmt: skip
    return [
        {
            "test_id": test["test_id"], "span_number": number, "regime": regime,
            "reason_code": "chosen", "start_s": start_s, "end_s": end_s, "sentence": sentence,
        }
        for number, (regime, start_s, end_s, sentence) in enumerate(spans, 1)
    ]  # fmt: skip


def _events(test):
    return [
        {
            "test_id": test["test_id"], "event_number": number + 1,
            "kind_code": "fan_up" if number % 2 == 0 else "fan_down",
            "time_s": 120.0 * (number + 1), "source_code": "command",
            "size_pct": 40.0, "confidence": 0.99, "sentence": "not shown",
            "high_side_change_kpa": -160.0 if number % 2 == 0 else None,
            "low_side_change_kpa": 3.2 if number % 2 == 0 else None,
        }
        for number in range(7)
    ]  # fmt: skip


def _distrusted(test):
    return {
        "test_id": test["test_id"], "channel": "condenser_outlet_c", "rule_code": "out_of_range",
        "distrusted_share": 0.1234, "sentence": "111 of 900 readings out of range",
    }  # fmt: skip


def _repair(car):
    is_hostile = car["vehicle_id"] == HOSTILE_VEHICLE
    component = "condenser</script><script>alert(3)</script>" if is_hostile else "condenser"
    return {
        "repair_id": f"R-{car['vehicle_id']}", "vehicle_id": car["vehicle_id"],
        "performed_at": date(2026, 3, 3), "component": component, "action": "leak_repair",
        "shop_id": "north",
    }  # fmt: skip


def _log(test):
    return {"path": test["log_path"], "outcome_code": "stored", "test_id": test["test_id"]}


def _refused_log():
    return {"path": "site/<b>broken</b>.csv", "outcome_code": "refused"}


def _waiting():
    return {
        "path": "site/<img src=x onerror=alert(3)>.csv", "reason_code": "not_stated",
        "sentence": "no row of the registry's tests table names this log; nothing that a profile "
        "names states `vehicle_id` and `started_at`.",
        "missing": "vehicle_id started_at", "hint": "Add the row to registry/tests.",
        "columns": "log,vehicle_id,started_at,test_id,site_id,technician_id,purpose,repair_id",
        "row": "site/<img src=x onerror=alert(3)>.csv,</pre><script>alert(4)</script>,,,,,,",
    }  # fmt: skip


def _rejected(tests):
    rows = [
        {
            "path": "site/<b>broken</b>.csv", "column_name": None, "code": "no_header",
            "sentence": "the file has no header line", "place": "line 1",
            "hint": "export the log again with column names",
        }
    ]  # fmt: skip
    if tests:
        rows.append(
            {
                "path": tests[-1]["log_path"], "column_name": "LP [psi]", "code": "unit_ambiguous",
                "sentence": "psi may be gauge or absolute", "place": "line 7",
                "hint": "write psig or psia in the profile",
            }
        )  # fmt: skip
    return rows
