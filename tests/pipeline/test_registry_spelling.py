"""The same thing spelled in two ways, and files that stand where a table should: all told."""

from __future__ import annotations

import os

import pytest
from shop import open_shop

from pipeline.problems import ProblemsError
from pipeline.registry import read_registry
from pipeline.workspace import Workspace

MODELS = "model_id,refrigerant\nA,R1234yf\n"
TESTS = "log,vehicle_id,started_at\n"


def workspace_with(folder, vehicles, tests=""):
    workspace = Workspace(folder)
    workspace.registry_folder.mkdir()
    for name, text in (("models", MODELS), ("vehicles", vehicles), ("tests", TESTS + tests)):
        (workspace.registry_folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return workspace


def codes(workspace):
    with pytest.raises(ProblemsError) as caught:
        read_registry(workspace, "UTC")
    return [(one.code, one.line) for one in caught.value.problems]


@pytest.mark.parametrize("other", ["V1", "v 1", "v\u200b1", "V\u00a01", "\uff561"])
def test_ids_that_an_eye_cannot_tell_apart_are_not_two_vehicles(tmp_path, other):
    workspace = workspace_with(tmp_path, f"vehicle_id,model_id\nv1,A\nv2,A\n{other},A\n")
    assert codes(workspace) == [("look_alike_id", 4)]


def test_ids_that_differ_to_the_eye_are_different(tmp_path):
    workspace = workspace_with(tmp_path, "vehicle_id,model_id\nv1,A\nv-1,A\nv01,A\nvl,A\n")
    assert read_registry(workspace, "UTC").vehicles.height == 4


def test_log_paths_are_the_same_however_folders_are_parted(tmp_path):
    tests = "./a.csv,v1,2026-05-11\nbay//b.csv,v1,2026-05-11\n"
    workspace = workspace_with(tmp_path, "vehicle_id,model_id\nv1,A\n", tests)
    assert read_registry(workspace, "UTC").tests["log"].to_list() == ["a.csv", "bay/b.csv"]


def test_one_log_under_two_spellings_of_its_path_is_a_duplicate(tmp_path):
    tests = "a.csv,v1,2026-05-11\n./a.csv,v1,2026-05-11\n"
    workspace = workspace_with(tmp_path, "vehicle_id,model_id\nv1,A\n", tests)
    assert codes(workspace) == [("duplicate_id", 3)]


def test_a_path_with_the_folder_itself_is_hinted_at(tmp_path):
    shop = open_shop(tmp_path / "ws", 1, 60)
    registry = shop.root / "registry" / "tests.csv"
    registry.write_text(registry.read_text().replace("bay0/", "logs/bay0/"))
    hints = shop.update("ingest", does_assess=False).rejected["hint"].to_list()
    assert any("Leave out `logs/`" in hint for hint in hints)


@pytest.mark.skipif(os.name == "nt", reason="such files cannot exist there")
@pytest.mark.parametrize("kind", ["fifo", "folder", "device", "link to nowhere"])
def test_a_table_that_is_no_plain_file_is_told_not_taken_for_absent(tmp_path, kind):
    workspace = workspace_with(tmp_path, "vehicle_id,model_id\nv1,A\n")
    path = workspace.registry_folder / "repairs.csv"
    make = {
        "fifo": lambda: os.mkfifo(path),
        "folder": path.mkdir,
        "device": lambda: path.symlink_to("/dev/zero"),
        "link to nowhere": lambda: path.symlink_to("nowhere.csv"),
    }
    make[kind]()
    assert codes(workspace) == [("unreadable_file", None)]
