"""The order of files, of registry rows and of batches never shows in a table.

Every shuffle lists the logs in another order, writes the rows of the registry in another
order, and cuts the batches otherwise; the tables, written out as text to the last digit,
must be the same bytes. The short form runs by default, the long one has 50 shuffles.
"""

from __future__ import annotations

import random
import shutil

import pytest
from shop import CLOCK, open_shop
from twin_shop import ALL_BUT_THE_WAY, SETTINGS, open_twin

from pipeline import ingest as ingest_module
from pipeline.export import lists_as_text
from pipeline.log_rows import batch_replacements
from pipeline.progress import Silence
from pipeline.rebuild import rebuild
from pipeline.run import Order, open_published
from pipeline.settings import Settings

SHORT_SHUFFLES = range(2)
LONG_SHUFFLES = range(50)


def table_bytes(shop):
    with open_published(shop.workspace, Settings()) as store:
        return {
            name: lists_as_text(store.read(name))
            .write_csv(null_value="\N{SYMBOL FOR NULL}")
            .encode()
            for name in ALL_BUT_THE_WAY
        }


def differing(one, other):
    return [name for name in one if one[name] != other[name]]


@pytest.fixture(scope="module")
def reference(tmp_path_factory):
    """A shop with sound, broken, stray and missing logs, run in the ordinary order."""
    shop = open_twin(tmp_path_factory.mktemp("reference") / "ws", "a")
    shop.update()
    return shop, table_bytes(shop)


def shuffle_registry(shop, rng):
    for file in sorted((shop.root / "registry").glob("*.csv")):
        header, *rows = file.read_text().splitlines()
        rng.shuffle(rows)
        file.write_text("\n".join([header, *rows]) + "\n")


def run_shuffled(reference, folder, seed, monkeypatch):
    shop, expected = reference
    rng = random.Random(seed)
    shutil.copytree(shop.root / "logs", folder / "logs")
    in_batches = SETTINGS.replace("batch_logs = 2", f"batch_logs = {rng.randint(1, 10)}")
    other = open_shop(folder, 0, settings=in_batches)
    shutil.copytree(shop.root / "registry", folder / "registry", dirs_exist_ok=True)
    shuffle_registry(other, rng)
    list_logs, cut = ingest_module.list_logs, ingest_module.batches

    def listed(workspace):
        names = list_logs(workspace)
        return rng.sample(names, len(names))

    def batches(planned, *limits):
        return cut(rng.sample(list(planned), len(planned)), *limits)

    monkeypatch.setattr(ingest_module, "list_logs", listed)
    monkeypatch.setattr(ingest_module, "batches", batches)
    other.update()
    assert differing(expected, table_bytes(other)) == []


@pytest.mark.parametrize("seed", SHORT_SHUFFLES)
def test_a_shuffled_shop_has_the_same_tables(reference, tmp_path, monkeypatch, seed):
    run_shuffled(reference, tmp_path / "ws", seed, monkeypatch)


@pytest.mark.slow
@pytest.mark.parametrize("seed", LONG_SHUFFLES)
def test_fifty_shuffled_shops_have_the_same_tables(reference, tmp_path, monkeypatch, seed):
    run_shuffled(reference, tmp_path / "ws", 1000 + seed, monkeypatch)


def test_the_comparison_sees_rows_that_depend_on_the_order(reference, tmp_path, monkeypatch):
    """A fault of the kind that the shuffles look for: a row that tells its place in the batch."""

    def numbered(batch, rows, moved):
        replacements = batch_replacements(batch, rows, moved)
        logs = replacements[-1]
        shown = logs.rows.with_row_index("n").with_columns(profile="n").drop("n")
        return [*replacements[:-1], type(logs)(logs.table, shown, logs.by, logs.gone)]

    monkeypatch.setattr(ingest_module, "batch_replacements", numbered)
    with pytest.raises(AssertionError, match="logs"):
        run_shuffled(reference, tmp_path / "ws", 1, monkeypatch)


def test_three_runs_and_a_rebuild_leave_the_same_tables(reference, tmp_path):
    shop, expected = reference
    shutil.copytree(shop.root, tmp_path / "ws")
    copy = type(shop)(tmp_path / "ws")
    content = copy.workspace.published_file.read_bytes()
    for _ in range(2):
        assert copy.update().n_rows_written == 0
        assert copy.workspace.published_file.read_bytes() == content
        assert differing(expected, table_bytes(copy)) == []
    rebuild(copy.workspace, Order("rebuild", CLOCK), Silence())
    assert differing(expected, table_bytes(copy)) == []
