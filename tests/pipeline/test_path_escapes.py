"""Paths that try to leave the workspace: from the registry, from profiles, from ids of vehicles.

Each is refused with a sentence or is a name like any other; nothing outside is read or
written.
"""

from __future__ import annotations

import os
import re
from pathlib import PurePosixPath

import polars as pl
import pytest
from shop import CLOCK, FIRST_TEST, log_text, open_shop
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.problems import ProblemsError
from pipeline.profiles import read_profiles
from pipeline.progress import Silence
from pipeline.registry import read_registry
from pipeline.report import write_report
from pipeline.run import open_published
from pipeline.settings import Settings
from reports.display import file_stem

# `outside.csv` lies beside the workspace, and holds a sound log
LOG_PATHS = {
    "up": "../outside.csv",
    "up twice": "../../outside.csv",
    "up after a name": "bay0/../../../outside.csv",
    "up after logs": "logs/../../outside.csv",
    "up in the middle": "bay0/../../outside.csv",
    "up and down": "../logs/bay0/log000.csv",
    "only up": "..",
    "up with a slash": "../",
    "here and up": "./../../outside.csv",
    "many ups": "../" * 60 + "etc/passwd",
    "absolute": "/etc/passwd",
    "absolute here": "{outside}",
    "two slashes": "//etc/passwd",
    "network name": "//server/share/a.csv",
    "a file's address": "file:///etc/passwd",
    "home": "~/outside.csv",
    "a variable": "$HOME/outside.csv",
    "percent signs": "%2e%2e%2foutside.csv",
    "percent signs twice": "%252e%252e%252foutside.csv",
    "overlong slash": "..%c0%afoutside.csv",
    "backslashes": "..\\..\\outside.csv",
    "a backslash": "bay0\\log000.csv",
    "slash and backslash": "bay0/..\\../outside.csv",
    "drive": "C:\\Windows\\win.ini",
    "drive with slashes": "C:/Windows/win.ini",
    "drive without a slash": "C:outside.csv",
    "small drive": "d:/outside.csv",
    "network": "\\\\server\\share\\a.csv",
    "raw device path": "\\\\?\\C:\\outside.csv",
    "device path": "\\\\.\\COM1",
    "endless device": "/dev/zero",
    "waiting device": "/dev/stdin",
    "process": "/proc/self/environ",
    "process below": "proc/self/environ",
    "windows device": "CON",
    "windows device with ending": "nul.csv",
    "printer": "LPT1:",
    "second stream": "log000.csv::$DATA",
    "fullwidth dots": "\uff0e\uff0e/outside.csv",
    "fullwidth slash": "..\uff0foutside.csv",
    "division slash": "..\u2215outside.csv",
    "fraction slash": "..\u2044outside.csv",
    "two dot leader": "\u2025/outside.csv",
    "one dot leaders": "\u2024\u2024/outside.csv",
    "right to left": "\u202e/../vsc.edistuo",
    "unseen letters": ".\u200b./outside.csv",
    "an escape": "\x1b[2J../outside.csv",
    "zero byte": "log000.csv\0.txt",
    "zero byte and up": "\0../outside.csv",
    "line end": "a\n../outside.csv",
    "carriage return": "a\r../outside.csv",
    "blank and up": " ../outside.csv",
    "blank inside": ".. /outside.csv",
    "three dots": ".../outside.csv",
    "long name": "x" * 5000 + ".csv",
    "long path": "a/" * 3000 + "a.csv",
    "a mark for any": "*",
    "a mark for all": "**/*.csv",
    "a mark for one": "bay?/log00?.csv",
    "choices": "{{a,b}}.csv",
    "link to a file": "link.csv",
    "link to a folder": "linked/outside.csv",
    "link to itself": "loop.csv",
    "link to a device": "zero.csv",
    "pipe": "pipe.csv",
    "folder": "folder.csv",
    "a command": "|cat /etc/passwd",
    "a command in brackets": "$(touch outside2).csv",
    "a quote": "a'; --.csv",
}  # fmt: skip


@pytest.fixture
def shop(tmp_path):
    outside = tmp_path / "outside.csv"
    outside.write_text(log_text(99, 420))
    shop = open_shop(tmp_path / "home" / "ws", 2)
    logs = shop.root / "logs"
    (logs / "link.csv").symlink_to(outside)
    (logs / "linked").symlink_to(tmp_path, target_is_directory=True)
    (logs / "loop.csv").symlink_to(logs / "loop.csv")
    (logs / "zero.csv").symlink_to("/dev/zero")
    (logs / "folder.csv").mkdir()
    os.mkfifo(logs / "pipe.csv")
    shop.outside = outside
    return shop


def all_below(folder):
    return {path: path.lstat().st_mtime_ns for path in folder.rglob("*")}


def write_tests(shop, paths):
    """The tests table as Parquet: a form in which a cell may hold any letter."""
    (shop.root / "registry" / "tests.csv").unlink(missing_ok=True)
    rows = {
        "log": paths,
        "vehicle_id": ["car000"] * len(paths),
        "started_at": [FIRST_TEST.isoformat()] * len(paths),
    }
    pl.DataFrame(rows).write_parquet(shop.root / "registry" / "tests.parquet")


def is_refused(shop, path):
    """Whether the registry refuses the path; with a sentence that says what to write."""
    write_tests(shop, [path])
    problems = ()
    try:
        read_registry(shop.workspace, "UTC")
    except ProblemsError as error:
        problems = error.problems
    for problem in problems:
        assert problem.code == "path_outside"
        assert "below logs/" in problem.sentence
        assert "relative to logs/" in problem.hint
    return bool(problems)


def test_no_path_of_the_registry_leaves_the_logs_folder(shop, tmp_path, capsys):
    assert len(LOG_PATHS) >= 60
    before = {path: time for path, time in all_below(tmp_path).items() if "ws" not in path.parts}
    refused, allowed = [], []
    for path in LOG_PATHS.values():
        shown = path.format(outside=shop.outside) if "{outside}" in path else path
        (refused if is_refused(shop, shown) else allowed).append(shown)
    # whatever could leave is refused; the rest are names of files that are not there
    for path in allowed:
        assert ".." not in re.split(r"[/\\]", path)
        assert not path.startswith(("/", "\\"))
    write_tests(shop, ["bay0/log000.csv", *dict.fromkeys(allowed)])
    shop.ingest()
    with open_published(shop.workspace, Settings()) as store:
        stored = store.read("logs").filter(pl.col("outcome_code") == "stored")
        missing = store.read("rejected").filter(pl.col("code") == "log_file_missing")
    assert stored["path"].to_list() == ["bay0/log000.csv"]
    # those that no file bears, and that can be told so
    assert set(missing["path"]) <= {PurePosixPath(path).as_posix() for path in allowed}
    after = {path: time for path, time in all_below(tmp_path).items() if "ws" not in path.parts}
    assert after == before
    with capsys.disabled():
        print(f"\n{len(LOG_PATHS)} paths: {len(refused)} refused, {len(allowed)} harmless")  # noqa: T201 - counts


VEHICLES = [
    "../../x", "a/b", "..", ".", "/etc/passwd", "a\\b", "C:x", "con", "CON", "nul", "aux", "com1",
    "lpt9", "con.html", "x.html", "index", "..html", "~", "$HOME", "-rf", "a b", "%2e%2e%2f", "*",
    "\uff0e\uff0e\uff0fx", "\u202egnp.exe", "\u00e4", "\u0430", "a", "A", "x" * 3000, "'; DROP--",
    "a\u200b", "\x1b[2J", "_", "a_b", "-", "vehicle", "\N{SNOWMAN}", "a" * 41, "a" * 42,
]  # fmt: skip


def test_every_vehicle_has_a_file_of_its_own_inside_the_site():
    stems = [file_stem(vehicle) for vehicle in VEHICLES]
    assert len({stem.casefold() for stem in stems}) == len(VEHICLES)
    for stem in stems:
        assert re.fullmatch(r"[a-z0-9]+(?:-[a-z0-9]+)*(?:_[0-9a-f]{16})?", stem)
        assert len(stem) < 80
        # names that Windows keeps for devices, with or without an ending
        assert not re.fullmatch(r"con|prn|aux|nul|com\d|lpt\d", stem)


def test_pages_and_exports_of_hostile_vehicles_stay_in_their_folders(tmp_path):
    shop = open_shop(tmp_path / "home" / "ws", 1)
    folder = shop.root / "registry"
    (folder / "vehicles.csv").unlink()
    # ids that differ by unseen letters or capitals only are refused elsewhere
    ids = [one for one in VEHICLES if one not in {"CON", "A", "a\u200b"}]
    models = ["tolvanne_kombi"] * len(ids)
    frame = pl.DataFrame({"vehicle_id": ids, "model_id": models})
    frame.write_parquet(folder / "vehicles.parquet")
    tests = pl.DataFrame(
        {"log": ["bay0/log000.csv"], "vehicle_id": ["../../x"], "started_at": ["2026-05-04 09:00"]}
    )
    (folder / "tests.csv").unlink()
    tests.write_parquet(folder / "tests.parquet")
    before = {path for path in tmp_path.rglob("*") if "ws" not in path.parts}
    shop.update("run")
    write_report(shop.workspace, CLOCK, Silence())
    out = tmp_path / "home" / "out"
    arguments = ["export", out, "--format", "csv", "-w", shop.root]
    assert CliRunner().invoke(app, [str(one) for one in arguments]).exit_code == 0
    written = {path for path in tmp_path.rglob("*") if "ws" not in path.parts} - before
    assert {path.parent for path in written} <= {out, out.parent}
    pages = list((shop.root / "site" / "vehicles").glob("*.html"))
    assert len(pages) == len(ids)


def test_an_export_of_a_table_named_by_a_path_is_a_wrong_command_line(tmp_path):
    shop = open_shop(tmp_path / "ws", 1)
    shop.update("run")
    for name in ("../../x", "/etc/passwd", "states; DROP TABLE logs", '"', "states.csv"):
        arguments = ["export", tmp_path / "out", "--table", name, "-w", shop.root]
        done = CliRunner().invoke(app, [str(one) for one in arguments])
        assert done.exit_code == 2
        assert "no table is called" in done.stderr
    assert not (tmp_path / "out").exists()


PROFILE = 'name = "{name}"\n[recognise]\nanything = true\n'


@pytest.mark.parametrize(
    "name", ["../x", "a/b", "C:x", "con.toml", "", "x" * 5000 + "/", "é", "a b"]
)
def test_the_name_of_a_profile_is_a_plain_word(tmp_path, name):
    shop = open_shop(tmp_path / "ws", 0)
    shop.workspace.profiles_folder.mkdir(exist_ok=True)
    (shop.workspace.profiles_folder / "a.toml").write_text(PROFILE.format(name=name))
    with pytest.raises(ProblemsError) as refused:
        read_profiles(shop.workspace)
    assert [problem.code for problem in refused.value.problems] == ["wrong_value"]
    assert "small letters, digits" in refused.value.problems[0].sentence


def test_a_profile_that_lies_outside_or_is_no_plain_file_is_refused(tmp_path):
    shop = open_shop(tmp_path / "ws", 0)
    folder = shop.workspace.profiles_folder
    folder.mkdir(exist_ok=True)
    secret = tmp_path / "secret.toml"
    secret.write_text("password = 'canary'")
    (folder / "a_link.toml").symlink_to(secret)
    (folder / "b_device.toml").symlink_to("/dev/zero")
    (folder / "c_folder.toml").mkdir()
    os.mkfifo(folder / "d_pipe.toml")
    (folder / "e_large.toml").write_text("# " + "x" * 1_500_000)
    (folder / "f_deep.toml").write_text(".".join("a" * 3000) + " = 1")
    (folder / "g_loop.toml").symlink_to(folder / "g_loop.toml")
    with pytest.raises(ProblemsError) as refused:
        read_profiles(shop.workspace)
    assert "canary" not in str(refused.value)
    assert [(problem.file[9:10], problem.code) for problem in refused.value.problems] == [
        ("a", "path_outside"),
        ("b", "unreadable_file"),
        ("c", "unreadable_file"),
        ("d", "unreadable_file"),
        ("e", "too_large"),
        ("f", "not_toml"),
        ("g", "unreadable_file"),
    ]
    assert all(problem.sentence.endswith(".") for problem in refused.value.problems)


def test_a_profile_named_by_a_path_in_the_registry_is_unknown(tmp_path):
    shop = open_shop(tmp_path / "ws", 0)
    lines = "log,vehicle_id,started_at,profile\na.csv,car000,2026-05-04 09:00,../../secret\n"
    (shop.root / "registry" / "tests.csv").write_text(lines)
    with pytest.raises(ProblemsError) as refused:
        read_registry(shop.workspace, "UTC", ["self_describing"])
    assert [problem.code for problem in refused.value.problems] == ["unknown_profile"]
