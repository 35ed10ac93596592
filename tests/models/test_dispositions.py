"""What dispositions do: undone rows, handled and reopened states, how often findings held."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from scipy.stats import binomtest

from models.disposition_tables import DISPOSITIONS_SCHEMA
from models.dispositions import add_handling, in_force, no_dispositions, precision_frame
from models.tables import EVIDENCE, STATES

AT = datetime(2026, 6, 1, 12, tzinfo=UTC)
LATER = AT + timedelta(days=30)


def rows(*parts):
    blank = dict.fromkeys(DISPOSITIONS_SCHEMA)
    listed = [
        blank
        | {"disposition_id": f"d{n}", "recorded_at": AT, "vehicle_id": "v1", "person": "ada"}
        | p
        for n, p in enumerate(parts, start=1)
    ]
    return pl.DataFrame(listed, schema=DISPOSITIONS_SCHEMA)


def acknowledged(**more):
    return {"kind": "acknowledge", "state": "watch", "worst_z": -4.0,
            "finding_codes": "subcooling_low"} | more  # fmt: skip


def handled(decision, *, state="watch", z=-4.0, codes=("subcooling_low",), as_of=LATER, fixed=None):
    states = STATES.conform(
        pl.DataFrame({"vehicle_id": ["v1", "v2"], "state": [state, "in band"], "worst_z": [z, 0.4]})
    )
    evidence = EVIDENCE.conform(
        pl.DataFrame({"vehicle_id": ["v1"] * len(codes), "finding_code": list(codes)},
                     schema={"vehicle_id": pl.String, "finding_code": pl.String})
    )  # fmt: skip
    repairs = pl.DataFrame(
        [(f"r{n}", "v1", *one) for n, one in enumerate(fixed or [])],
        schema={"repair_id": pl.String, "vehicle_id": pl.String,
                "performed_at": pl.Datetime("us", "UTC"), "action": pl.String},
        orient="row",
    )  # fmt: skip
    counted = in_force(rows(decision), as_of)
    found = add_handling(states, evidence, counted, repairs, as_of)
    assert found["handling_code"][1] is None
    assert found["state"][0] == state, "a person's word never changes the state"
    return found.row(0, named=True)


def test_an_acknowledged_car_is_told_as_such_with_who_and_why():
    row = handled(acknowledged(reason="parts ordered"))
    assert row["handling_code"] == "acknowledged"
    assert row["acknowledged_until"] is None
    assert row["handling"] == "Acknowledged by ada on 1 June 2026: parts ordered."


def test_a_snooze_ends_on_its_day():
    until = date(2026, 7, 5)
    snoozed = acknowledged(kind="snooze", until_date=until)
    assert handled(snoozed)["handling_code"] == "snoozed"
    assert handled(snoozed)["acknowledged_until"] == until
    assert (
        handled(snoozed, as_of=datetime(2026, 7, 4, 23, tzinfo=UTC))["handling_code"] == "snoozed"
    )
    assert handled(snoozed, as_of=datetime(2026, 7, 5, tzinfo=UTC))["handling_code"] is None


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"state": "service"}, "the state was watch and is service"),
        ({"z": -5.2}, "the largest deviation was 4.0 spreads and is 5.2"),
        ({"codes": ("subcooling_low", "duct_air_warm")}, "new: duct air warm"),
    ],
)
def test_a_car_that_grows_worse_reopens(change, words):
    row = handled(acknowledged(), **change)
    assert row["handling_code"] == "reopened"
    assert words in row["handling"]


@pytest.mark.parametrize("change", [{"z": -4.6}, {"z": None}, {"state": "retest", "codes": ()},
                                    {"state": "in band", "z": 1.0, "codes": ()}])  # fmt: skip
def test_the_noise_of_another_test_does_not_reopen(change):
    assert handled(acknowledged(), **change)["handling_code"] == "acknowledged"


def test_a_repair_ends_what_was_acknowledged_and_an_inspection_does_not():
    fixed = [(AT + timedelta(days=3), "leak_repair")]
    looked = [(AT + timedelta(days=3), "inspect")]
    assert handled(acknowledged(), fixed=fixed)["handling_code"] is None
    assert handled(acknowledged(), fixed=looked)["handling_code"] == "acknowledged"


def test_what_is_recorded_later_does_not_exist_yet():
    assert in_force(rows(acknowledged()), AT - timedelta(seconds=1)).is_empty()


def test_undo_takes_back_and_undo_of_undo_gives_back():
    first, undo = acknowledged(), {"kind": "undo", "undoes": "d1"}
    again = {"kind": "undo", "undoes": "d2"}
    assert in_force(rows(first, undo), LATER).is_empty()
    assert in_force(rows(first, undo, again), LATER)["disposition_id"].to_list() == ["d1"]
    # a row cannot take back one that is not there yet, nor itself
    assert in_force(rows({"kind": "undo", "undoes": "d2"}, first), LATER).height == 1
    assert in_force(rows(first, {"kind": "undo", "undoes": "d2"}), LATER).height == 1


def test_ids_count_as_numbers():
    many = rows(*[acknowledged(reason=str(n)) for n in range(1, 12)])
    shuffled = many.sort("disposition_id")
    assert in_force(shuffled, LATER)["reason"].to_list()[-1] == "11"


def found(outcome, car="v1", codes="subcooling_low", test_id=None):
    return {"kind": "found", "outcome": outcome, "vehicle_id": car, "finding_codes": codes,
            "test_id": test_id}  # fmt: skip


def test_precision_and_its_interval_are_those_of_scipy():
    told = [found("confirmed", f"v{n}") for n in range(7)]
    told += [
        found("no_fault_found", "v7"),
        found("other_cause", "v8"),
        found("not_looked_at", "v9"),
    ]
    cars = pl.DataFrame(
        {"vehicle_id": [f"v{n}" for n in range(10)], "model_id": ["aster"] * 8 + ["brelku"] * 2}
    )
    table = precision_frame(in_force(rows(*told), LATER), cars)
    overall = table.filter(pl.col("model_id").is_null()).row(0, named=True)
    interval = binomtest(7, 9).proportion_ci(0.95, method="wilson")
    assert overall["precision"] == pytest.approx(7 / 9)
    assert overall["precision_low"] == pytest.approx(interval.low)
    assert overall["precision_high"] == pytest.approx(interval.high)
    assert overall["n_not_looked_at"] == 1
    aster = table.filter(pl.col("model_id") == "aster").row(0, named=True)
    assert (aster["n_confirmed"], aster["n_no_fault_found"]) == (7, 1)


def test_the_last_word_on_a_car_counts_once_and_each_finding_for_itself():
    told = [found("no_fault_found"), found("confirmed", codes="subcooling_low duct_air_warm")]
    cars = pl.DataFrame({"vehicle_id": ["v1"], "model_id": ["aster"]})
    table = precision_frame(in_force(rows(*told), LATER), cars).filter(pl.col("model_id").is_null())
    assert table["finding_code"].to_list() == ["duct_air_warm", "subcooling_low"]
    assert table["n_confirmed"].to_list() == [1, 1]
    assert table["n_no_fault_found"].to_list() == [0, 0]


def test_nobody_looked_is_not_no_precision():
    cars = pl.DataFrame({"vehicle_id": ["v1"], "model_id": ["aster"]})
    table = precision_frame(in_force(rows(found("not_looked_at")), LATER), cars)
    assert table["precision"].null_count() == table.height == 2
    assert precision_frame(no_dispositions(), cars).is_empty()
