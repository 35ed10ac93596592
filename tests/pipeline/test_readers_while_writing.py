"""Whoever opens warehouse.duckdb while runs write and publish gets a whole snapshot, always."""

from __future__ import annotations

import subprocess
import sys
import threading

import pytest
from nursery import Nursery, Trial
from twin_shop import CLOCK, N_LOGS, open_twin, write_state

from pipeline.run import open_published
from pipeline.settings import Settings

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="forks and pidfd are Linux'")

N_RUNS = 3


# a person's own program: opens the snapshot once, and reads it when asked
READER = """
import sys, duckdb
opened = duckdb.connect(sys.argv[1], read_only=True)
for _ in sys.stdin:
    rows = opened.execute("SELECT path, content_hash FROM logs ORDER BY path").fetchall()
    print(hash(tuple(rows)), flush=True)
"""


class Reader:
    """Another process that holds the snapshot open, as it was at its start."""

    def __init__(self, path):
        self.process = subprocess.Popen(
            [sys.executable, "-c", READER, str(path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={"PYTHONHASHSEED": "0"},
        )

    def read(self):
        self.process.stdin.write("read\n")
        self.process.stdin.flush()
        return self.process.stdout.readline()

    def close(self):
        self.process.stdin.close()
        self.process.wait()
        self.process.stdout.close()


def test_readers_open_a_whole_snapshot_all_through_some_runs(tmp_path):
    shop = open_twin(tmp_path / "ws", "a")
    command = Trial(("run", "-w", str(shop.root), *CLOCK))
    exit_codes, seen, n_opened = [], set(), 0
    with Nursery(tmp_path) as nursery:
        assert nursery.run(command).exit_code == 0
        held = Reader(shop.workspace.published_file)
        first = held.read()

        def write():
            for number in range(N_RUNS):
                write_state(shop, "ab"[(number + 1) % 2])
                exit_codes.append(nursery.run(command).exit_code)

        writer = threading.Thread(target=write)
        writer.start()
        while writer.is_alive():
            with open_published(shop.workspace, Settings()) as store:
                counts, state = store.counts(), store.state
            n_opened += 1
            seen.add(state)
            assert counts["logs"] == N_LOGS + 2
            assert counts["states"] == counts["vehicles"] > 0
        writer.join()
    assert exit_codes == [0] * N_RUNS
    # a reader that came before the runs still reads what it opened
    assert held.read() == first
    held.close()
    late = Reader(shop.workspace.published_file)
    assert late.read() != first
    late.close()
    assert n_opened > N_RUNS
    assert len(seen) > 1, "nothing was published while the reader looked"
