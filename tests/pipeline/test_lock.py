"""One writer at a time: what the second is told, and what a dead first one leaves behind."""

from __future__ import annotations

import errno
import fcntl
import os
import re
import signal
import subprocess
import sys
from contextlib import contextmanager

import pytest
from shop import open_shop
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.lock import hold_lock
from pipeline.store_faults import StoreLockedError

HOLDER = (
    "import sys, time; from pathlib import Path; from pipeline.lock import hold_lock\n"
    "with hold_lock(Path(sys.argv[1]), 'chillroster rebuild'):\n"
    "    print('held', flush=True); time.sleep(600)\n"
)


@contextmanager
def holder(path):
    """Another process that holds the lock."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)], stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout.readline() == "held\n"
        yield process
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def test_a_second_writer_reads_who_has_it_since_when_and_what_to_do(tmp_path):
    shop = open_shop(tmp_path / "ws", 1, 60)
    with holder(shop.workspace.work_folder / "lock") as first:
        done = CliRunner().invoke(app, ["run", "-w", str(shop.root)])
    assert done.exit_code == 5
    assert "`chillroster rebuild`" in done.stderr
    assert f"process {first.pid}" in done.stderr
    assert re.search(r"since 20\d\d-\d\d-\d\d \d\d:\d\d:\d\d UTC", done.stderr)
    assert "wait until it is done" in done.stderr
    assert not shop.workspace.store_file.exists()


def test_the_lock_of_a_killed_process_is_taken_over(tmp_path):
    path = tmp_path / "lock"
    with holder(path) as first:
        first.send_signal(signal.SIGKILL)
        first.wait()
        assert f"process {first.pid}" in path.read_text()  # its words stay, its lock does not
        with hold_lock(path, "chillroster run"):
            assert f"process {os.getpid()}" in path.read_text()
            assert str(first.pid) not in path.read_text()


def test_a_process_that_is_stopped_keeps_its_lock(tmp_path):
    path = tmp_path / "lock"
    with holder(path) as first:
        first.send_signal(signal.SIGSTOP)
        with pytest.raises(StoreLockedError), hold_lock(path, "chillroster run"):
            pass


def test_a_file_system_that_cannot_lock_is_not_taken_for_another_writer(tmp_path, monkeypatch):
    def without_locks(*_):
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr(fcntl, "flock", without_locks)
    with pytest.raises(OSError, match="No locks available"), hold_lock(tmp_path / "lock", "run"):
        pass
