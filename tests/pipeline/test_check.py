"""Check: says what is there, stores nothing."""

from __future__ import annotations

import pytest
from shop import open_shop, test_row

from pipeline.check import check_file, check_workspace
from pipeline.progress import Silence


@pytest.fixture
def shop(tmp_path):
    return open_shop(tmp_path / "ws", 3)


def words(checked):
    return " ".join(checked.text.replace("\N{NO-BREAK SPACE}", " ").split())


def test_a_workspace_is_described_and_nothing_is_stored(shop):
    checked = check_workspace(shop.workspace, Silence())
    text = words(checked)
    assert "Rows: 1 of models, 40 of vehicles, 3 of tests" in text
    assert "3 log files: 3 can be read, 0 cannot." in text
    assert "superheat at evaporator outlet: 3 of 3" in text
    assert "superheat at rear evaporator outlet: 0 of 3" in text
    assert "tolvanne_kombi: 3 of 40, too few" in text
    assert checked.n_refused == 0
    assert not shop.workspace.work_folder.exists()
    assert not shop.workspace.published_file.exists()


def test_a_workspace_with_faults_names_each(shop):
    shop.write_log("stray.csv", seed=8)
    shop.log("bay0/log000.csv").write_bytes(b"\x00\x01")
    rows = [test_row(n, f"bay{n % 3}/log{n:03d}.csv") for n in range(3)]
    shop.write_registry([*rows, test_row(3, "late.csv")])
    checked = check_workspace(shop.workspace, Silence())
    text = words(checked)
    assert "4 log files: 2 can be read, 1 cannot, 1 unassigned." in text
    assert "stray.csv: no row of the registry" in text
    assert "late.csv: the registry's tests table names this log" in text
    assert "bay0/log000.csv: " in text
    assert checked.n_refused == 3


def test_an_empty_workspace_can_be_checked(tmp_path):
    shop = open_shop(tmp_path / "ws", 0)
    assert "0 log files: 0 can be read" in words(check_workspace(shop.workspace, Silence()))


def test_a_registered_file_is_described_column_by_column(shop):
    checked = check_file(shop.log("bay1/log001.csv"), shop.root)
    lines = checked.text.splitlines()
    assert "Car car001, model tolvanne_kombi, R1234yf." in words(checked)
    assert "420 rows over 419 s" in words(checked)
    row = next(line.split() for line in lines if line.strip().startswith("low_side_kpa"))
    # column, read as (kPa absolute), channel, station (1 or 7), lowest, highest, unit, known
    assert row[0] == row[3] == "low_side_kpa"
    assert row[-2:] == ["kPa", "100%"]
    assert 290 < float(row[-4]) < float(row[-3]) < 420
    assert "Cannot: superheat at rear evaporator outlet (lacks rear" in words(checked)
    assert checked.n_refused == 0
    assert not shop.workspace.work_folder.exists()


def test_a_file_outside_any_workspace_is_described_too(shop, tmp_path):
    loose = tmp_path / "loose.csv"
    loose.write_text(shop.log("bay0/log000.csv").read_text())
    checked = check_file(loose, tmp_path)
    assert "Read without a workspace" in words(checked)
    assert "Cannot: superheat at evaporator outlet" in words(checked)


def test_a_file_that_the_registry_does_not_name_is_said_to_be_unknown(shop):
    shop.write_log("stray.csv", seed=8)
    assert "No row of registry/tests.csv names this file" in words(
        check_file(shop.log("stray.csv"), shop.root)
    )


def test_a_column_without_a_unit_is_refused_by_name(shop):
    text = shop.log("bay0/log000.csv").read_text()
    shop.log("bay0/log000.csv").write_text(text.replace("low_side_kpa", "Low side [psi]", 1))
    checked = check_file(shop.log("bay0/log000.csv"), shop.root)
    assert checked.n_refused == 1
    assert "Refused: column Low side [psi]" in words(checked)


def test_a_column_that_is_no_channel_is_named_for_the_whole_workspace(shop):
    text = shop.log("bay0/log000.csv").read_text()
    shop.log("bay0/log000.csv").write_text(text.replace("low_side_kpa", "Tyre [bar]", 1))
    checked = check_workspace(shop.workspace, Silence())
    assert "bay0/log000.csv, column Tyre [bar]: The column matches no channel" in words(checked)
    assert checked.n_refused == 0


def test_a_file_that_is_no_log_is_refused_in_words(tmp_path):
    path = tmp_path / "letter.csv"
    path.write_text("Dear shop,\nthe car is warm.\n")
    checked = check_file(path, tmp_path)
    assert checked.n_refused == 1
    assert "Refused: " in checked.text
    assert "Traceback" not in checked.text


def test_a_log_without_the_liquid_line_is_told_what_stays_open_and_which_sensor_buys_most(shop):
    text = shop.log("bay0/log000.csv").read_text()
    shop.log("bay0/log000.csv").write_text(text.replace("condenser_outlet_c", "Tyre [bar]", 1))
    said = words(check_file(shop.log("bay0/log000.csv"), shop.root))
    assert "Stays open: subcooling (needs liquid line temperature at the condenser outlet)" in said
    assert "would buy most: liquid line after the condenser" in said
    assert "With it the car can be judged on: subcooling." in said


def test_logs_of_a_workspace_are_told_together_by_what_they_can_be_judged_by(shop):
    text = shop.log("bay0/log000.csv").read_text()
    shop.log("bay0/log000.csv").write_text(text.replace("condenser_outlet_c", "Tyre [bar]", 1))
    said = words(check_workspace(shop.workspace, Silence()))
    assert "2 of 3 logs (bay1/log001.csv, bay2/log002.csv): every side of the system." in said
    assert "1 of 3 logs (bay0/log000.csv): stays open: subcooling" in said
    assert "Over all logs one would buy most, in 1 of them: liquid line" in said


def test_each_log_is_named_when_asked_for(tmp_path):
    shop = open_shop(tmp_path / "ws", 5)
    few = words(check_workspace(shop.workspace, Silence()))
    each = words(check_workspace(shop.workspace, Silence(), is_each=True))
    assert "5 of 5 logs: every side of the system." in few
    assert all(f"log{n:03d}.csv" in each for n in range(5))
