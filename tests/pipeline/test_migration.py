"""A store with the tables of another version: carried over, read again, or refused if newer."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path

import duckdb
import pytest
from shop import CLOCK, open_shop
from typer.testing import CliRunner

from pipeline import store_files
from pipeline.cli import app
from pipeline.migration import open_migrated
from pipeline.progress import Silence
from pipeline.rebuild import rebuild
from pipeline.run import Order, open_published, store_limits
from pipeline.schema_versions import SCHEMAS, schema_version
from pipeline.settings import Settings
from pipeline.store_schema import schema_fingerprint
from pipeline.store_tables import STORE_TABLES
from pipeline.warehouse import open_store

ALL_BUT_RUNS = [table.name for table in STORE_TABLES if table.name != "runs"]
GONE = "bay0/log000.csv"


def published(shop, names=ALL_BUT_RUNS):
    with open_published(shop.workspace, Settings()) as store:
        return {name: store.read(name) for name in names}


@pytest.fixture(scope="module")
def stored_shop(tmp_path_factory):
    shop = open_shop(tmp_path_factory.mktemp("stored") / "ws", 6, 120)
    shop.update()
    return shop


@pytest.fixture
def shop(stored_shop, tmp_path):
    shutil.copytree(stored_shop.root, tmp_path / "ws")
    return type(stored_shop)(tmp_path / "ws")


def alter(path, *statements):
    """The store as another version would have left it."""
    with duckdb.connect(str(path)) as plain:
        for statement in statements:
            plain.execute(statement)


# an earlier version: a column less, a column that is gone since, another type, a table less,
# a table whose rows have no key of today, and none of the facts that came later
OLDER = (
    "UPDATE store_facts SET value = 'of_old' WHERE fact = 'schema'",
    "DELETE FROM store_facts WHERE fact = 'schema_version'",
    "ALTER TABLE logs DROP COLUMN channels",
    "ALTER TABLE logs ADD COLUMN reader VARCHAR DEFAULT 'old'",
    "ALTER TABLE samples ALTER COLUMN engine_rpm TYPE VARCHAR",
    "DROP TABLE events",
    "ALTER TABLE trust DROP COLUMN test_id",
    "DELETE FROM states",
)
NEWER = (
    "UPDATE store_facts SET value = 'to_come' WHERE fact = 'schema'",
    f"UPDATE store_facts SET value = '{len(SCHEMAS) + 5}' WHERE fact = 'schema_version'",
)


def test_the_present_tables_are_listed_as_the_latest_version():
    assert schema_fingerprint(STORE_TABLES) in SCHEMAS, "run `poe docs`"
    assert SCHEMAS[-1] == schema_fingerprint(STORE_TABLES), "tables as they were before?"
    assert len(set(SCHEMAS)) == len(SCHEMAS)


def test_versions_are_counted_in_turn():
    assert [schema_version(each) for each in SCHEMAS] == list(range(1, len(SCHEMAS) + 1))
    assert schema_version("not listed") == len(SCHEMAS) + 1


def test_an_older_store_comes_to_the_same_tables_as_a_new_one(shop, stored_shop):
    alter(shop.workspace.store_file, *OLDER)
    summary = shop.update()
    assert summary.ingest.n_changed == 6
    assert any("other version" in line or "another version" in line for line in summary.lines)
    after = published(shop)
    for name, rows in published(stored_shop).items():
        assert after[name].equals(rows), f"table {name} differs"
    runs = published(shop, ["runs"])["runs"]
    assert runs["run_number"].to_list() == [1, 2]  # the notes of earlier runs are kept
    assert shop.update().n_rows_written == 0


def test_a_migration_keeps_what_only_the_store_holds(shop):
    before = published(shop)
    test_id = before["logs"].row(0, named=True)["test_id"]
    shop.log(GONE).unlink()
    alter(shop.workspace.store_file, *OLDER)
    summary = shop.update()
    assert (summary.ingest.n_changed, summary.ingest.n_vanished) == (5, 1)
    after = published(shop)
    mine = {
        name: [tables[name].filter(test_id=test_id) for tables in (before, after)]
        for name in ("samples", "features", "unread", "context")
    }
    assert mine["samples"][0].height == 120
    for name, (one, other) in mine.items():
        assert one.equals(other), f"table {name} differs"
    assert after["logs"].row(0, named=True)["channels"] is None
    assert after["logs"]["path"].to_list() == before["logs"]["path"].to_list()


def test_what_lies_in_the_journal_of_the_older_store_is_carried_over(shop):
    path = shop.workspace.store_file
    alter(path, *OLDER)
    shop.log(GONE).unlink()
    plain = duckdb.connect(str(path), config={"checkpoint_threshold": "1GB"})
    plain.execute("UPDATE context SET protocol = 'noted late' WHERE log_path = $1", [GONE])
    journal = path.with_name(path.name + ".wal")
    assert journal.stat().st_size
    # as after kill -9: the file and its journal, no orderly close
    kept = [(each, each.read_bytes()) for each in (path, journal)]
    plain.close()
    for file, content in kept:
        file.write_bytes(content)
    shop.update()
    context = published(shop)["context"].filter(log_path=GONE)
    assert context["protocol"].to_list() == ["noted late"]


def test_a_migration_that_fails_leaves_the_older_store(shop, monkeypatch):
    path = shop.workspace.store_file
    alter(path, *OLDER)
    content = path.read_bytes()

    def full(self, target):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", full)
        with pytest.raises(OSError, match="No space"):
            shop.update()
    assert path.read_bytes() == content
    assert {each.name for each in path.parent.iterdir()} <= {"store.duckdb", "lock", "temp"}
    assert shop.update().ingest.n_changed == 6


@pytest.mark.parametrize("place", ["store_file", "published_file"])
def test_a_newer_store_is_refused_with_a_sentence_and_left_alone(shop, place):
    path = getattr(shop.workspace, place)
    alter(path, *NEWER)
    content = path.read_bytes()
    arguments = ("run",) if place == "store_file" else ("explain", "car000")
    done = CliRunner().invoke(app, [*arguments, "-w", str(shop.root)])
    assert done.exit_code == 1
    assert "newer version" in done.stderr
    assert f"version {len(SCHEMAS) + 5}" in done.stderr
    assert "should not" not in done.stderr
    assert path.read_bytes() == content


def test_a_snapshot_of_an_older_version_says_what_to_do(shop):
    alter(shop.workspace.published_file, *OLDER)
    done = CliRunner().invoke(app, ["explain", "car000", "-w", str(shop.root)])
    assert done.exit_code == 1
    assert "chillroster run" in done.stderr
    assert shop.update().is_published
    assert published(shop)["logs"].height == 6


def test_a_rebuild_keeps_the_notes_of_an_older_store(shop):
    alter(shop.workspace.store_file, *OLDER)
    rebuild(shop.workspace, Order("rebuild", CLOCK), Silence())
    assert published(shop, ["runs"])["runs"]["command"].to_list() == ["run", "rebuild"]


def test_a_store_is_whole_from_the_first_moment_that_it_is_there(shop, tmp_path, monkeypatch):
    """A file with its first pages only could not be opened by any later run."""
    seen = []
    real = store_files.put_in_place

    def looking(complete, path):
        seen.append((path.exists(), complete.stat().st_size))
        real(complete, path)

    monkeypatch.setattr("pipeline.warehouse.put_in_place", looking)
    shutil.rmtree(shop.workspace.work_folder)
    shop.ingest()
    [(was_there, size)] = seen
    assert not was_there
    assert size > 12_288  # more than the three header pages


def test_a_journal_without_its_store_is_not_taken_for_that_of_a_new_one(shop):
    path = shop.workspace.store_file
    path.with_name(path.name + ".wal").write_bytes(b"of another store")
    path.unlink()
    assert shop.ingest().n_new == 6


def test_a_table_without_its_key_stays_empty_and_types_are_converted(shop):
    alter(shop.workspace.store_file, *OLDER)
    limits = store_limits(shop.workspace, Settings())
    store, is_migrated = open_migrated(shop.workspace.store_file, STORE_TABLES, limits)
    with store:
        assert is_migrated
        counts = store.counts()
        assert counts["trust"] == counts["events"] == 0
        assert counts["samples"] == 6 * 120
        assert store.read("samples")["engine_rpm"].null_count() == 0
    with open_store(shop.workspace.store_file, STORE_TABLES, limits) as store:
        assert store.counts() == counts
