"""Stores that are damaged, foreign, lost or half made: what the user reads, what comes back."""

from __future__ import annotations

import errno
import os
import shutil

import duckdb
import polars as pl
import pytest
from shop import open_shop
from typer.testing import CliRunner

from pipeline import text_logs, unpacking
from pipeline.cli import app
from pipeline.refusals import not_readable
from pipeline.run import open_published
from pipeline.settings import Settings

CLOCK = ("--clock", "2026-07-20T12:00:00+00:00")


def call(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def flip(path):
    """One byte per page inverted, as after a failed copy."""
    content = bytearray(path.read_bytes())
    for place in range(20_000, len(content), 4096):
        content[place] ^= 0xFF
    path.write_bytes(content)


def cut(path):
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def overwrite(path):
    path.write_bytes(b"not a database " * 1000)


def foreign(path):
    path.unlink()
    with duckdb.connect(str(path)) as connection:
        connection.execute("CREATE TABLE store_facts (something INTEGER)")


@pytest.fixture(scope="module")
def stored_shop(tmp_path_factory):
    shop = open_shop(tmp_path_factory.mktemp("stored") / "ws", 4, 120)
    shop.update("run")
    return shop


@pytest.fixture
def shop(stored_shop, tmp_path):
    shutil.copytree(stored_shop.root, tmp_path / "ws")
    return type(stored_shop)(tmp_path / "ws")


def published_logs(shop):
    with open_published(shop.workspace, Settings()) as store:
        return store.read("logs")


@pytest.mark.parametrize("damage", [flip, cut, overwrite, foreign])
def test_a_damaged_store_is_told_in_words_and_rebuilt(shop, damage):
    before = published_logs(shop)
    damage(shop.workspace.store_file)
    done = call("run", "-w", shop.root, *CLOCK)
    assert done.exit_code == 1
    assert "should not" not in done.stderr
    assert "store" in done.stderr
    # readers still have what was published
    assert published_logs(shop).equals(before)
    assert call("rebuild", "-w", shop.root, *CLOCK).exit_code == 0
    assert published_logs(shop).equals(before)


@pytest.mark.parametrize("damage", [flip, cut, overwrite])
def test_a_damaged_snapshot_is_told_in_words_and_published_again(shop, damage):
    before = published_logs(shop)
    damage(shop.workspace.published_file)
    told = call("explain", "car000", "-w", shop.root)
    assert told.exit_code == 1
    assert "damaged" in told.stderr
    assert call("run", "-w", shop.root, *CLOCK).exit_code == 0
    assert published_logs(shop).equals(before)


def test_a_store_whose_first_write_was_broken_off_is_started_again(shop):
    before = published_logs(shop)
    shop.workspace.store_file.write_bytes(b"")
    assert shop.ingest().n_new == 4
    shop.workspace.store_file.unlink()
    duckdb.connect(str(shop.workspace.store_file)).close()  # a file without tables
    assert shop.ingest().n_new == 4
    assert published_logs(shop).drop("inputs_hash").equals(before.drop("inputs_hash"))


def test_a_lost_store_never_leaves_an_old_snapshot_published(shop):
    # as many transactions as before, so that counting them does not tell the two apart
    shutil.rmtree(shop.workspace.work_folder)
    shop.write_log("bay0/log000.csv", seed=99, seconds=130)
    summary = shop.update("run")
    assert summary.is_published
    rows = published_logs(shop).filter(pl.col("path") == "bay0/log000.csv")
    assert rows["n_rows"].to_list() == [130]


def test_no_room_for_scratch_files_refuses_no_log(shop, monkeypatch):
    packed = shop.log("bay0/log000.csv.gz")
    packed.write_bytes(b"\x1f\x8b")

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    text = (shop.root / "registry" / "tests.csv").read_text()
    (shop.root / "registry" / "tests.csv").write_text(text.replace("log000.csv", "log000.csv.gz"))
    monkeypatch.setattr(unpacking, "_copy", full)
    done = call("run", "-w", shop.root, *CLOCK)
    assert done.exit_code == 1
    assert "No space left on device" in done.stderr
    assert published_logs(shop).filter(pl.col("outcome_code") == "refused").is_empty()


def test_a_file_that_could_not_be_read_for_a_while_is_read_the_next_time(shop, monkeypatch):
    def failing(*_):
        raise not_readable(OSError(errno.EIO, os.strerror(errno.EIO)))

    # a new setting makes every log be read again, just when the disk fails
    (shop.root / "chillroster.toml").write_text("[site]\naltitude_m = 100\n")
    monkeypatch.setattr(text_logs, "open_text", failing)
    assert shop.ingest().n_refused == 4
    logs = published_logs(shop)
    assert logs["outcome_code"].to_list() == ["stored"] * 4
    with open_published(shop.workspace, Settings()) as store:
        assert store.counts()["samples"] == 4 * 120
        assert "is kept" in store.read("rejected")["sentence"][0]
    monkeypatch.undo()
    assert shop.ingest().n_changed == 4
    assert shop.ingest().n_unchanged == 4
