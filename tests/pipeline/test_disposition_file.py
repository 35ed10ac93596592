"""The file of dispositions: whole rows or none, hostile texts, what stands stays."""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from datetime import UTC, date, datetime

import pytest

from models.disposition_tables import DISPOSITIONS_SCHEMA, OUTCOME_CODES
from pipeline.cli_disposition import Found
from pipeline.disposition_file import COLUMNS, Disposition, append_disposition
from pipeline.problems import ProblemsError
from pipeline.registry_tables import DISPOSITION_ENTRIES
from pipeline.workspace import Workspace

AT = datetime(2026, 7, 20, 12, tzinfo=UTC)


@pytest.fixture
def workspace(tmp_path):
    (tmp_path / "registry").mkdir()
    (tmp_path / "chillroster.toml").write_text("")
    return Workspace(tmp_path)


def path_of(workspace):
    return workspace.registry_folder / "dispositions.csv"


def row(**more):
    return Disposition(**({"recorded_at": AT, "kind": "found", "vehicle_id": "car001",
                           "person": "bay 3", "outcome": "confirmed"} | more))  # fmt: skip


def refused(workspace, **more):
    with pytest.raises(ProblemsError) as caught:
        append_disposition(workspace, row(**more))
    assert not path_of(workspace).exists()
    return [problem.code for problem in caught.value.problems]


def test_words_and_columns_are_the_same_everywhere():
    assert tuple(found.value for found in Found) == OUTCOME_CODES
    assert tuple(DISPOSITIONS_SCHEMA) == tuple(entry.name for entry in DISPOSITION_ENTRIES.entries)
    assert set(COLUMNS) == set(DISPOSITIONS_SCHEMA)
    assert DISPOSITION_ENTRIES.table.schema == DISPOSITIONS_SCHEMA


def test_rows_are_counted_up_and_what_stands_is_not_touched(workspace):
    assert append_disposition(workspace, row(reason='a "quoted", reason')) == "d1"
    before = path_of(workspace).read_bytes()
    assert append_disposition(workspace, row(until_date=date(2026, 8, 1), worst_z=-4.25)) == "d2"
    after = path_of(workspace).read_bytes()
    assert after.startswith(before)
    assert after.count(b"\n") == 3
    assert b'"a ""quoted"", reason"' in after
    assert b"2026-08-01" in after
    assert b"-4.25" in after


def test_a_file_edited_by_hand_keeps_its_order_of_columns_and_its_bytes(workspace):
    header = ",".join(reversed(COLUMNS)) + ",own_note"
    text = f"\ufeff{header}\r\n,bay 1,,,,,,,,,car001,acknowledge,2026-07-01T00:00:00+00:00,d1,x"
    path_of(workspace).write_text(text, encoding="utf-8", newline="")
    before = path_of(workspace).read_bytes()
    assert append_disposition(workspace, row()) == "d2"
    after = path_of(workspace).read_bytes()
    assert after.startswith(before + b"\n")
    assert after.endswith(b",d2,\n")


def test_a_file_that_lacks_columns_or_is_no_text_is_left_alone(workspace):
    for content in (b"disposition_id,kind\nd1,found\n", b"\xff\xfe\x00garbage", b"a;b\n"):
        path_of(workspace).write_bytes(content)
        with pytest.raises(ProblemsError, match="No row can be added"):
            append_disposition(workspace, row())
        assert path_of(workspace).read_bytes() == content


def test_a_workbook_is_not_added_to(workspace):
    (workspace.registry_folder / "dispositions.xlsx").write_bytes(b"x")
    assert refused(workspace) == ["not_appendable"]


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"reason": "=HYPERLINK(1)"}, "formula"),
        ({"person": "@sum"}, "formula"),
        ({"cause": "-2+3"}, "formula"),
        ({"reason": "two\nlines"}, "not_one_line"),
        ({"reason": "tab\there"}, "not_one_line"),
        ({"person": "red \x1b[31m"}, "not_one_line"),
        ({"reason": "turned \u202e round"}, "not_one_line"),
        ({"reason": "line\u2028break"}, "not_one_line"),
        ({"reason": "x" * 501}, "too_long"),
        ({"reason": "\ud800"}, "not_text"),
        ({"person": ""}, "empty_cell"),
        ({"person": " ... "}, "empty_cell"),
    ],
)
def test_hostile_texts_are_refused_and_nothing_is_written(workspace, more, code):
    assert code in refused(workspace, **more)


def _add_many(root, count):
    for number in range(count):
        append_disposition(Workspace(root), row(reason=f"{os.getpid()} {number}"))


def test_four_writers_lose_no_row(workspace):
    context = multiprocessing.get_context("fork")
    writers = [context.Process(target=_add_many, args=(workspace.root, 15)) for _ in range(4)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(60)
        assert writer.exitcode == 0
    lines = path_of(workspace).read_text().splitlines()
    assert len(lines) == 61
    assert [line.split(",")[0] for line in lines[1:]] == [f"d{n}" for n in range(1, 61)]


def _add_forever(root):
    while True:
        append_disposition(Workspace(root), row(reason="as long as it may be " * 20))


def test_a_writer_killed_at_any_moment_leaves_whole_rows(workspace):
    context = multiprocessing.get_context("fork")
    for _ in range(12):
        writer = context.Process(target=_add_forever, args=(workspace.root,))
        writer.start()
        time.sleep(0.05)
        os.kill(writer.pid, signal.SIGKILL)
        writer.join(10)
    append_disposition(workspace, row())
    lines = path_of(workspace).read_text().splitlines()
    assert all(line.count(",") == len(COLUMNS) - 1 for line in lines)
    assert [line.split(",")[0] for line in lines[1:]] == [f"d{n}" for n in range(1, len(lines))]
