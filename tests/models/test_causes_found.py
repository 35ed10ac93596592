"""What workshops found moves the weight of causes: a worked example, and what must not count."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from test_causes import BASE, CAR, FULL_HIGH_SIDE, LIMIT, vector

from models.causes import Case, cause_rows, diagnose_all
from models.causes_found import FLEET_CARS, PUBLISHED_CARS, Found, cause_code, found_causes, updated
from models.causes_priors import priors
from models.disposition_tables import DISPOSITIONS_SCHEMA
from models.dispositions import in_force

AT = datetime(2026, 6, 1, 12, tzinfo=UTC)
VEHICLES = pl.DataFrame(
    {"vehicle_id": ["a1", "a2", "a3", "b1", "b2"], "model_id": ["a", "a", "a", "b", "b"]}
)


def rows(*parts):
    blank = dict.fromkeys(DISPOSITIONS_SCHEMA)
    listed = [
        blank
        | {"disposition_id": f"d{n}", "recorded_at": AT, "kind": "found", "outcome": "confirmed"}
        | part
        for n, part in enumerate(parts, start=1)
    ]
    return pl.DataFrame(listed, schema=DISPOSITIONS_SCHEMA)


def test_a_worked_example_of_the_dirichlet_update():
    # Mean of a Dirichlet distribution after counts: (weight * share + count) / (weight + all).
    # Published: 1/2, 1/4, 1/4, worth 40 cars. Other models: 10 cars, all of the second:
    # (20, 10 + 10, 10) / 50 = 0.4, 0.4, 0.2, then worth 20 cars. Own: 5 cars of the third:
    # (8, 8, 4 + 5) / 25 = 0.32, 0.32, 0.36.
    assert (PUBLISHED_CARS, FLEET_CARS) == (40.0, 20.0)
    published = {"low_charge": 2.0, "overcharge": 1.0, "foreign_gas": 1.0}
    after = updated(published, Found({"foreign_gas": 5}, {"overcharge": 10}))
    assert after == pytest.approx({"low_charge": 0.32, "overcharge": 0.32, "foreign_gas": 0.36})


def test_nothing_found_leaves_the_published_shares():
    one, other = priors(["low_charge", "overcharge"], "complaint")
    assert one / other == pytest.approx(0.45 / 0.05)


def test_counts_are_those_of_the_model_and_of_the_others():
    counted = rows(
        {"vehicle_id": "a1", "cause": "Low charge"},
        {"vehicle_id": "a2", "cause": "overcharge", "outcome": "other_cause"},
        {"vehicle_id": "b1", "outcome": "no_fault_found"},
        {"vehicle_id": "b2", "cause": "low_charge", "outcome": "not_looked_at"},
        {"vehicle_id": "a3", "cause": "a stone through the condenser"},
        {"vehicle_id": "a3", "kind": "acknowledge", "cause": "low_charge", "outcome": None},
    )
    found = found_causes(counted, VEHICLES)
    assert found["a"].own == {"low_charge": 1, "overcharge": 1}
    assert found["a"].others == {"none_of_these": 1}
    assert found["b"].others == {"low_charge": 1, "overcharge": 1}


def test_of_one_car_and_test_the_last_word_counts():
    counted = rows(
        {"vehicle_id": "a1", "test_id": "t1", "cause": "overcharge"},
        {"vehicle_id": "a1", "test_id": "t1", "cause": "foreign_gas"},
    )
    assert found_causes(counted, VEHICLES)["a"].own == {"foreign_gas": 1}


def test_only_what_was_recorded_before_the_clock_and_not_undone_counts():
    recorded = rows(
        {"vehicle_id": "a1", "cause": "overcharge"},
        {"vehicle_id": "a2", "cause": "overcharge", "recorded_at": AT + timedelta(days=2)},
        {"vehicle_id": "a3", "cause": "overcharge"},
        {"vehicle_id": "a3", "kind": "undo", "outcome": None, "undoes": "d3"},
    )
    before = found_causes(in_force(recorded, AT + timedelta(days=1)), VEHICLES)
    assert before["a"].own == {"overcharge": 1}
    after = found_causes(in_force(recorded, AT + timedelta(days=3)), VEHICLES)
    assert after["a"].own == {"overcharge": 2}


def test_what_was_found_moves_a_diagnosis_and_is_said():
    values = {k: v for k, v in (BASE | FULL_HIGH_SIDE).items() if not k.startswith("static")}

    def share_of(cause, found):
        case = Case((vector(values, LIMIT),), CAR, "complaint", found)
        diagnosis = diagnose_all([case])[0]
        places = [s.cause for s in diagnosis.suspects]
        return diagnosis.shares[places.index(cause)], list(cause_rows(diagnosis, found))

    plain, silent = share_of("foreign_gas", Found())
    moved, told = share_of("foreign_gas", Found({"foreign_gas": 12}, {"overcharge": 3}))
    assert moved > 1.5 * plain
    assert all(row["found_before"] is None for row in silent)
    said = next(row["found_before"] for row in told if row["cause_code"] == "foreign_gas")
    assert (
        said == "workshops found it in 12 of 12 cars of this model and 0 of 3 cars of other models"
    )
    assert "workshops found it" in told[0]["sentence"]


@pytest.mark.parametrize(
    ("text", "code"),
    [("low_charge", "low_charge"), (" Low charge ", "low_charge"), ("sensor:duct_air_c",
     "sensor:duct_air_c"), ("a hole", None), (None, None)],
)  # fmt: skip
def test_a_cause_is_known_by_its_code(text, code):
    assert cause_code(text) == code
