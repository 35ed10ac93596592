"""The store: comments, one transaction, order, limits, lock."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, date, datetime

import duckdb
import polars as pl
import pytest

from features.tables import Column, Table
from pipeline.lock import hold_lock
from pipeline.publish import publish
from pipeline.store_faults import StoreError, StoreLockedError
from pipeline.store_schema import schema_fingerprint
from pipeline.warehouse import (
    Replacement,
    StoreLimits,
    open_store,
)

PRESSURES = Table(
    "pressures",
    "one row per test and instant, the shop's own",
    ("test_id", "time_s"),
    (
        Column("test_id", pl.String(), "", "the test"),
        Column("time_s", pl.Float64(), "s", "time since the start"),
        Column("low_side_kpa", pl.Float64(), "kPa", "low side, absolute"),
    ),
)
VISITS = Table(
    "visits",
    "one row per visit",
    ("visit_id",),
    (
        Column("visit_id", pl.String(), "", "the visit"),
        Column("at", pl.Datetime("us", "UTC"), "", "when"),
        Column("on", pl.Date(), "", "which day"),
        Column("count", pl.Int32(), "1", "how many"),
        Column("done", pl.Boolean(), "", "whether done"),
    ),
)
TABLES = (PRESSURES, VISITS)


@pytest.fixture
def limits(tmp_path):
    return StoreLimits("256MB", 1, tmp_path / "spill", "1GB")


@pytest.fixture
def store(tmp_path, limits):
    with open_store(tmp_path / "store.duckdb", TABLES, limits) as warehouse:
        yield warehouse


def pressures(test_id, values):
    return pl.DataFrame(
        {
            "test_id": test_id,
            "time_s": [float(i) for i in range(len(values))],
            "low_side_kpa": values,
        },
        schema=PRESSURES.schema,
    )


def replacement(test_id, values):
    return Replacement(PRESSURES, pressures(test_id, values), "test_id", (test_id,))


def test_every_column_carries_its_meaning_and_unit_as_a_comment(store, limits):
    store.close()
    plain = duckdb.connect(str(store.path))
    comments = dict(
        plain.execute(
            "SELECT column_name, comment FROM duckdb_columns() WHERE table_name = 'pressures'"
        ).fetchall()
    )
    assert comments == {
        "test_id": "the test",
        "time_s": "time since the start [s]",
        "low_side_kpa": "low side, absolute [kPa]",
    }
    table_comment = plain.execute(
        "SELECT comment FROM duckdb_tables() WHERE table_name = 'pressures'"
    ).fetchone()
    assert table_comment == ("one row per test and instant, the shop's own",)
    plain.close()


def test_no_index_and_no_primary_key(store):
    store.replace([replacement("a", [1.0])])
    store.close()
    plain = duckdb.connect(str(store.path))
    assert plain.execute("SELECT count(*) FROM duckdb_indexes()").fetchone() == (0,)
    kinds = plain.execute("SELECT DISTINCT constraint_type FROM duckdb_constraints()").fetchall()
    assert ("PRIMARY KEY",) not in kinds
    plain.close()


def test_file_is_written_in_the_storage_version_both_lines_read(store):
    store.close()
    plain = duckdb.connect(str(store.path))
    tags = plain.execute("SELECT tags FROM duckdb_databases() WHERE NOT internal").fetchone()[0]
    assert tags["storage_version"].startswith("v1.5.0")
    plain.close()


def test_replacing_one_test_leaves_the_others(store):
    store.replace([replacement("a", [1.0, 2.0]), replacement("b", [3.0])])
    store.replace([replacement("a", [9.0])])
    assert store.read("pressures").rows() == [("a", 0.0, 9.0), ("b", 0.0, 3.0)]


def test_rows_come_in_key_order_whatever_order_they_went_in(store):
    frame = pl.concat([pressures("b", [3.0]), pressures("a", [1.0, 2.0]).reverse()])
    store.replace([Replacement(PRESSURES, frame)])
    assert store.read("pressures")["low_side_kpa"].to_list() == [1.0, 2.0, 3.0]


def test_every_type_comes_back_as_it_went_in(store):
    rows = pl.DataFrame(
        {
            "visit_id": ["1", "2"],
            "at": [datetime(2026, 5, 11, 9, 30, 12, 5, tzinfo=UTC), None],
            "on": [date(2026, 5, 11), None],
            "count": [3, None],
            "done": [True, None],
        },
        schema=VISITS.schema,
    )
    store.replace([Replacement(VISITS, rows)])
    back = store.read("visits")
    assert back.equals(rows)
    assert back.schema == rows.schema


def test_a_failure_in_the_middle_of_a_transaction_stores_none_of_it(store):
    store.replace([replacement("a", [1.0])])
    generation = store.generation
    wrong = Replacement(VISITS, pl.DataFrame({"not_a_column": [1]}))
    with pytest.raises(ValueError, match="not_a_column"):
        store.replace([replacement("a", [7.0, 8.0]), wrong])
    assert store.read("pressures")["low_side_kpa"].to_list() == [1.0]
    assert store.generation == generation


def test_hostile_text_is_data(store):
    name = "'); DROP TABLE pressures; --"
    store.replace([replacement(name, [1.0])])
    assert store.read_where("pressures", "test_id", [name]).height == 1
    assert store.counts() == {"pressures": 1, "visits": 0}


def test_no_query_can_read_a_file(store):
    with pytest.raises(duckdb.PermissionException):
        store._connection.execute("SELECT * FROM read_csv('/etc/hostname')")


def test_no_extension_can_be_fetched(store):
    value = store._connection.execute(
        "SELECT current_setting('autoinstall_known_extensions'), "
        "current_setting('autoload_known_extensions')"
    ).fetchone()
    assert value == (False, False)
    with pytest.raises(duckdb.Error):
        store._connection.execute("INSTALL httpfs")


def test_limits_are_pinned(store, tmp_path):
    limit, threads, folder = store._connection.execute(
        "SELECT current_setting('memory_limit'), current_setting('threads'), "
        "current_setting('temp_directory')"
    ).fetchone()
    assert limit == "244.1 MiB"  # 256e6 / 2**20
    assert threads == 1
    assert folder == str(tmp_path / "spill")


def test_a_store_of_another_schema_is_refused_with_the_way_out(store, limits):
    store.close()
    with pytest.raises(StoreError) as caught:
        open_store(store.path, (PRESSURES,), limits)
    assert "chillroster run" in caught.value.hint


def test_a_file_that_is_no_store_is_refused(tmp_path, limits):
    path = tmp_path / "store.duckdb"
    path.write_bytes(b"not a database" * 1000)
    with pytest.raises(StoreError) as caught:
        open_store(path, TABLES, limits)
    assert "rebuild" in caught.value.hint
    assert path.read_bytes().startswith(b"not a database")


def test_schema_fingerprint_follows_columns_and_types():
    retyped = Table(
        "pressures",
        PRESSURES.grain,
        PRESSURES.key,
        (*PRESSURES.columns[:2], Column("low_side_kpa", pl.Int32(), "kPa", "low side")),
    )
    assert schema_fingerprint([PRESSURES]) != schema_fingerprint([retyped])
    assert schema_fingerprint([PRESSURES]) == schema_fingerprint([PRESSURES])


def test_a_second_process_cannot_open_a_store_that_is_written(store, limits):
    code = (
        "import sys; from pathlib import Path; sys.path.insert(0, 'tests/pipeline')\n"
        "from pipeline.store_faults import StoreLockedError\n"
        "from pipeline.warehouse import StoreLimits, open_store\n"
        "try:\n"
        f"    open_store(Path({str(store.path)!r}), (), "
        f"StoreLimits('256MB', 1, Path({str(limits.temp_folder)!r}), '1GB'))\n"
        "except StoreLockedError as error:\n"
        "    print('LOCKED', error.hint)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("LOCKED")
    assert "warehouse.duckdb" in done.stdout


def test_the_lock_names_its_holder_and_is_free_afterwards(tmp_path):
    path = tmp_path / "lock"
    with (
        hold_lock(path, "chillroster run"),
        pytest.raises(StoreLockedError, match="chillroster run"),
        hold_lock(path, "chillroster ingest"),
    ):
        pass
    with hold_lock(path, "chillroster ingest"):
        pass


def test_publishing_gives_readers_a_whole_copy_while_the_store_goes_on(store, limits, tmp_path):
    store.replace([replacement("a", [1.0])])
    store.checkpoint()
    store.close()
    published = tmp_path / "warehouse.duckdb"
    publish(store.path, published)
    with open_store(published, TABLES, limits, read_only=True) as reader:
        with open_store(store.path, TABLES, limits) as writer:
            writer.replace([replacement("a", [2.0])])
        assert reader.read("pressures")["low_side_kpa"].to_list() == [1.0]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["store.duckdb", "warehouse.duckdb"]


def test_publishing_that_fails_leaves_the_old_snapshot(store, tmp_path, monkeypatch):
    store.close()
    published = tmp_path / "warehouse.duckdb"
    published.write_text("old")

    def disk_full(source, target):
        target.write_text("half")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipeline.publish.shutil.copyfile", disk_full)
    with pytest.raises(OSError, match="No space"):
        publish(store.path, published)
    assert published.read_text() == "old"
    assert not (tmp_path / "warehouse.duckdb.unfinished").exists()
