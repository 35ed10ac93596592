"""Batches over several processes: the same rows, and a lost worker costs only its batch."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import time
from contextlib import closing
from dataclasses import dataclass, fields
from pathlib import Path

import polars as pl
import pytest
from shop import open_shop

from pipeline import log_workers
from pipeline.assignment import assign_logs
from pipeline.ingest import hashed_logs
from pipeline.ingest_plan import PlannedLog, plan_ingest
from pipeline.inputs import read_inputs
from pipeline.log_batches import Workshop, batches, work_out
from pipeline.log_context import log_contexts
from pipeline.log_workers import LogWorkers, useful_workers, worked_out_in_order
from pipeline.progress import Silence
from pipeline.run import open_published
from pipeline.store_tables import LOGS, PER_TEST_TABLES

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="signals and /proc are Linux'")

ROOT = Path(__file__).parents[2]
PATIENCE_S = 240


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    return open_shop(tmp_path_factory.mktemp("workers") / "ws", 6, 300)


@pytest.fixture(scope="module")
def planned(shop):
    inputs = read_inputs(shop.workspace)
    files = hashed_logs(shop.workspace, Silence())
    assignment = assign_logs(files, shop.workspace, inputs)
    contexts = log_contexts(assignment.added_to(inputs.registry), 0.0)
    plan = plan_ingest(files, contexts, LOGS.empty(), "", assignment)
    return list(plan.to_read), Workshop.of(shop.workspace, inputs)


@pytest.fixture(scope="module")
def pool(planned):
    # beginning a process is what these tests cost, so that some share theirs
    with LogWorkers(planned[1], 2) as workers:
        yield workers


@dataclass(frozen=True)
class Deadly(PlannedLog):
    """A log that ends any process but the first one that reads it."""

    @property
    def test_id(self):
        if multiprocessing.parent_process() is not None:
            os.kill(os.getpid(), signal.SIGKILL)
        return super().test_id


def deadly(log):
    return Deadly(**{field.name: getattr(log, field.name) for field in fields(log)})


def assert_same_rows(rows, reference, names=None):
    for table in PER_TEST_TABLES:
        one, other = (table.conform(each.tables[table.name]) for each in (rows, reference))
        if names is not None:
            other = other.filter(pl.col("test_id").is_in(names))
        assert one.equals(other), table.name


def test_two_workers_store_the_tables_that_one_stores(shop, tmp_path, monkeypatch):
    stored = []
    monkeypatch.setattr(log_workers, "_LEAST_BYTES_PER_WORKER", 1)
    for workers in (1, 2):
        other = open_shop(
            tmp_path / str(workers), 4, 300, f"[store]\nbatch_logs = 2\nworkers = {workers}\n"
        )
        summary = other.ingest()
        assert (summary.n_new, summary.n_workers_ended) == (4, 0)
        with open_published(other.workspace, read_inputs(other.workspace).settings) as store:
            stored.append({table.name: store.read(table.name) for table in PER_TEST_TABLES})
    assert stored[0]["samples"].height == 4 * 300
    for name, rows in stored[0].items():
        assert rows.equals(stored[1][name]), name


def test_an_error_in_a_worker_is_raised_where_it_was_asked_for(pool):
    with pytest.raises(AttributeError) as raised:
        pool.work_out(["no planned log"])
    assert "In the process that read the logs" in raised.value.__notes__[0]


def test_a_log_that_ends_two_readers_is_refused(planned, pool):
    logs, _ = planned
    rows = pool.work_out([deadly(logs[1])])
    assert pool.n_ended == 2
    refused = rows.refusals.row(0, named=True)
    assert (rows.refusals.height, refused["path"]) == (1, logs[1].file.path)
    assert refused["code"] == "reading_ended"
    assert "signal 9" in refused["sentence"]


@pytest.mark.slow
def test_a_log_that_ends_its_reader_costs_only_itself(planned):
    logs, workshop = planned
    with LogWorkers(workshop, 2) as workers:
        rows = workers.work_out([logs[0], deadly(logs[1]), logs[2]])
    assert workers.n_ended == 4
    assert rows.readings["outcome_code"].to_list() == ["read", "refused", "read"]
    refused = rows.refusals.row(0, named=True)
    assert (rows.refusals.height, refused["path"]) == (1, logs[1].file.path)
    assert_same_rows(rows, work_out([logs[0], logs[2]], workshop))


@pytest.mark.slow
def test_workers_killed_from_outside_lose_no_batch(planned):
    logs, workshop = planned
    work = list(batches(logs * 2, 3, 64))
    with LogWorkers(workshop, 2) as workers:
        done = []

        def kill_some():
            for pause_s in (0.5, 1.5):
                time.sleep(pause_s)
                for process in workers.process_ids[:1]:
                    os.kill(process, signal.SIGKILL)

        killer = threading.Thread(target=kill_some)
        killer.start()
        with closing(worked_out_in_order(work, workers.work_out, 2)) as worked_out:
            done.extend(worked_out)
        killer.join()
    assert [batch for batch, _ in done] == work
    for batch, rows in done:
        assert rows.refusals.is_empty()
        assert_same_rows(rows, work_out(batch, workshop))


def test_where_no_process_can_begin_the_work_is_done_here(planned, monkeypatch):
    logs, workshop = planned

    def refuse(*_):
        raise OSError("no more processes")

    monkeypatch.setattr(log_workers, "_Worker", refuse)
    with LogWorkers(workshop, 2) as workers:
        rows = workers.work_out(logs[:1])
    assert rows.readings["outcome_code"].to_list() == ["read"]


def test_little_work_begins_no_workers():
    assert useful_workers(0, 1_000_000) == 1
    assert useful_workers(3, 10**12) == 3
    assert useful_workers(3, 33_000_000) == 2


_COMMAND = """
from pipeline import log_workers
log_workers._LEAST_BYTES_PER_WORKER = 1
from pipeline.cli import main
main()
"""


def children_of(process):
    path = Path(f"/proc/{process}/task/{process}/children")
    return [int(word) for word in path.read_text().split()]


def is_there(process):
    try:
        return Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def wait_until(holds):
    until = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < until
        time.sleep(0.02)


@pytest.mark.parametrize(
    "number", [signal.SIGINT, pytest.param(signal.SIGKILL, marks=pytest.mark.slow)]
)
def test_workers_end_with_the_command(tmp_path, number):
    shop = open_shop(tmp_path / "ws", 8, 300, "[store]\nbatch_logs = 1\nworkers = 2\n")
    errors = tmp_path / "errors"
    with errors.open("w") as file:
        process = subprocess.Popen(
            [sys.executable, "-c", _COMMAND, "ingest", "-w", str(shop.root)],
            stderr=file,
            start_new_session=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        wait_until(lambda: len(children_of(process.pid)) >= 2 or process.poll() is not None)
        assert process.poll() is None
        begun = children_of(process.pid)
        # an interrupt of the terminal reaches all; a kill only the one that it is meant for
        (os.killpg if number == signal.SIGINT else os.kill)(process.pid, number)
        assert process.wait(PATIENCE_S) != 0
    wait_until(lambda: not any(map(is_there, begun)))
    assert "Traceback" not in errors.read_text()
