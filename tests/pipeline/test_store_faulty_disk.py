"""A disk that fails or fills up: a clear message, what was stored stays, the next run completes.

The failing calls are made by a small library (`faulty_disk.c`) that is compiled here and
loaded before the C library, so that the writes of the database itself fail too. A full
disk is made by the same library: it counts by how much files grow and refuses more, so
that no rights are needed; room that is freed is not given back. Runs on Linux with a C
compiler; with CI=true its absence fails.
"""

from __future__ import annotations

import collections
import errno
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from nursery import Fault, Nursery, Trial
from twin_shop import CLOCK, Judge, forget_store, open_twin, write_state

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the shim is made for Linux")

SOURCE = Path(__file__).with_name("faulty_disk.c")
# On the journal, on the store while its journal is written into it, on a page; on the first
# pages of a new store, and on its renaming.
SHORT_CALLS = {"a": (35, 60, 105), None: (14, 45)}
LONG_CALLS = range(1, 201)
SHORT_ROOMS = (60_000,)
LONG_ROOMS = tuple(int(2_000 * 1.36**step) for step in range(20))
# words of a message that must never reach a person
UNTOLD = ("Traceback", "should not", "Exception", "Error:\n")


@pytest.fixture(scope="module")
def nursery(tmp_path_factory):
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        if os.environ.get("CI"):
            pytest.fail("no C compiler: apt-get install gcc libc6-dev")
        pytest.skip("no C compiler, so no disk can be made to fail")
    folder = tmp_path_factory.mktemp("nursery")
    shim = folder / "faulty_disk.so"
    subprocess.run([compiler, "-shared", "-fPIC", "-O2", "-o", shim, SOURCE, "-ldl"], check=True)
    with Nursery(folder, shim) as nursery:
        yield nursery


def command(shop, name="run"):
    return (name, "-w", str(shop.root), *CLOCK)


@pytest.fixture(scope="module")
def twins(tmp_path_factory, nursery):
    """Both states run to the end, and the judge of what may be on the way between them."""
    folder = tmp_path_factory.mktemp("twins")
    shops = {state: open_twin(folder / state, state) for state in ("a", "b")}
    for shop in shops.values():
        done = nursery.run(Trial(command(shop)))
        assert done.exit_code == 0, done.errors
    return shops, Judge.of(shops)


class Failing:
    """One shop on its way from state a to b, or from nothing to a, when the disk fails."""

    def __init__(self, nursery, twins, root, source):
        self.nursery = nursery
        self.shops, self.judge = twins
        self.root = root / "ws"
        self.source, self.target = source, "b" if source else "a"
        self.acknowledged = root / "acknowledged.txt"
        self.counts = collections.Counter()

    def prepare(self):
        """The shop as the source left it, with the files of the target."""
        for place in self.root.iterdir() if self.root.exists() else ():
            shutil.rmtree(place) if place.is_dir() else place.unlink()
        shutil.copytree(self.shops["a"].root, self.root, dirs_exist_ok=True)
        self.shop = type(self.shops["a"])(self.root)
        if self.source is None:
            forget_store(self.shop)
            shutil.rmtree(self.shop.workspace.site_folder)
        write_state(self.shop, self.target)
        self.acknowledged.unlink(missing_ok=True)

    def fail(self, fault):
        """Run into the fault; check the message, the store, and the run after it."""
        self.prepare()
        trial = Trial(command(self.shop), str(self.acknowledged), fault=fault)
        done = self.nursery.run(trial)
        told = done.output + done.errors
        assert done.exit_code is not None, "hung"
        assert not any(words in told for words in UNTOLD), told
        assert done.exit_code == 0 or ("What to do" in told or "Nothing was stored" in told), told
        self.counts[f"exit {done.exit_code}"] += 1
        return done

    def check_intact(self, trace=()):
        """What the store held before the fault, and what was acknowledged since, is there."""
        logs = str(self.shop.workspace.logs_folder.resolve()) + "/"
        excused = frozenset(each.removeprefix(logs) for each in trace if each.startswith(logs))
        acknowledged = (
            set(self.acknowledged.read_text().splitlines()) if self.acknowledged.exists() else set()
        )
        self.judge.check_whole_logs(self.shop, self.source, self.target, acknowledged, excused)
        if not excused:
            self.judge.check_snapshot(self.shop, {self.source or self.target, self.target})

    def complete(self):
        done = self.nursery.run(Trial(command(self.shop)))
        assert done.exit_code == 0, done.errors
        self.judge.check_complete(self.shop, self.target)
        assert pages(self.shop) == pages(self.shops[self.target])
        left = {path.name for path in self.shop.workspace.work_folder.iterdir()}
        assert left <= {"lock", "store.duckdb", "temp"}
        assert not list(self.root.glob("*.unfinished"))


def pages(shop):
    """The files of the site; of the manifest what it says of their contents.

    What they were made of names the version of the baselines, which is of the way.
    """
    folder = shop.workspace.site_folder
    found = {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }
    entries = json.loads(found["manifest.json"])
    return found | {
        "manifest.json": {name: entry["content_hash"] for name, entry in entries.items()}
    }


def failed_call(trace, call):
    """The file that the failing call was made on, as the shim noted it."""
    lines = [line.split(" ", 2) for line in trace.read_text().splitlines()]
    return [path for number, _, path in lines if int(number) == call]


def fail_calls(nursery, twins, root, calls, source):
    failing, trace = Failing(nursery, twins, root, source), root / "trace.txt"
    for call in calls:
        fault = Fault(str(failing.root), call=call, error=errno.EIO, trace=str(trace))
        done = failing.fail(fault)
        failing.counts["fault reached"] += done.n_calls >= call
        try:
            failing.check_intact(failed_call(trace, call))
            failing.complete()
        except AssertionError as wrong:
            raise AssertionError(f"call {call}: {done}") from wrong
    print(f"\n{len(calls)} calls from {source}: {dict(failing.counts)}")  # noqa: T201 - the figures
    return failing.counts


@pytest.mark.parametrize("source", ["a", None])
def test_one_failing_call_costs_nothing_that_was_stored(nursery, twins, tmp_path, source):
    counts = fail_calls(nursery, twins, tmp_path, SHORT_CALLS[source], source)
    assert counts["fault reached"] == len(SHORT_CALLS[source])
    assert counts["exit 1"]


@pytest.mark.slow
@pytest.mark.parametrize("source", ["a", None])
def test_every_one_of_many_calls_may_fail(nursery, twins, tmp_path, source):
    counts = fail_calls(nursery, twins, tmp_path, LONG_CALLS, source)
    assert counts["fault reached"] > 0.7 * len(LONG_CALLS)


def fill_disk(nursery, twins, root, rooms, source):
    """Runs on a disk with so much room left, counted by the shim; then with room again."""
    failing = Failing(nursery, twins, root, source)
    for room in rooms:
        done = failing.fail(Fault(str(failing.root), room_bytes=room))
        assert done.exit_code == 0 or "room left" in done.errors or "No space" in done.errors
        try:
            failing.check_intact()
            failing.complete()
        except AssertionError as wrong:
            raise AssertionError(f"{room} bytes: {done}") from wrong
    print(f"\n{len(rooms)} sizes from {source}: {dict(failing.counts)}")  # noqa: T201 - the figures
    return failing.counts


def test_a_full_disk_costs_nothing_that_was_stored(nursery, twins, tmp_path):
    counts = fill_disk(nursery, twins, tmp_path, SHORT_ROOMS, "a")
    assert counts["exit 1"]


@pytest.mark.slow
@pytest.mark.parametrize("source", ["a", None])
def test_a_disk_full_at_many_sizes(nursery, twins, tmp_path, source):
    counts = fill_disk(nursery, twins, tmp_path, LONG_ROOMS, source)
    assert counts["exit 1"] >= len(LONG_ROOMS) / 2


def test_what_takes_the_place_of_another_file_was_flushed_before(nursery, twins, tmp_path):
    """No kill shows the loss of power; the order of the calls does: write, flush, rename, flush."""
    failing, trace = Failing(nursery, twins, tmp_path, None), tmp_path / "trace.txt"
    done = failing.fail(Fault(str(failing.root), trace=str(trace)))
    assert done.exit_code == 0
    workspace = failing.shop.workspace
    calls = [line.split(" ", 2)[1:] for line in trace.read_text().splitlines()]
    for path in (workspace.store_file.resolve(), workspace.published_file.resolve()):
        unfinished = str(path) + ".unfinished"
        renamed = calls.index(["rename", str(path)])
        before = [name for name, on in calls[:renamed] if on == unfinished]
        assert "write" in before
        assert before[-1] == "fsync"
        after = [name for name, on in calls[renamed:] if on == str(path.parent)]
        assert after[:2] == ["open", "fsync"]
    journal = str(workspace.store_file.resolve()) + ".wal"
    assert calls.count(["fdatasync", journal]) >= done.n_steps
