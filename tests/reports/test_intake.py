"""What came in and what was refused, pinned to the digit; inputs stand in `site_content`."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
from site_content import CLOCK, make_content

from models.tables import INSTRUMENT_OFFSETS
from reports.display import file_stem
from reports.intake import OffInstrument, Refusal, RefusedLog, read_intake


def with_refusals(content, causes):
    """The content with a refused log per (path, sentence, place)."""
    rows = pl.DataFrame(
        [
            {
                "path": path, "column_name": None, "code": "c", "sentence": sentence,
                "place": place, "hint": "copy `it` again",
            }
            for path, sentence, place in causes
        ],
        schema=content.rejected.schema,
    )  # fmt: skip
    return replace(content, rejected=rows)


def test_refused_logs_and_columns_are_told_apart():
    intake = read_intake(make_content(2))
    assert intake.logs == (
        Refusal(
            column="",
            sentence="the file has no header line",
            hint="export the log again with column names",
            logs=(RefusedLog("site/<b>broken</b>.csv", "line 1", "", ""),),
        ),
    )
    assert [refusal.column for refusal in intake.columns] == ["LP [psi]"]
    # three tests a car, one broken file
    assert (intake.n_stored_logs, intake.n_refused_logs) == (6, 1)
    assert intake.headline == "1 of 7 logs was refused, and the tests in them count for nothing."


def test_logs_refused_for_one_cause_stand_together_the_most_frequent_first():
    causes = [("b.csv", "empty", "whole file"), ("c.csv", "odd", "line 9"),
              ("a.csv", "empty", "whole file")]  # fmt: skip
    intake = read_intake(with_refusals(make_content(1), causes))
    told = [(cause.sentence, [log.path for log in cause.logs]) for cause in intake.logs]
    assert told == [("empty", ["a.csv", "b.csv"]), ("odd", ["c.csv"])]
    assert [log.place for cause in intake.logs for log in cause.logs] == ["", "", "line 9"]
    assert intake.logs[0].hint == "copy \u201cit\u201d again"


def test_a_refused_log_leads_to_the_car_whose_test_is_lost():
    content = make_content(1)
    owned = content.logs.with_columns(vehicle_id=pl.lit("CAR-0000"))
    path = owned["path"][0]
    (refusal,) = read_intake(
        with_refusals(replace(content, logs=owned), [(path, "empty", "whole file")])
    ).logs
    assert refusal.logs == (
        RefusedLog(path, "", "CAR-0000", f"vehicles/{file_stem('CAR-0000')}.html"),
    )


def test_a_log_of_a_car_without_a_page_is_not_linked():
    content = make_content(1)
    foreign = content.logs.with_columns(vehicle_id=pl.lit("elsewhere"))
    (refusal,) = read_intake(replace(content, logs=foreign)).logs
    assert (refusal.logs[0].vehicle_id, refusal.logs[0].page) == ("", "")


def test_nothing_refused_is_said_so():
    content = make_content(1)
    stored = content.logs.filter(outcome_code="stored")
    intake = read_intake(replace(content, logs=stored, rejected=content.rejected.clear()))
    assert intake.headline == "All 3 logs could be read."
    assert read_intake(replace(content, logs=stored.clear())).headline == (
        "No log has been read yet."
    )


def test_trust_is_counted_by_test():
    # every seventh of 3 * 5 tests: the 1st, 8th and 15th
    intake = read_intake(make_content(5))
    assert [(rule.n_tests, rule.n_channels) for rule in intake.trust] == [(3, 1)]


def test_a_rule_that_set_nothing_aside_is_not_counted():
    content = make_content(5)
    none = content.trust.with_columns(distrusted_share=pl.lit(0.0))
    assert read_intake(replace(content, trust=none)).trust == ()


def test_logs_that_wait_stand_with_the_rows_to_paste():
    content = make_content(1)
    rows = [
        {
            "path": path, "reason_code": "not_stated", "sentence": "nothing states `vehicle_id`.",
            "missing": "vehicle_id", "hint": "add the row", "columns": "log,vehicle_id",
            "row": f"{path},",
        }
        for path in ("b.csv", "<b>a.csv")
    ]  # fmt: skip
    held = pl.DataFrame(rows, schema=content.unassigned.schema)
    logs = content.logs.filter(pl.col("outcome_code") == "stored").head(3)
    waits = logs.with_columns(outcome_code=pl.Series(["stored", "unassigned", "unassigned"]))
    intake = read_intake(
        replace(content, logs=waits, rejected=content.rejected.clear(), unassigned=held)
    )
    assert intake.headline == ("1 of 3 logs could be read. 2 logs wait to be assigned to a test.")
    (waiting,) = intake.waiting
    assert [path for path, _ in waiting.logs] == ["<b>a.csv", "b.csv"]
    assert (waiting.header, waiting.rows) == ("log,vehicle_id", ("<b>a.csv,", "b.csv,"))


def test_instruments_that_read_off_are_told_sensor_by_sensor():
    content = make_content(1)
    rows = [
        {"instrument_id": name, "channel": channel, "from_at": CLOCK, "sentence": sentence}
        for name, channel, sentence in (
            ("meter b", "low_side_kpa", "the low-side gauge stands 60 kPa above the other"),
            ("meter a", "all_temperatures", "all lines stand 4.2 K below saturation"),
        )
    ]
    offsets = INSTRUMENT_OFFSETS.conform(pl.DataFrame(rows))
    intake = read_intake(replace(content, instrument_offsets=offsets))
    assert intake.instruments == (
        OffInstrument("meter a", ("all lines stand 4.2 K below saturation",)),
        OffInstrument("meter b", ("the low-side gauge stands 60 kPa above the other",)),
    )
    assert read_intake(content).instruments == ()
