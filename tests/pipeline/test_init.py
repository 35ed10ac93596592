"""A fresh workspace can be read as it is, and nothing is ever overwritten."""

from __future__ import annotations

import datetime as dt

import pytest
from log_writing import door, read_one, values, write

from pipeline.init import example_profile, init_workspace
from pipeline.inputs import read_inputs
from pipeline.problems import ProblemsError
from pipeline.registry_tables import REGISTRY_FILES
from pipeline.settings import Settings
from pipeline.workspace import find_workspace, is_inside, list_logs


def test_a_fresh_workspace_is_sound_and_empty(tmp_path):
    workspace = init_workspace(tmp_path / "shop")
    inputs = read_inputs(find_workspace(workspace.root))
    assert inputs.settings == Settings()
    assert inputs.notices == ()
    assert inputs.registry.tests.is_empty()
    assert "example" in [profile.name for profile in inputs.profiles]
    assert list_logs(workspace) == []


def test_registry_headers_name_every_column_of_the_contract(tmp_path):
    workspace = init_workspace(tmp_path)
    for table in REGISTRY_FILES:
        text = (workspace.registry_folder / f"{table.name}.csv").read_text()
        assert text == ",".join(entry.name for entry in table.entries) + "\n"


def test_nothing_is_overwritten(tmp_path):
    init_workspace(tmp_path)
    (tmp_path / "registry" / "models.csv").write_text("mine")
    with pytest.raises(ProblemsError) as caught:
        init_workspace(tmp_path)
    assert {one.code for one in caught.value.problems} == {"workspace_exists"}
    assert (tmp_path / "registry" / "models.csv").read_text() == "mine"


def test_one_file_in_the_way_stops_everything(tmp_path):
    (tmp_path / "registry").mkdir()
    (tmp_path / "registry" / "tests.csv").write_text("mine")
    with pytest.raises(ProblemsError) as caught:
        init_workspace(tmp_path)
    assert [one.file for one in caught.value.problems] == ["registry/tests.csv"]
    assert not (tmp_path / "chillroster.toml").exists()


def test_the_example_profile_reads_what_it_describes(tmp_path):
    workspace = init_workspace(tmp_path)
    profiles = read_inputs(workspace).profiles
    text = (
        "Example logger\nSerial 12\nTime;P1;P2;Duct mid\n"
        "11.05.2026 09:30:12;2,5;14,0;8,5\n11.05.2026 09:30:13;2,6;14,1;8,4\n"
    )
    batch = read_one(
        write(tmp_path, "a.csv", text), with_door=door(profiles=profiles), barometric_kpa=100.0
    )
    assert batch.readings["profile"][0] == "example"
    # 2.5 bar gauge on an atmosphere of 100 kPa
    assert values(batch, "low_side_kpa") == pytest.approx([350.0, 360.0])
    assert values(batch, "duct_air_c") == [8.5, 8.4]
    assert batch.readings["first_time"][0] == dt.datetime(2026, 5, 11, 9, 30, 12, tzinfo=dt.UTC)
    assert example_profile().startswith("# An example")


def test_a_folder_without_settings_is_no_workspace(tmp_path):
    with pytest.raises(ProblemsError) as caught:
        find_workspace(tmp_path)
    assert [one.code for one in caught.value.problems] == ["no_workspace"]


def test_problems_of_settings_profiles_and_registry_come_together(tmp_path):
    workspace = init_workspace(tmp_path)
    workspace.settings_file.write_text("nonsense = 1\n")
    (workspace.profiles_folder / "example.toml").write_text("name = 5\n")
    (workspace.registry_folder / "vehicles.csv").write_text("vehicle_id,model_id\nV1,A\n")
    with pytest.raises(ProblemsError) as caught:
        read_inputs(workspace)
    assert {one.file for one in caught.value.problems} == {
        "chillroster.toml",
        "profiles/example.toml",
        "registry/vehicles.csv",
    }


def test_logs_are_listed_by_their_endings_and_links_out_of_the_folder_are_not(tmp_path):
    workspace = init_workspace(tmp_path / "shop")
    (workspace.logs_folder / "2026").mkdir()
    for name in ("b.csv", "2026/a.CSV", "2026/c.csv.gz", "d.csv.zst", "e.parquet", "notes.txt"):
        (workspace.logs_folder / name).write_text("x")
    (tmp_path / "secret.csv").write_text("x")
    (workspace.logs_folder / "link.csv").symlink_to(tmp_path / "secret.csv")
    assert list_logs(workspace) == [
        "2026/a.CSV",
        "2026/c.csv.gz",
        "b.csv",
        "d.csv.zst",
        "e.parquet",
    ]
    assert not is_inside("../secret.csv")
