"""The whole way on a small shop: run twice, rebuild, lock, published snapshot."""

from __future__ import annotations

import hashlib
import shutil

import pytest
from shop import CLOCK, open_shop

from pipeline.lock import hold_lock
from pipeline.progress import Silence
from pipeline.rebuild import rebuild
from pipeline.report import write_report
from pipeline.run import Order, open_published
from pipeline.settings import Settings
from pipeline.store_faults import StoreError, StoreLockedError
from pipeline.store_tables import STORE_TABLES

ALL_BUT_RUNS = [table.name for table in STORE_TABLES if table.name != "runs"]


def published(shop, names=ALL_BUT_RUNS):
    with open_published(shop.workspace, Settings()) as store:
        return {name: store.read(name) for name in names}


def digest(folder):
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def run_shop(tmp_path_factory):
    shop = open_shop(tmp_path_factory.mktemp("shop") / "ws", 48)
    shop.summary = shop.update()
    shop.site = write_report(shop.workspace, CLOCK, Silence())
    return shop


@pytest.fixture
def shop(run_shop, tmp_path):
    shutil.copytree(run_shop.root, tmp_path / "ws")
    return type(run_shop)(tmp_path / "ws")


def test_every_vehicle_gets_a_state_and_a_page(run_shop):
    found = published(run_shop)
    assert found["states"].height == 40
    assert found["states"]["state"].null_count() == 0
    pages = list((run_shop.root / "site" / "vehicles").glob("*.html"))
    assert len(pages) == 40
    assert run_shop.site.index_path.is_file()


def test_a_second_run_changes_nothing_and_no_byte_of_the_site(shop):
    before, site = published(shop), digest(shop.workspace.site_folder)
    summary = shop.update()
    write_report(shop.workspace, CLOCK, Silence())
    assert summary.ingest.n_stored == 0
    assert summary.n_rows_written == 0
    assert not summary.is_published
    assert published(shop)["logs"].equals(before["logs"])
    assert digest(shop.workspace.site_folder) == site


def test_two_shops_with_the_same_files_give_the_same_bytes_of_site(run_shop, tmp_path):
    other = open_shop(tmp_path / "other", 48)
    other.update()
    write_report(other.workspace, CLOCK, Silence())
    assert digest(other.workspace.site_folder) == digest(run_shop.workspace.site_folder)


def test_a_rebuild_gives_the_same_tables(shop):
    before = published(shop)
    runs = published(shop, ["runs"])["runs"]
    summary = rebuild(shop.workspace, Order("rebuild", CLOCK), Silence())
    assert summary.ingest.n_new == 48
    after = published(shop)
    for name, rows in before.items():
        assert after[name].equals(rows), f"table {name} differs after a rebuild"
    kept = published(shop, ["runs"])["runs"]
    assert kept.head(runs.height).equals(runs)
    assert kept["command"].to_list()[-1] == "rebuild"


def test_a_rebuild_drops_what_has_no_file(shop):
    shop.log("bay0/log000.csv").unlink()
    rebuild(shop.workspace, Order("rebuild", CLOCK), Silence())
    assert published(shop)["logs"].height == 47


def test_a_rebuild_that_fails_leaves_the_old_store(shop, monkeypatch):
    before = published(shop)

    def fails(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipeline.assess.assess", fails)
    with pytest.raises(OSError, match="No space"):
        rebuild(shop.workspace, Order("rebuild", CLOCK), Silence())
    monkeypatch.undo()
    assert published(shop)["states"].equals(before["states"])
    assert shop.update().n_rows_written == 0
    left = {path.name for path in shop.workspace.work_folder.iterdir()}
    assert not [name for name in left if "rebuilding" in name]


def test_what_a_killed_rebuild_left_is_cleared_away(shop):
    half = shop.workspace.rebuilding_file
    for path in (half, half.with_name(half.name + ".wal")):
        path.write_bytes(b"half a store")
    assert shop.update().n_rows_written == 0
    left = {path.name for path in shop.workspace.work_folder.iterdir()}
    assert left <= {"store.duckdb", "lock", "temp"}


def test_a_damaged_store_is_refused_and_rebuilt(shop):
    before = published(shop)
    shop.workspace.store_file.write_bytes(b"damaged" * 5000)
    with pytest.raises(StoreError) as caught:
        shop.update()
    assert "rebuild" in caught.value.hint
    rebuild(shop.workspace, Order("rebuild", CLOCK), Silence())
    assert published(shop)["features"].equals(before["features"])


def test_a_second_writer_is_told_who_is_first(shop):
    with (
        hold_lock(shop.workspace.work_folder / "lock", "chillroster rebuild"),
        pytest.raises(StoreLockedError, match="chillroster rebuild"),
    ):
        shop.update()


def test_readers_read_while_a_writer_has_the_lock(shop):
    with hold_lock(shop.workspace.work_folder / "lock", "chillroster run"):
        assert published(shop)["states"].height == 40


def test_a_lost_snapshot_is_published_again(shop):
    shop.workspace.published_file.unlink()
    assert shop.update().is_published
    assert published(shop)["states"].height == 40


def test_a_report_before_any_run_says_what_to_do(tmp_path):
    shop = open_shop(tmp_path / "ws", 1)
    with pytest.raises(StoreError) as caught:
        write_report(shop.workspace, CLOCK, Silence())
    assert "chillroster run" in caught.value.hint


def test_runs_are_noted_only_when_they_changed_something(shop):
    shop.update()
    assert published(shop, ["runs"])["runs"].height == 1
    shop.write_log("bay0/log000.csv", seed=4711)
    shop.update()
    runs = published(shop, ["runs"])["runs"]
    assert runs["run_number"].to_list() == [1, 2]
    assert runs["n_logs_stored"].to_list() == [48, 1]
    assert runs["logs_hash"].n_unique() == 2


def test_an_empty_workspace_runs(tmp_path):
    shop = open_shop(tmp_path / "ws", 0)
    summary = shop.update()
    write_report(shop.workspace, CLOCK, Silence())
    assert summary.ingest.text == "0 logs: 0 new, 0 changed, 0 unchanged, 0 refused."
    assert (shop.root / "site" / "index.html").is_file()
