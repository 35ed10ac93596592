"""Ingest on a small shop: what is stored, what is refused, and that nothing is lost."""

from __future__ import annotations

import random
import shutil

import polars as pl
import pytest
from shop import open_shop, test_row

from pipeline import ingest as ingest_module
from pipeline import log_batches
from pipeline.log_batches import batches
from pipeline.problems import ProblemsError
from pipeline.run import open_published
from pipeline.settings import Settings
from pipeline.store_tables import PER_TEST_TABLES

# everything that an ingest writes, but the notes of the runs themselves
WRITTEN = [table.name for table in PER_TEST_TABLES] + ["logs", "rejected", "notices"]


def tables(shop, names=WRITTEN):
    with open_published(shop.workspace, Settings()) as store:
        return {name: store.read(name) for name in names}


def assert_same(one, other):
    for name in one:
        assert one[name].equals(other[name]), f"table {name} differs"


def one_row(frame, path):
    return frame.filter(pl.col("path") == path).row(0, named=True)


@pytest.fixture(scope="module")
def stored_shop(tmp_path_factory):
    """Twelve logs, ingested; tests that change it take a copy."""
    shop = open_shop(tmp_path_factory.mktemp("shop") / "ws", 12)
    shop.summary = shop.ingest()
    return shop


@pytest.fixture
def shop(stored_shop, tmp_path):
    shutil.copytree(stored_shop.root, tmp_path / "ws")
    return type(stored_shop)(tmp_path / "ws")


def test_everything_new_is_stored(stored_shop):
    assert stored_shop.summary.text == "12 logs: 12 new, 0 changed, 0 unchanged, 0 refused."
    found = tables(stored_shop)
    assert found["samples"].height == 12 * 420
    assert found["context"]["test_id"].n_unique() == 12
    assert found["logs"]["outcome_code"].to_list() == ["stored"] * 12
    assert found["logs"]["n_rows"].to_list() == [420] * 12
    assert found["features"].height > 0
    assert found["rejected"].height == 0


def test_what_is_stored_is_what_the_file_says(stored_shop):
    path = "bay1/log001.csv"
    log = one_row(tables(stored_shop)["logs"], path)
    samples = tables(stored_shop)["samples"].filter(pl.col("test_id") == log["test_id"])
    raw = pl.read_csv(stored_shop.log(path))
    for name in ("low_side_kpa", "compressor_discharge_c", "engine_rpm", "condenser_fan_pct"):
        assert samples[name].to_list() == raw[name].to_list()


def test_a_second_ingest_stores_nothing_and_says_so(shop):
    before = tables(shop)
    stamp = shop.workspace.published_file.stat().st_mtime_ns
    summary = shop.update("ingest", does_assess=False)
    assert summary.ingest.text == "12 logs: 0 new, 0 changed, 12 unchanged, 0 refused."
    assert summary.n_rows_written == 0
    assert not summary.is_published
    assert shop.workspace.published_file.stat().st_mtime_ns == stamp
    assert_same(before, tables(shop))


def test_a_changed_file_replaces_its_own_rows_only(shop):
    before = tables(shop)
    path = "bay1/log001.csv"
    old = one_row(before["logs"], path)["test_id"]
    shop.write_log(path, seed=777, seconds=300)
    assert shop.ingest().text == "12 logs: 0 new, 1 changed, 11 unchanged, 0 refused."
    after = tables(shop)
    new = one_row(after["logs"], path)["test_id"]
    assert new != old
    for name in (table.name for table in PER_TEST_TABLES):
        assert old not in after[name]["test_id"].to_list()
        others = pl.col("test_id").is_in([old, new]).not_()
        assert after[name].filter(others).equals(before[name].filter(others))
    assert after["samples"].filter(pl.col("test_id") == new).height == 300


def test_a_changed_registry_row_is_taken_up(shop):
    rows = [test_row(n, f"bay{n % 3}/log{n:03d}.csv") for n in range(12)]
    rows[3] |= {"vehicle_id": "car039", "protocol": "idle"}
    shop.write_registry(rows)
    assert shop.ingest().text == "12 logs: 0 new, 1 changed, 11 unchanged, 0 refused."
    found = tables(shop)
    context = found["context"].filter(pl.col("log_path") == "bay0/log003.csv").row(0, named=True)
    assert (context["vehicle_id"], context["protocol"]) == ("car039", "idle")
    assert found["samples"].height == 12 * 420


def test_changed_settings_make_every_log_be_read_again(shop):
    (shop.root / "chillroster.toml").write_text("[derivation]\nwindow_s = 90.0\n")
    assert shop.ingest().n_changed == 12
    assert shop.ingest().n_changed == 0


def test_a_log_without_a_row_is_held_and_the_others_are_not(shop):
    shop.write_log("stray.csv", seed=99)
    summary = shop.ingest()
    assert summary.text == "13 logs: 0 new, 0 changed, 12 unchanged, 0 refused, 1 unassigned."
    held = one_row(tables(shop, ["unassigned"])["unassigned"], "stray.csv")
    assert held["reason_code"] == "not_stated"
    assert held["missing"] == "vehicle_id started_at"
    assert held["columns"] == "log,vehicle_id,started_at,test_id,ambient_c,protocol"
    assert held["row"] == "stray.csv,,,,,"
    assert tables(shop)["rejected"].is_empty()
    # and once the row is there, the log is
    rows = [test_row(n, f"bay{n % 3}/log{n:03d}.csv") for n in range(12)]
    shop.write_registry([*rows, test_row(12, "stray.csv")])
    assert shop.ingest().text == "13 logs: 0 new, 1 changed, 12 unchanged, 0 refused."
    assert tables(shop, ["unassigned"])["unassigned"].is_empty()


def test_a_row_without_a_file_is_reported_once_and_cleared_when_it_comes(shop):
    rows = [test_row(n, f"bay{n % 3}/log{n:03d}.csv") for n in range(12)]
    shop.write_registry([*rows, test_row(12, "late.csv")])
    assert "1 named in the registry but not found under logs/" in shop.ingest().text
    assert one_row(tables(shop)["rejected"], "late.csv")["code"] == "log_file_missing"
    assert shop.ingest().n_rows_written == 0
    shop.write_log("late.csv", seed=55)
    assert shop.ingest().n_new == 1
    assert tables(shop)["rejected"].height == 0


def test_a_copy_under_a_second_path_is_refused(shop):
    shutil.copy(shop.log("bay0/log000.csv"), shop.log("bay2/zcopy.csv"))
    rows = [test_row(n, f"bay{n % 3}/log{n:03d}.csv") for n in range(12)]
    shop.write_registry([*rows, test_row(12, "bay2/zcopy.csv")])
    assert shop.ingest().n_refused == 1
    refused = one_row(tables(shop)["rejected"], "bay2/zcopy.csv")
    assert refused["code"] == "duplicate_content"
    assert "bay0/log000.csv" in refused["sentence"]


def test_a_file_gone_from_disk_keeps_its_rows(shop):
    before = tables(shop, [table.name for table in PER_TEST_TABLES])
    shop.log("bay0/log000.csv").unlink()
    assert "1 stored earlier but gone from disk (kept)" in shop.ingest().text
    assert_same(before, tables(shop, list(before)))


def test_a_moved_file_is_the_same_test_stored_once(shop):
    before = tables(shop, ["samples", "features"])
    shop.log("bay0/log000.csv").rename(shop.log("moved.csv"))
    rows = [test_row(n, f"bay{n % 3}/log{n:03d}.csv") for n in range(12)]
    rows[0]["log"] = "moved.csv"
    shop.write_registry(rows)
    summary = shop.ingest()
    assert (summary.n_new, summary.n_unchanged, summary.n_vanished) == (1, 11, 0)
    after = tables(shop)
    assert_same(before, {name: after[name] for name in before})
    assert "bay0/log000.csv" not in after["logs"]["path"].to_list()


def test_a_changed_file_that_cannot_be_read_keeps_what_was_stored_of_it(shop):
    before = tables(shop, [table.name for table in PER_TEST_TABLES])
    shop.log("bay0/log000.csv").write_bytes(b"\x00\xff not a log at all")
    summary = shop.ingest()
    assert (summary.n_refused, summary.n_unchanged) == (1, 11)
    assert_same(before, tables(shop, list(before)))
    assert "is kept" in one_row(tables(shop)["rejected"], "bay0/log000.csv")["sentence"]
    assert shop.ingest().n_rows_written == 0


def test_one_broken_file_costs_only_itself(tmp_path):
    # 500 is the figure promised; the logs are short so that the test is
    shop = open_shop(tmp_path / "ws", 500, seconds=12)
    whole = shop.log("bay1/log250.csv").read_bytes()
    shop.log("bay1/log250.csv").write_bytes(bytes(random.Random(1).randbytes(len(whole))))
    summary = shop.update("ingest", does_assess=False)
    assert summary.ingest.text == "500 logs: 499 new, 0 changed, 0 unchanged, 1 refused."
    found = tables(shop, ["logs", "rejected", "samples"])
    assert found["samples"]["test_id"].n_unique() == 499
    refused = one_row(found["rejected"], "bay1/log250.csv")
    assert refused["column_name"] is None
    assert refused["sentence"]
    assert refused["hint"]
    told = "\n".join(summary.lines)
    assert "bay1/log250.csv" in told
    assert "Traceback" not in told


def test_the_order_of_files_does_not_change_a_table(shop, tmp_path, monkeypatch):
    other = open_shop(tmp_path / "other", 12)
    real = ingest_module.list_logs

    def shuffled(workspace):
        names = real(workspace)
        return random.Random(3).sample(names, len(names))

    monkeypatch.setattr(ingest_module, "list_logs", shuffled)
    other.ingest()
    assert_same(tables(shop), tables(other))


def test_the_size_of_a_batch_does_not_change_a_table(shop, tmp_path):
    other = open_shop(tmp_path / "other", 12, settings="[store]\nbatch_logs = 5\n")
    other.ingest()
    assert_same(tables(shop), tables(other))


def test_a_crash_in_the_middle_leaves_whole_logs_and_the_next_run_completes(
    shop, tmp_path, monkeypatch
):
    other = open_shop(tmp_path / "other", 12, settings="[store]\nbatch_logs = 4\n")
    real = ingest_module.batch_replacements
    calls = []

    def fails_at_the_second(*arguments):
        calls.append(1)
        replacements = real(*arguments)
        if len(calls) == 2:
            # the last table of the batch cannot be written: the whole batch must go
            broken = replacements[-1].rows.with_columns(no_such_column=pl.lit(1))
            replacements[-1] = type(replacements[-1])(replacements[-1].table, broken)
        return replacements

    monkeypatch.setattr(ingest_module, "batch_replacements", fails_at_the_second)
    with pytest.raises(ValueError, match="no_such_column"):
        other.ingest()
    monkeypatch.undo()
    resumed = other.ingest()
    assert (resumed.n_new, resumed.n_unchanged) == (8, 4)
    assert_same(tables(shop), tables(other))


def test_a_log_that_breaks_the_derivation_is_isolated(shop, tmp_path, monkeypatch):
    other = open_shop(tmp_path / "other", 12)
    real = log_batches.derive
    culprit = one_row(tables(shop)["logs"], "bay2/log005.csv")["test_id"]

    def fragile(samples, *others):
        if culprit in samples["test_id"].to_list():
            raise ZeroDivisionError("no such thing")
        return real(samples, *others)

    monkeypatch.setattr(log_batches, "derive", fragile)
    assert other.ingest().text == "12 logs: 11 new, 0 changed, 0 unchanged, 1 refused."
    found = tables(other)
    assert one_row(found["rejected"], "bay2/log005.csv")["code"] == "derivation_failed"
    assert culprit not in found["samples"]["test_id"].to_list()
    healthy = tables(shop)
    others = pl.col("test_id") != culprit
    assert found["features"].equals(healthy["features"].filter(others))


def test_a_problem_in_the_registry_stores_nothing(tmp_path):
    shop = open_shop(tmp_path / "ws", 2)
    shop.write_registry([test_row(0, "bay0/log000.csv", vehicle_id="nobody")])
    with pytest.raises(ProblemsError):
        shop.ingest()
    assert not shop.workspace.store_file.exists()


@pytest.mark.parametrize(
    "path", ["../../etc/passwd", "/etc/passwd", "..\\secret.csv", "C:/secret.csv", "a/../../b.csv"]
)
def test_a_registry_path_that_leaves_the_logs_folder_is_refused(tmp_path, path):
    shop = open_shop(tmp_path / "ws", 1)
    shop.write_registry([test_row(0, path)])
    with pytest.raises(ProblemsError):
        shop.ingest()


def test_a_link_out_of_the_logs_folder_is_not_followed(tmp_path):
    shop = open_shop(tmp_path / "ws", 1)
    outside = tmp_path / "outside.csv"
    shutil.copy(shop.log("bay0/log000.csv"), outside)
    shop.log("link.csv").symlink_to(outside)
    (shop.root / "logs" / "folder").symlink_to(tmp_path)
    shop.write_registry([test_row(0, "bay0/log000.csv"), test_row(1, "link.csv")])
    summary = shop.ingest()
    assert summary.n_logs == 1
    assert summary.n_missing == 1


def test_hostile_names_are_stored_as_text(tmp_path):
    shop = open_shop(tmp_path / "ws", 0)
    names = ["'; DROP TABLE logs; --.csv", "=cmd|calc.csv", "<script>alert(1)<_script>.csv"]
    for number, name in enumerate(names):
        shop.write_log(name, seed=number)
    shop.write_registry([test_row(n, name) for n, name in enumerate(names)])
    assert shop.ingest().n_new == 3
    assert sorted(tables(shop)["logs"]["path"]) == sorted(names)


def test_batches_are_bounded_by_number_and_by_size():
    class File:
        def __init__(self, size):
            self.file = type("F", (), {"size_bytes": size})

    def sizes(logs, most_logs, most_megabytes):
        return [len(batch) for batch in batches(logs, most_logs, most_megabytes)]

    assert sizes([File(1)] * 5, 2, 1) == [2, 2, 1]
    assert sizes([File(600_000)] * 3, 10, 1) == [1, 1, 1]
    assert sizes([File(5_000_000), File(1)], 10, 1) == [1, 1]
    assert sizes([], 10, 1) == []


def test_the_stated_accuracy_of_an_instrument_reaches_the_uncertainty(shop):
    """A pressure accuracy of 2 kPa in 95 % is 1 kPa as a standard uncertainty (GUM 6.3.3)."""
    rows = [test_row(n, f"bay{n % 3}/log{n:03d}.csv") for n in range(12)]
    folder = shop.root / "registry"
    tests = (folder / "tests.csv").read_text().replace("protocol", "instrument_id", 1)
    tests = tests.replace("\r\n", "\n").replace(",29,\n", ",29,gauge_a\n")
    (folder / "tests.csv").write_text(tests)
    header = "instrument_id,channel,accuracy\n"
    for accuracy in (200, 2):
        (folder / "instruments.csv").write_text(f"{header}gauge_a,high_side_kpa,{accuracy}\n")
        assert shop.ingest().n_changed == len(rows)
        found = tables(shop)["features"]["high_side_uncertainty_kpa"].drop_nulls()
        # what the window's own scatter adds is below 3 kPa, the noise of the file
        assert accuracy / 2 <= found.min() <= found.max() < accuracy / 2 + 4
