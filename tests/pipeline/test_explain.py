"""The words of `explain`, on rows made by hand."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl
import pytest

from pipeline.explain import UnknownVehicleError, explain
from pipeline.store_tables import STORE_TABLES
from pipeline.warehouse import Replacement, StoreLimits, open_store
from reports.settings import ReportSettings

BY_NAME = {table.name: table for table in STORE_TABLES}
AT = datetime(2026, 7, 1, 10, tzinfo=UTC)


@pytest.fixture
def store(tmp_path):
    limits = StoreLimits("256MB", 1, tmp_path / "temp", "1GB")
    with open_store(tmp_path / "s.duckdb", STORE_TABLES, limits) as warehouse:
        yield warehouse


def put(store, name, *rows):
    table = BY_NAME[name]
    frame = pl.DataFrame([dict.fromkeys(table.schema) | row for row in rows], schema=table.schema)
    store.replace([Replacement(table, frame)])


def state(vehicle_id="van7", **more):
    return {
        "vehicle_id": vehicle_id,
        "model_id": "brelku",
        "state": "service",
        "reason": "Subcooling is 5.0 K below expected in two of three tests.",
        "latest_test_id": "t1",
        "latest_tested_at": AT,
        "n_tests": 3,
    } | more


def test_state_reason_evidence_and_caution_are_told(store):
    put(store, "states", state(missing="A humidity sensor at the intake."))
    put(store, "context", {"test_id": "t1", "vehicle_id": "van7", "log_path": "bay/x.csv"})
    put(
        store,
        "evidence",
        {
            "vehicle_id": "van7",
            "test_id": "t1",
            "tested_at": AT,
            "regime": "regulating",
            "feature": "condenser_outlet_subcooling_k",
            "finding_code": "low_subcooling",
            "sentence": "Subcooling is low.",
            "observed": 4.9,
            "expected": 9.8,
            "spread": 0.9,
            "z": -5.4,
            "p_value": 0.0001,
            "q_value": 0.004,
            "pooling_level": "model",
            "baseline_vehicles": 41,
        },
    )
    lines = explain(store, "van7", ReportSettings()).splitlines()
    text = " ".join(" ".join(lines).replace("\N{NO-BREAK SPACE}", " ").split())
    assert lines[0] == "van7 (brelku): service"
    assert "Subcooling is 5.0 K below expected in two of three tests." in text
    assert "3 tests on record, the latest of 2026-07-01." in text
    assert "For a fuller judgement: A humidity sensor at the intake." in text
    assert "2026-07-01, bay/x.csv Subcooling is low." in text
    assert "observed 4.9 K, expected 9.8 K" in text
    assert "41 cars of this model" in text
    assert "z \N{MINUS SIGN}5.4" in text
    assert "Never top up on a reading" in text
    assert max(map(len, lines)) <= 88


def test_what_was_not_judged_not_trusted_and_refused_is_told(store):
    put(store, "states", state(state="no verdict", reason="Too little is logged."))
    put(store, "context", {"test_id": "t1", "vehicle_id": "van7", "log_path": "bay/x.csv"})
    put(
        store,
        "residuals",
        {"test_id": "t1", "regime": "cycling", "feature": "duct_drop_k", "reason_code": "few_cars"},
    )
    put(
        store,
        "trust",
        {
            "test_id": "t1",
            "channel": "low_side_kpa",
            "rule_code": "stuck",
            "distrusted_share": 0.4,
            "sentence": "The reading does not move.",
        },
    )
    put(store, "logs", {"path": "bay/x.csv", "vehicle_id": "van7", "outcome_code": "stored"})
    put(
        store,
        "rejected",
        {
            "path": "bay/x.csv",
            "column_name": "P1",
            "sentence": "Its unit is not known.",
            "code": "u",
        },
    )
    text = " ".join(explain(store, "van7", ReportSettings()).split())
    assert "duct air below intake air, cycling: few cars" in text
    assert "low-side pressure, 40% of the samples: The reading does not move." in text
    assert "bay/x.csv, column P1: Its unit is not known." in text


def test_a_vehicle_that_was_never_tested_is_told_plainly(store):
    put(store, "states", state(latest_test_id=None, latest_tested_at=None, n_tests=0))
    text = explain(store, "van7", ReportSettings())
    assert "0 tests on record, the latest of never." not in text
    assert "Never tested." in text


def test_an_unknown_vehicle_is_an_error_with_the_nearest_name(store):
    put(store, "states", state("van7"), state("truck1"))
    with pytest.raises(UnknownVehicleError, match="van7"):
        explain(store, "van_7", ReportSettings())


def test_causes_are_told_with_evidence_both_ways(store):
    put(store, "states", state())
    first = {
        "vehicle_id": "van7", "cause_code": "low_charge", "cause_rank": 1,
        "cause": "refrigerant short", "fit_share": 0.71, "prior_share": 0.45, "is_in_set": True,
        "is_named": False, "evidence_for": "subcooling 5.0 K lower than expected",
        "sentence": "It fits best: refrigerant short. Also possible: too much oil.",
    }  # fmt: skip
    second = first | {
        "cause_code": "oil_excess", "cause_rank": 2, "cause": "too much oil", "fit_share": 0.25,
        "evidence_for": None, "evidence_against": "duct air as expected", "sentence": None,
    }  # fmt: skip
    put(store, "causes", second, first)
    text = explain(store, "van7", ReportSettings())
    assert "What it may come from\n  It fits best: refrigerant short." in text
    assert "1. refrigerant short (not told apart; weight 0.71" in text
    assert "for: subcooling 5.0" in text
    assert "against: duct air as expected" in text
    assert text.index("1. refrigerant short") < text.index("2. too much oil")


def test_without_causes_nothing_is_said_of_them(store):
    put(store, "states", state(state="in band"))
    assert "What it may come from" not in explain(store, "van7", ReportSettings())
