"""kill -9 at any moment: no log is lost, halved or doubled, and no snapshot is partial.

A child is killed at a random moment of an ingest, or of the publishing of a snapshot; then
the store and the snapshot are opened and compared with undisturbed runs, log by log. The
short form runs by default; CHILLROSTER_KILLS and CHILLROSTER_PUBLISH_KILLS set the length of
the long one. This shows what the end of a process does, not the loss of power.
"""

from __future__ import annotations

import collections
import hashlib
import os
import random
import sys

import pytest
from nursery import Nursery, Trial
from shop import open_shop
from twin_shop import CLOCK, Judge, forget_store, open_twin, write_state

from pipeline.run import open_published
from pipeline.settings import Settings

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="forks and pidfd are Linux'")

SHORT_KILLS = 8
SHORT_PUBLISH_KILLS = 8
# One in three times the store is begun anew, else it goes from one state to the other.
SHARE_BEGUN_ANEW = 1 / 3


@pytest.fixture(scope="module")
def nursery(tmp_path_factory):
    with Nursery(tmp_path_factory.mktemp("nursery")) as nursery:
        yield nursery


@pytest.fixture(scope="module")
def twins(tmp_path_factory, nursery):
    """The judge with both references, and an undisturbed ingest to take the time from."""
    folder, shops = tmp_path_factory.mktemp("twins"), {}
    for state in ("a", "b"):
        shops[state] = open_twin(folder / state, state)
        done = nursery.run(Trial(("ingest", "-w", str(shops[state].root), *CLOCK)))
        assert done.exit_code == 0, done.errors
    return Judge.of(shops), done


class Killing:
    """One shop, ingested again and again and killed on the way."""

    def __init__(self, nursery, twins, root, seed):
        self.nursery = nursery
        self.judge, undisturbed = twins
        self.n_steps, self.n_left = undisturbed.n_steps, undisturbed.n_steps
        self.step_s = undisturbed.seconds / undisturbed.n_steps
        self.shop = open_twin(root / "ws", "a")
        self.acknowledged = root / "acknowledged.txt"
        self.rng = random.Random(seed)
        self.source, self.target = None, "a"
        self.counts = collections.Counter()

    def kill_once(self):
        """Run until a kill hits; whatever ends before it is checked for being complete."""
        while True:
            # after the last transaction come the notes of the run, the checkpoint, publishing
            n_steps = self.rng.randint(0, max(1, self.n_left))
            done = self.nursery.run(
                Trial(
                    ("ingest", "-w", str(self.shop.root), *CLOCK),
                    str(self.acknowledged),
                    kill_after_steps=n_steps,
                    kill_delay_s=self.rng.uniform(0, 0.6 * self.step_s),
                )
            )
            self.n_left -= done.n_steps
            if done.exit_code is None:
                self.counts["kills"] += 1
                self.counts["after some transaction"] += done.n_steps > 0
                self.check()
                return
            self.complete(done)

    def check(self):
        n_done = self.judge.check_whole_logs(
            self.shop, self.source, self.target, self.told_as_stored()
        )
        allowed = {self.target} | ({self.source} - {None})
        snapshot = self.judge.check_snapshot(self.shop, allowed)
        n_all = self.judge.references[self.target]["logs"].height
        journal = self.shop.workspace.store_file.with_name("store.duckdb.wal").exists()
        self.counts["in mid-way"] += 0 < n_done < n_all and snapshot != self.target
        self.counts["with a journal"] += journal
        self.counts["all stored, not published"] += n_done == n_all and snapshot != self.target

    def told_as_stored(self):
        if not self.acknowledged.exists():
            return set()
        return set(self.acknowledged.read_text().splitlines())

    def complete(self, done):
        """The run came to its end: the tables are those of an undisturbed one; begin the next."""
        assert done.exit_code == 0, done.errors
        self.judge.check_complete(self.shop, self.target)
        self.counts["completed"] += 1
        # a machine that has become quieter would else be done before the kill
        self.step_s = min(self.step_s, done.seconds / max(1, done.n_steps))
        self.acknowledged.unlink(missing_ok=True)
        self.n_left = self.n_steps
        self.source = self.target
        self.target = "b" if self.source == "a" else "a"
        write_state(self.shop, self.target)
        if self.rng.random() < SHARE_BEGUN_ANEW:
            forget_store(self.shop)
            self.source = None

    def finish(self):
        done = self.nursery.run(Trial(("ingest", "-w", str(self.shop.root), *CLOCK)))
        self.complete(done)


def kill_ingest(nursery, twins, root, n_kills, seed):
    killing = Killing(nursery, twins, root, seed)
    for _ in range(n_kills):
        killing.kill_once()
    killing.finish()
    print(f"\ningest: {dict(killing.counts)}")  # noqa: T201 - the figures
    assert killing.counts["kills"] == n_kills
    return killing.counts


def test_a_kill_during_ingest_loses_halves_and_doubles_nothing(nursery, twins, tmp_path):
    counts = kill_ingest(nursery, twins, tmp_path, SHORT_KILLS, seed=5)
    # else the kills would show nothing
    assert counts["in mid-way"]


@pytest.mark.slow
def test_many_kills_during_ingest(nursery, twins, tmp_path):
    n_kills = int(os.environ.get("CHILLROSTER_KILLS", "1000"))
    seed = int(os.environ.get("CHILLROSTER_SEED", "1"))
    counts = kill_ingest(nursery, twins, tmp_path, n_kills, seed)
    assert counts["after some transaction"] > n_kills / 4


@pytest.fixture(scope="module")
def two_stores(tmp_path_factory):
    """Two stores of some megabytes, closed, as a run leaves them before publishing."""
    stores = []
    for number in range(2):
        shop = open_shop(tmp_path_factory.mktemp("store") / "ws", 12 + 4 * number, 600)
        shop.ingest()
        stores.append(shop)
    return stores


def kill_publishing(nursery, two_stores, root, n_kills, seed):
    """Publish the two in turn without end, and kill: the snapshot is one of them, whole."""
    rng = random.Random(seed)
    shop = open_shop(root / "ws", 0)
    stores = [each.workspace.store_file for each in two_stores]
    whole = {hashlib.sha256(path.read_bytes()).hexdigest(): path for path in stores}
    n_rows = {12 * 600, 16 * 600}
    published = shop.workspace.published_file
    counts = collections.Counter()
    for _ in range(n_kills):
        trial = Trial(
            publish=(*map(str, stores), str(published)),
            kill_after_steps=rng.randint(0, 3),
            kill_delay_s=rng.uniform(0, 0.03),
        )
        assert nursery.run(trial).exit_code is None
        counts["half a copy beside it"] += published.with_name(
            published.name + ".unfinished"
        ).exists()
        if not published.exists():
            counts["before the first"] += 1
            continue
        digest = hashlib.sha256(published.read_bytes()).hexdigest()
        assert digest in whole, "a snapshot that is neither the old nor the new one"
        counts[whole[digest].parts[-4]] += 1
        with open_published(shop.workspace, Settings()) as store:
            assert store.counts()["samples"] in n_rows
    print(f"\npublishing: {n_kills} kills, {dict(counts)}")  # noqa: T201 - the figures
    return counts


def test_a_kill_during_publishing_leaves_the_old_snapshot_or_the_new(nursery, two_stores, tmp_path):
    kill_publishing(nursery, two_stores, tmp_path, SHORT_PUBLISH_KILLS, seed=3)


@pytest.mark.slow
def test_many_kills_during_publishing(nursery, two_stores, tmp_path):
    n_kills = int(os.environ.get("CHILLROSTER_PUBLISH_KILLS", "300"))
    counts = kill_publishing(nursery, two_stores, tmp_path, n_kills, seed=4)
    assert counts["half a copy beside it"] > n_kills / 10
