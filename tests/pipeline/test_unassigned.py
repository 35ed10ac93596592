"""Logs without a registry row: taken up by their own word, by profile, or held; never guessed.

Header values, file names and expected rows are written by hand.
"""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest
from shop import HEADER, log_text, open_shop, test_row

from pipeline.check import check_file, check_workspace
from pipeline.paste_rows import paste_form
from pipeline.problems import ProblemsError
from pipeline.progress import Silence
from pipeline.run import open_published
from pipeline.settings import Settings

PROFILE = """
name = "bay"
[recognise]
first_line = "Bay record"
[from_header]
"Vehicle" = "vehicle_id"
"Started" = "started_at:%d.%m.%Y %H:%M"
"Ambient" = "ambient_c"
"Why" = "purpose"
"Set" = "instrument_id"
[from_name]
pattern = "{vehicle_id}_{started_at:%Y%m%d_%H%M}"
"""


def bay_log(*fields, seed=1):
    return "\n".join(["Bay record", *fields, "", log_text(seed, 420)])


@pytest.fixture
def shop(tmp_path):
    shop = open_shop(tmp_path / "ws", 1)
    (shop.root / "profiles").mkdir()
    (shop.root / "profiles" / "bay.toml").write_text(PROFILE)
    return shop


def put(shop, name, *fields, seed=1):
    shop.log(name).parent.mkdir(parents=True, exist_ok=True)
    shop.log(name).write_text(bay_log(*fields, seed=seed))


def stored(shop, name):
    with open_published(shop.workspace, Settings()) as store:
        return store.read(name)


def held(shop):
    return {row["path"]: row for row in stored(shop, "unassigned").iter_rows(named=True)}


def context_of(shop, path):
    return stored(shop, "context").filter(pl.col("log_path") == path).row(0, named=True)


def test_the_header_says_which_test_it_is(shop):
    put(
        shop,
        "a.csv",
        "Vehicle: car007",
        "Started: 11.05.2026 09:30",
        "Ambient: 28.5",
        "Why: Complaint",
    )
    shop.update()
    context = context_of(shop, "a.csv")
    assert context["vehicle_id"] == "car007"
    assert context["started_at"].isoformat() == "2026-05-11T09:30:00+00:00"
    assert (context["ambient_c"], context["purpose"]) == (28.5, "complaint")
    assert held(shop) == {}
    # the registry's own table is as the person wrote it
    assert stored(shop, "tests")["log"].to_list() == ["bay0/log000.csv"]
    assert shop.ingest().n_unchanged == 2


def test_the_time_of_a_header_is_read_in_the_zone_of_the_settings(tmp_path, shop):
    (shop.root / "chillroster.toml").write_text('time_zone = "Europe/Athens"\n')
    put(shop, "a.csv", "Vehicle: car007", "Started: 11.05.2026 09:30")
    shop.update()
    # Athens is three hours ahead of UTC in summer
    assert context_of(shop, "a.csv")["started_at"].isoformat() == "2026-05-11T06:30:00+00:00"


def test_the_file_name_says_which_test_it_is(shop):
    put(shop, "bay9/car_1_20260511_0930.csv")
    put(shop, "bay9/car003_20260511_0930.csv", seed=2)
    shop.update()
    assert context_of(shop, "bay9/car003_20260511_0930.csv")["vehicle_id"] == "car003"
    # a car that the registry does not have is not taken for one that it has
    assert held(shop)["bay9/car_1_20260511_0930.csv"]["reason_code"] == "vehicle_unknown"


def test_an_unknown_vehicle_is_held_until_the_registry_has_it(shop):
    put(shop, "a.csv", "Vehicle: car777", "Started: 11.05.2026 09:30")
    shop.update()
    row = held(shop)["a.csv"]
    assert row["reason_code"] == "vehicle_unknown"
    assert "'car777'" in row["sentence"]
    assert row["missing"] == "vehicle_id"
    assert row["row"] == "a.csv,car777,2026-05-11T09:30:00+00:00,,,"
    vehicles = shop.root / "registry" / "vehicles.csv"
    vehicles.write_text(vehicles.read_text() + "car777,tolvanne_kombi\n")
    shop.update()
    assert held(shop) == {}
    assert context_of(shop, "a.csv")["vehicle_id"] == "car777"


def test_the_row_as_pasted_is_taken_up_on_the_next_run(shop):
    put(shop, "a.csv", "Started: 11.05.2026 09:30", "Ambient: 28.5")
    shop.update()
    row = held(shop)["a.csv"]
    assert row["missing"] == "vehicle_id"
    assert row["row"] == "a.csv,,2026-05-11T09:30:00+00:00,,28.5,"
    tests = shop.root / "registry" / "tests.csv"
    tests.write_text(tests.read_text() + row["row"].replace(",,", ",car005,", 1) + "\n")
    summary = shop.update()
    assert summary.ingest.unassigned == ()
    context = context_of(shop, "a.csv")
    assert (context["vehicle_id"], context["ambient_c"]) == ("car005", 28.5)


@pytest.mark.parametrize(
    ("name", "fields", "code", "said"),
    [
        ("a.csv", (), "not_stated", "`vehicle_id` and `started_at`"),
        ("a.csv", ("Vehicle: car001",), "not_stated", "`started_at`"),
        (
            "a.csv",
            ("Vehicle: car001", "Started: 2026-05-11"),
            "stated_unreadably",
            "'2026-05-11 (not %d.%m.%Y %H:%M)' by the header field `Started`, which is not a",
        ),
        (
            "a.csv",
            ("Vehicle: car001", "Vehicle: car002", "Started: 11.05.2026 09:30"),
            "stated_unclearly",
            "'car001' by the header field `Vehicle` and 'car002' by",
        ),
        (
            "car001_20260511_0930.csv",
            ("Vehicle: car002",),
            "stated_unclearly",
            "'car002' by the header field `Vehicle` and 'car001' by the file name",
        ),
        (
            "car001_20260511_0930.csv",
            ("Started: 11.05.2026 09:45",),
            "stated_unclearly",
            "`started_at`",
        ),
        ("car001_20260231_0930.csv", (), "stated_unreadably", "by the file name"),
    ],
)
def test_what_is_missing_or_unclear_is_said_and_nothing_guessed(shop, name, fields, code, said):
    put(shop, name, *fields)
    shop.update()
    row = held(shop)[name]
    assert row["reason_code"] == code
    assert said in row["sentence"]
    logs = stored(shop, "logs")
    assert logs.filter(path=name)["outcome_code"].to_list() == ["unassigned"]
    assert stored(shop, "samples")["test_id"].n_unique() == 1


def test_a_day_without_a_time_is_no_start(shop):
    (shop.root / "profiles" / "bay.toml").write_text(
        PROFILE.replace("started_at:%d.%m.%Y %H:%M", "started_at")
    )
    put(shop, "a.csv", "Vehicle: car001", "Started: 2026-05-11")
    shop.update()
    assert held(shop)["a.csv"]["reason_code"] == "stated_unreadably"


def test_a_condition_that_cannot_be_used_is_left_out_and_told(shop):
    put(
        shop,
        "a.csv",
        "Vehicle: car007",
        "Started: 11.05.2026 09:30",
        "Ambient: warm",
        "Why: curiosity",
    )
    shop.update()
    context = context_of(shop, "a.csv")
    assert (context["ambient_c"], context["purpose"]) == (None, None)
    notices = stored(shop, "notices").filter(pl.col("code") == "own_word_not_used")
    told = " ".join(notices["sentence"])
    assert "'warm'" in told
    assert "'curiosity'" in told


def test_a_row_of_the_registry_counts_and_a_contradiction_is_told(shop):
    put(shop, "a.csv", "Vehicle: car007", "Started: 11.05.2026 21:30", "Ambient: 29")
    put(shop, "b.csv", "Vehicle: CAR002", "Started: 04.05.2026 19:05", seed=3)
    rows = [test_row(0, "bay0/log000.csv"), test_row(1, "a.csv"), test_row(2, "b.csv")]
    shop.write_registry(rows)
    shop.update()
    assert context_of(shop, "a.csv")["vehicle_id"] == "car001"
    told = stored(shop, "notices").filter(pl.col("code") == "registry_contradicted")
    # b.csv differs by letter case and by five minutes, which is no contradiction
    assert told["path"].to_list() == ["a.csv", "a.csv"]
    text = " ".join(told["sentence"])
    assert "'car007' by the header field `Vehicle`, and 'car001' by the registry's row" in text
    assert "`started_at`" in text


def test_an_unassigned_log_that_is_removed_leaves_no_trace(shop):
    put(shop, "a.csv")
    shop.update()
    shop.log("a.csv").unlink()
    shop.update()
    assert held(shop) == {}
    assert stored(shop, "logs")["path"].to_list() == ["bay0/log000.csv"]


def test_three_runs_write_what_one_does(shop):
    put(shop, "a.csv")
    put(shop, "b.csv", "Vehicle: car007", "Started: 11.05.2026 09:30", seed=5)
    shop.update()
    before = {name: stored(shop, name) for name in ("logs", "unassigned", "samples", "context")}
    for _ in range(2):
        assert shop.ingest().n_rows_written == 0
    for name, frame in before.items():
        assert frame.equals(stored(shop, name))


def test_a_file_that_is_not_recognised_is_held_with_the_reason(shop):
    shop.log("a.csv").write_text("nothing here\n")
    shop.update()
    row = held(shop)["a.csv"]
    assert row["reason_code"] == "not_recognised"
    assert "not recognised" in row["sentence"]


def test_run_and_check_print_the_rows_to_add(shop):
    put(shop, "a.csv", "Started: 11.05.2026 09:30")
    shop.log("odd, name.csv").write_text(bay_log("Vehicle: car003"))
    lines = shop.update().lines
    at = lines.index("  Rows to add to registry/tests:")
    assert lines[at + 1 : at + 4] == [
        "    log,vehicle_id,started_at,test_id,ambient_c,protocol",
        "    a.csv,,2026-05-11T09:30:00+00:00,,,",
        '    "odd, name.csv",car003,,,,',
    ]
    checked = check_workspace(shop.workspace, Silence())
    assert "    a.csv,,2026-05-11T09:30:00+00:00,,," in checked.text.splitlines()
    assert "3 log files: 1 can be read, 0 cannot, 2 unassigned." in checked.text
    assert checked.n_refused == 2
    assert "Row: a.csv,,2026-05-11T09:30:00+00:00" in check_file(shop.log("a.csv"), shop.root).text


def test_check_of_a_file_uses_its_own_word(shop):
    put(shop, "a.csv", "Vehicle: car007", "Started: 11.05.2026 09:30")
    text = check_file(shop.log("a.csv"), shop.root).text
    assert "Car car007, model tolvanne_kombi, R1234yf by the log's own word" in text


def test_rows_to_paste_follow_the_file_that_is_there(shop):
    tests = shop.root / "registry" / "tests.csv"
    tests.write_text("started_at;log;vehicle_id;ambient_c\n")
    put(shop, "a.csv", "Started: 11.05.2026 09:30", "Ambient: 28.5")
    shop.update()
    row = held(shop)["a.csv"]
    assert row["columns"] == "started_at;log;vehicle_id;ambient_c"
    assert row["row"] == "2026-05-11T09:30:00+00:00;a.csv;;28,5"


def test_other_kinds_of_files_state_it_in_their_own_headers(shop):
    profiles = {
        "lines": ('kind = "json"\n[recognise]\ncolumns = ["bay"]\n', "jsonl"),
        "columns": ('kind = "parquet"\n[recognise]\ncolumns = ["bay"]\n', "parquet"),
    }
    stated = '[from_header]\n"Vehicle" = "vehicle_id"\n"Started" = "started_at"\n'
    for name, (text, _) in profiles.items():
        (shop.root / "profiles" / f"{name}.toml").write_text(f'name = "{name}"\n{text}{stated}')
    rows = [
        {"time": t, "low_side_kpa": 300.0 + t, "high_side_kpa": 1200.0, "bay": 1} for t in range(60)
    ]
    header = {"Vehicle": "car004", "Started": "2026-05-11T09:30:00Z"}
    shop.log("a.jsonl").write_text("".join(json.dumps(one) + "\n" for one in [header, *rows]))
    pl.DataFrame(rows).write_parquet(
        shop.log("b.parquet"), metadata={**header, "Vehicle": "car005"}
    )
    shop.update()
    assert held(shop) == {}
    assert context_of(shop, "a.jsonl")["vehicle_id"] == "car004"
    assert context_of(shop, "b.parquet")["vehicle_id"] == "car005"


def test_an_mdf_file_states_it_in_its_properties_and_its_start(shop):
    asammdf = pytest.importorskip("asammdf")
    (shop.root / "profiles" / "rig.toml").write_text(
        'name = "rig"\nkind = "mdf"\n[recognise]\nanything = true\n'
        '[from_header]\n"Vehicle" = "vehicle_id"\n"start time" = "started_at"\n'
    )
    with asammdf.MDF(version="4.10") as mdf:
        mdf.start_time = datetime(2026, 5, 11, 9, 30, 12, tzinfo=UTC)
        times = np.arange(30.0)
        mdf.append([asammdf.Signal(times + 300, times, name="low_side_kpa_abs", unit="kPa")])
        mdf.header.comment = (
            "<HDcomment><TX>test</TX><common_properties>"
            '<e name="Vehicle">car006</e></common_properties></HDcomment>'
        )
        mdf.save(shop.log("a.mf4"), overwrite=True)
    shop.update()
    context = context_of(shop, "a.mf4")
    assert context["vehicle_id"] == "car006"
    assert context["started_at"].isoformat() == "2026-05-11T09:30:12+00:00"


def test_spreadsheet_headers_are_read_cell_by_cell(shop):
    text = f'Bay record,,\nVehicle,car007,\n"Started","11.05.2026 09:30",\n\n{HEADER}\n'
    rows = log_text(4, 420).split("\n", 1)[1]
    shop.log("a.csv").write_text(text + rows)
    profile = shop.root / "profiles" / "bay.toml"
    profile.write_text(PROFILE.replace('first_line = "Bay record"', 'columns = ["low_side_kpa"]'))
    shop.update()
    assert context_of(shop, "a.csv")["vehicle_id"] == "car007"


def test_the_column_names_are_no_fields(shop):
    # a column called like a field of the header must not name the car
    profile = shop.root / "profiles" / "bay.toml"
    profile.write_text(PROFILE.replace('first_line = "Bay record"', 'columns = ["Vehicle"]'))
    head, rows = log_text(4, 60).split("\n", 1)
    lines = [f"x,{row}" for row in rows.strip().split("\n")]
    shop.log("a.csv").write_text("\n".join([f"Vehicle,{head}", *lines]) + "\n")
    shop.update()
    assert "vehicle_id" in held(shop)["a.csv"]["missing"]


def test_an_assigned_log_is_the_same_test_once_it_has_its_row(shop):
    put(shop, "a.csv", "Vehicle: car007", "Started: 11.05.2026 09:30")
    shop.update()
    first = replace(shop.ingest())
    rows = [test_row(0, "bay0/log000.csv")]
    at = {"log": "a.csv", "vehicle_id": "car007", "started_at": "2026-05-11T09:30:00Z"}
    shop.write_registry([*rows, at])
    again = shop.ingest()
    assert (first.n_unchanged, again.n_changed + again.n_unchanged) == (2, 2)
    assert stored(shop, "context").height == 2


def test_no_row_to_paste_where_the_table_cannot_be_read(shop):
    """The disk fails as the table is opened again: no row of another form than the table's."""
    table = shop.workspace.registry_folder / "tests.csv"
    table.unlink()
    table.mkdir()
    with pytest.raises(ProblemsError, match="cannot be read"):
        paste_form(shop.workspace)
