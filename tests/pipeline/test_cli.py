"""The command line: what is said, exit codes, no traceback, silence of bars in a pipe."""

from __future__ import annotations

import os
import re
import subprocess
import sys

import polars as pl
import pytest
from shop import open_shop
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.demo import DemoOrder
from pipeline.lock import hold_lock
from synthetic.fleet import FleetSize

CLOCK = ("--clock", "2026-07-20T12:00:00+00:00")


def call(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def launch(*arguments, **options):
    code = "from pipeline.cli import main; main()"
    command = [sys.executable, "-c", code, *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, **options)


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    shop = open_shop(tmp_path_factory.mktemp("shop") / "ws", 40)
    done = call("run", "-w", shop.root, *CLOCK)
    assert done.exit_code == 0, done.output
    shop.told = done.stdout
    return shop


def test_run_says_what_it_did_and_where_the_site_is(shop):
    assert "40 logs: 40 new, 0 changed, 0 unchanged, 0 refused." in shop.told
    assert "40 vehicles:" in shop.told
    assert str(shop.root.resolve() / "site" / "index.html") in shop.told


def test_a_second_run_says_that_nothing_changed(shop):
    done = call("run", "-w", shop.root, *CLOCK)
    assert done.exit_code == 0
    assert "40 logs: 0 new, 0 changed, 40 unchanged, 0 refused." in done.stdout
    assert "warehouse.duckdb: nothing changed." in done.stdout
    assert "0 pages written" in done.stdout


def test_a_log_is_found_by_the_name_that_the_lists_use(shop):
    assert call("check", "bay0/log000.csv", "-w", shop.root).exit_code == 0
    done = call("check", "bay0/none.csv", "-w", shop.root)
    assert done.exit_code == 2
    assert "there is no file bay0/none.csv" in " ".join(done.stderr.split())


def test_help_lists_the_commands_and_the_exit_codes():
    told = call("--help").stdout
    for command in (
        "demo", "init", "check", "ingest", "assess", "report", "run", "rebuild", "explain",
        "export",
    ):  # fmt: skip
        assert f"  {command} " in told
    words = " ".join(told.split())
    for meaning in ("0 done", "1 unexpected", "2 wrong", "3 settings", "4 with --strict", "5 the"):
        assert meaning in words


def test_help_loads_nothing_heavy():
    code = (
        "import sys\n"
        "from pipeline.cli import main\n"
        "sys.argv = ['chillroster', '--help']\n"
        "try:\n    main()\n"
        "except SystemExit:\n    pass\n"
        "heavy = {'polars', 'numpy', 'duckdb', 'pydantic', 'altair', 'sklearn', 'CoolProp'}\n"
        "print('LOADED', sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "LOADED []"


def test_explain_says_the_state_in_words(shop):
    done = call("explain", "car003", "-w", shop.root)
    assert done.exit_code == 0
    assert done.stdout.startswith("car003 (tolvanne_kombi): ")
    assert "What this state means" in done.stdout
    assert "An indication, not a proven defect" in " ".join(done.stdout.split())


def test_explain_of_an_unknown_vehicle_suggests_the_nearest(shop):
    done = call("explain", "car03", "-w", shop.root)
    assert done.exit_code == 2
    assert "Did you mean" in done.stderr
    assert "car03" in done.stderr


def test_export_writes_every_table(shop, tmp_path):
    done = call("export", tmp_path / "out", "--format", "csv", "-w", shop.root)
    assert done.exit_code == 0, done.output
    states = pl.read_csv(tmp_path / "out" / "states.csv")
    assert states.height == 40
    assert (tmp_path / "out" / "samples.csv").is_file()


def test_export_of_an_unknown_table_is_a_wrong_command_line(shop, tmp_path):
    done = call("export", tmp_path / "out", "--table", "statess", "-w", shop.root)
    assert done.exit_code == 2
    assert "states" in done.stderr


def test_no_workspace_is_exit_3_with_what_to_do(tmp_path):
    done = call("run", "-w", tmp_path)
    assert done.exit_code == 3
    assert "chillroster init" in done.stderr
    assert "Traceback" not in done.output


def test_registry_problems_are_exit_3_all_together(tmp_path):
    shop = open_shop(tmp_path / "ws", 1)
    (shop.root / "registry" / "tests.csv").write_text(
        "log,vehicle_id,started_at\nbay0/log000.csv,nobody,not a date\n"
    )
    done = call("run", "-w", shop.root)
    assert done.exit_code == 3
    assert "nobody" in done.stderr
    assert "not a date" in done.stderr
    assert "Nothing was stored" in done.stderr
    assert not shop.workspace.store_file.exists()


def test_strict_is_exit_4_when_something_was_refused(tmp_path):
    shop = open_shop(tmp_path / "ws", 2)
    shop.write_log("stray.csv", seed=9)
    assert call("ingest", "-w", shop.root).exit_code == 0
    done = call("ingest", "--strict", "-w", shop.root)
    assert done.exit_code == 4
    assert "stray.csv" in done.stdout
    assert "no row of the registry" in done.stdout


def test_a_locked_workspace_is_exit_5(shop):
    with hold_lock(shop.workspace.work_folder / "lock", "chillroster rebuild"):
        done = launch("run", "-w", shop.root, *CLOCK)
    assert done.returncode == 5
    assert "chillroster rebuild" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_wrong_option_is_exit_2(shop):
    assert call("run", "--no-such-option").exit_code == 2
    assert call("run", "-w", shop.root, "--clock", "yesterday").exit_code == 2


def test_an_unexpected_failure_is_exit_1_without_a_traceback(shop, monkeypatch):
    def fails(*_, **__):
        raise RuntimeError("a cable came loose")

    monkeypatch.setattr("pipeline.run.ingest", fails)
    done = call("run", "-w", shop.root)
    assert done.exit_code == 1
    assert "a cable came loose" in done.stderr
    assert "What to do" in done.stderr
    assert "Traceback" not in done.output


def test_debug_shows_where_it_failed(shop, monkeypatch):
    def fails(*_, **__):
        raise RuntimeError("a cable came loose")

    monkeypatch.setattr("pipeline.run.ingest", fails)
    done = call("run", "-w", shop.root, "--debug")
    assert isinstance(done.exception, RuntimeError)


def test_a_full_disk_is_told_in_words(shop, monkeypatch):
    def fails(*_, **__):
        raise OSError(28, "No space left on device", "store.duckdb")

    monkeypatch.setattr("pipeline.run.ingest", fails)
    done = call("run", "-w", shop.root)
    assert done.exit_code == 1
    assert "No space left on device" in done.stderr
    assert "intact" in done.stderr


def test_in_a_pipe_there_are_no_bars_and_no_colours(shop):
    done = launch("run", "-w", shop.root, *CLOCK, env={**os.environ, "TERM": "xterm-256color"})
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert "\x1b" not in done.stdout


def test_init_makes_a_workspace_that_runs_empty(tmp_path):
    done = call("init", "-w", tmp_path / "new")
    assert done.exit_code == 0, done.output
    assert call("ingest", "-w", tmp_path / "new").exit_code == 0
    assert call("init", "-w", tmp_path / "new").exit_code == 3


def test_demo_does_not_touch_a_folder_that_is_in_use(tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("dear")
    done = call("demo", tmp_path / "mine")
    assert done.exit_code == 2
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["letter.txt"]


def test_demo_takes_the_size_of_its_fleet_and_writes_mdf(tmp_path):
    pytest.importorskip("asammdf")
    sizes = ("--vehicles", "12", "--tests", "24", "--models", "2", "--years", "1", "--mdf")
    done = call("demo", tmp_path / "demo", *sizes)
    assert done.exit_code == 0, done.output
    assert "24 logs: 24 new" in done.stdout
    models = (tmp_path / "demo" / "registry" / "models.csv").read_text().splitlines()
    assert len(models) == 3
    starts = (tmp_path / "demo" / "registry" / "tests.csv").read_text()
    assert len(set(re.findall(r"20\d\d(?=-\d\d-\d\d[T ])", starts))) == 1
    assert list((tmp_path / "demo" / "logs").rglob("*.mf4"))


def test_demo_says_what_mdf_needs(tmp_path, monkeypatch):
    monkeypatch.setattr("pipeline.cli.find_spec", lambda _: None)
    done = call("demo", tmp_path / "demo", "--mdf")
    assert done.exit_code == 2
    assert "chillroster[mdf]" in done.output
    assert not (tmp_path / "demo").exists()


def test_demo_sizes_are_those_of_the_simulator_unless_told(tmp_path):
    usual, order = FleetSize(), DemoOrder(tmp_path, 1, 1, 1)
    assert (order.n_models, order.n_years) == (usual.n_models, usual.years)


def test_demo_runs_everything(tmp_path):
    done = call("demo", tmp_path / "demo", "--vehicles", "20", "--tests", "30")
    assert done.exit_code == 0, done.output
    assert "30 logs: 30 new" in done.stdout
    last = done.stdout.splitlines()[-1]
    assert last.endswith("index.html")
    assert (tmp_path / "demo" / "site" / "index.html").is_file()
    assert not [path for path in (tmp_path / "demo").rglob("*") if "truth" in path.name]
