"""What an ingest decides to do, from plain records."""

from __future__ import annotations

import random

import polars as pl
import pytest

from features.context import CONTEXT
from pipeline.fingerprints import LogFile
from pipeline.ingest_plan import plan_ingest
from pipeline.store_tables import LOGS


def contexts(*rows):
    schema = {
        **CONTEXT.schema,
        "profile": pl.String,
        "refusal_code": pl.String,
        "refusal": pl.String,
    }
    empty = dict.fromkeys(schema)
    return pl.DataFrame([empty | row for row in rows], schema=schema)


def row(path, **more):
    return {"log_path": path, "vehicle_id": "car1", "model_id": "m"} | more


def stored_logs(plan):
    """The logs table as it stands after everything in a plan was read and stored."""
    rows = [
        dict.fromkeys(LOGS.schema)
        | {
            "path": log.file.path,
            "outcome_code": "stored",
            "test_id": log.test_id,
            "content_hash": log.file.content_hash,
            "inputs_hash": log.inputs_hash,
        }
        for log in plan.to_read
    ]
    return pl.DataFrame(rows, schema=LOGS.schema)


def file(path, content="a"):
    return LogFile(path, 10, content.ljust(64, "0"))


NONE = LOGS.empty()


def refusals(plan):
    return {log.file.path: log.complaint.code for log in plan.to_refuse}


def test_a_new_log_is_read_and_called_by_its_content():
    plan = plan_ingest([file("x.csv", "ab12")], contexts(row("x.csv")), NONE, "common")
    assert [log.test_id for log in plan.to_read] == ["ab12000000000000"]


def test_a_stated_test_id_is_kept():
    plan = plan_ingest([file("x.csv")], contexts(row("x.csv", test_id="t7")), NONE, "common")
    assert [log.test_id for log in plan.to_read] == ["t7"]


def test_what_is_stored_from_the_same_inputs_is_left_alone():
    files, rows = [file("x.csv", "a"), file("y.csv", "b")], contexts(row("x.csv"), row("y.csv"))
    stored = stored_logs(plan_ingest(files, rows, NONE, "common"))
    plan = plan_ingest(files, rows, stored, "common")
    assert (len(plan.to_read), len(plan.to_refuse), len(plan.unchanged)) == (0, 0, 2)


@pytest.mark.parametrize(
    ("files", "rows", "common"),
    [
        ([file("x.csv", "other")], [row("x.csv")], "common"),
        ([file("x.csv")], [row("x.csv", vehicle_id="car2")], "common"),
        ([file("x.csv")], [row("x.csv", refrigerant="R134a")], "common"),
        ([file("x.csv")], [row("x.csv", altitude_m=300.0)], "common"),
        ([file("x.csv")], [row("x.csv", profile="mine")], "common"),
        ([file("x.csv")], [row("x.csv")], "other code or settings"),
    ],
)
def test_any_input_that_differs_makes_a_log_be_read_again(files, rows, common):
    stored = stored_logs(plan_ingest([file("x.csv")], contexts(row("x.csv")), NONE, "common"))
    plan = plan_ingest(files, contexts(*rows), stored, common)
    assert [log.file.path for log in plan.to_read] == ["x.csv"]


def test_a_log_without_a_registry_row_is_refused_with_what_to_do():
    plan = plan_ingest([file("x.csv")], contexts(), NONE, "common")
    assert refusals(plan) == {"x.csv": "no_registry_row"}
    assert "registry/tests.csv" in plan.to_refuse[0].complaint.hint
    assert plan.to_read == ()


def test_the_same_content_twice_is_one_test_the_first_by_path():
    rows = contexts(row("b.csv"), row("a.csv"))
    plan = plan_ingest([file("b.csv"), file("a.csv")], rows, NONE, "common")
    assert [log.file.path for log in plan.to_read] == ["a.csv"]
    assert refusals(plan) == {"b.csv": "duplicate_content"}
    assert "a.csv" in plan.to_refuse[0].complaint.sentence


def test_a_copy_without_a_row_does_not_displace_the_log_that_has_one():
    plan = plan_ingest([file("a.csv"), file("b.csv")], contexts(row("b.csv")), NONE, "common")
    assert [log.file.path for log in plan.to_read] == ["b.csv"]
    assert refusals(plan) == {"a.csv": "no_registry_row"}


def test_two_logs_cannot_be_the_same_test():
    rows = contexts(row("a.csv", test_id="t1"), row("b.csv", test_id="t1"))
    plan = plan_ingest([file("a.csv", "a"), file("b.csv", "b")], rows, NONE, "common")
    assert refusals(plan) == {"b.csv": "test_id_taken"}


def test_a_log_of_a_refused_model_is_refused_with_the_models_reason():
    rows = contexts(row("a.csv", refusal_code="R744", refusal="works above its critical point."))
    plan = plan_ingest([file("a.csv")], rows, NONE, "common")
    assert refusals(plan) == {"a.csv": "R744"}
    assert "works above its critical point." in plan.to_refuse[0].complaint.sentence


def test_a_registry_row_without_a_file_is_reported():
    plan = plan_ingest([], contexts(row("gone.csv")), NONE, "common")
    assert [(c.path, c.code) for c in plan.missing] == [("gone.csv", "log_file_missing")]


def test_a_log_that_the_registry_spells_in_other_letters_is_suggested():
    plan = plan_ingest([file("bay/x.csv")], contexts(row("Bay/X.csv")), NONE, "common")
    assert "Did you mean `bay/x.csv`?" in plan.missing[0].hint


def test_a_stored_log_that_is_gone_from_disk_is_kept_and_said():
    rows = contexts(row("x.csv"))
    stored = stored_logs(plan_ingest([file("x.csv")], rows, NONE, "common"))
    plan = plan_ingest([], rows, stored, "common")
    assert plan.vanished == ("x.csv",)
    assert plan.forgotten == ()
    assert "kept" in plan.missing[0].sentence


def test_a_refused_log_that_is_gone_from_disk_is_forgotten():
    stored = stored_logs(plan_ingest([file("x.csv")], contexts(row("x.csv")), NONE, "common"))
    stored = stored.with_columns(outcome_code=pl.lit("refused"), test_id=None)
    assert plan_ingest([], contexts(), stored, "common").forgotten == ("x.csv",)


def test_a_moved_log_is_the_same_test():
    stored = stored_logs(plan_ingest([file("x.csv")], contexts(row("x.csv")), NONE, "common"))
    plan = plan_ingest([file("sub/x.csv")], contexts(row("sub/x.csv")), stored, "common")
    test_id = stored["test_id"][0]
    assert [log.test_id for log in plan.to_read] == [test_id]
    assert plan.moved == {test_id: "x.csv"}
    assert plan.vanished == ()


def test_a_file_that_cannot_be_opened_is_refused_and_holds_what_is_stored():
    stored = stored_logs(plan_ingest([file("x.csv")], contexts(row("x.csv")), NONE, "common"))
    broken = LogFile("x.csv", 0, "", "Permission denied")
    plan = plan_ingest([broken], contexts(row("x.csv")), stored, "common")
    assert refusals(plan) == {"x.csv": "unreadable_file"}
    assert plan.to_refuse[0].holds_the_only_copy


def test_the_order_in_which_files_are_found_does_not_matter():
    files = [file(f"{number}.csv", str(number % 7)) for number in range(20)]
    rows = contexts(*(row(f"{number}.csv") for number in range(18)))
    plan = plan_ingest(files, rows, NONE, "common")
    for seed in range(20):
        shuffled = random.Random(seed).sample(files, len(files))
        assert plan_ingest(shuffled, rows, NONE, "common") == plan
