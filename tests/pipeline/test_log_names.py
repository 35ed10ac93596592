"""Names of files under logs/ that nobody would choose: listed, stored or refused, never fatal."""

from __future__ import annotations

import os

import pytest
from shop import open_shop, test_row
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.workspace import list_logs

NAMES = [
    "2026-05-11T09:30:12.csv",
    "C:x.csv",
    "sp ace 'single' \"double\".csv",
    "'; DROP TABLE logs; --.csv",
    "<script>alert(1)<_script>.csv",
    "=HYPERLINK(0).csv",
    "Ünïcödé 🚗.csv",
    "new\nline.csv",
    "%2e%2e.csv",
    "glob[a-z]*?.csv",
]


def write_rows(shop, names):
    shop.write_registry([test_row(n, name) for n, name in enumerate(names)])


def test_odd_names_are_names_like_any_other(tmp_path):
    shop = open_shop(tmp_path / "ws", 0)
    for number, name in enumerate(NAMES):
        shop.write_log(name, number, 60)
    # a drive letter cannot stand in the registry, so that file stays unnamed
    named = [name for name in NAMES if name != "C:x.csv"]
    write_rows(shop, named)
    summary = shop.ingest()
    assert (summary.n_new, summary.n_refused) == (len(named), 0)
    (held,) = summary.unassigned
    assert held.path == "C:x.csv"
    assert held.hint.startswith("Rename the file")
    assert shop.ingest().n_rows_written == 0


@pytest.mark.skipif(os.name == "nt", reason="such names cannot exist there")
def test_names_that_cannot_be_used_are_refused_and_cost_nothing_else(tmp_path):
    shop = open_shop(tmp_path / "ws", 2, 60)
    folder = os.fsencode(shop.root / "logs")
    for number, name in enumerate([b"bad\xff.csv", b"a\\b.csv", b"..\\..\\c.csv"]):
        with open(os.path.join(folder, name), "wb") as file:  # noqa: PTH118, PTH123 - bytes
            file.write(b"Time [s],Ambient [degC]\n0,2%d\n" % number)
    summary = shop.ingest()
    # one cannot be opened; no row can name the other two
    assert (summary.n_new, summary.n_refused) == (2, 1)
    assert [held.path for held in summary.unassigned] == ["..\\..\\c.csv", "a\\b.csv"]
    assert shop.ingest().n_rows_written == 0


@pytest.mark.skipif(os.name == "nt", reason="links need a privilege there")
def test_only_plain_files_inside_the_folder_are_logs(tmp_path):
    shop = open_shop(tmp_path / "ws", 1, 60)
    logs = shop.root / "logs"
    outside = tmp_path / "outside.csv"
    outside.write_text("Time [s],Ambient [degC]\n0,20\n")
    (logs / "out.csv").symlink_to(outside)
    (logs / "loop.csv").symlink_to("loop.csv")
    (logs / "gone.csv").symlink_to("nowhere.csv")
    (logs / "zero.csv").symlink_to("/dev/zero")
    (logs / "registry.csv").symlink_to("../registry/tests.csv")
    (logs / "folder.csv").mkdir()
    os.mkfifo(logs / "pipe.csv")
    assert list_logs(shop.workspace) == ["bay0/log000.csv"]


def test_letters_that_steer_the_terminal_are_not_printed(tmp_path):
    shop = open_shop(tmp_path / "ws", 0)
    shop.write_log("\x1b[31mred\u202egnp.csv", 1, 60)
    done = CliRunner().invoke(app, ["ingest", "-w", str(shop.root)])
    assert done.exit_code == 0
    assert "\x1b" not in done.stdout
    assert "\u202e" not in done.stdout
    assert "[31mred" in done.stdout


@pytest.mark.parametrize("clock", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00"])
def test_a_clock_outside_the_calendar_is_a_wrong_command_line(tmp_path, clock):
    done = CliRunner().invoke(app, ["run", "-w", str(tmp_path), "--clock", clock])
    assert done.exit_code == 2
    assert "calendar" in done.stderr
