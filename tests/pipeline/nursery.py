"""Child processes to be killed or starved of disk: warm, forked, one for each trial.

A server process imports the program once and forks a child for each request, so that a
trial costs the work and not the imports. `Nursery` is the side of the tests; run as a
script, this file is the server. It runs no frame and opens no store itself, since a fork
of a process with busy threads may hang. Reading and deriving a batch touches no store, so
its rows are kept from the first child that worked them out, and later ones take them.
"""

from __future__ import annotations

import ctypes
import importlib
import json
import os
import pickle
import select
import signal
import subprocess
import sys
import time
import traceback
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from pipeline import cli, log_workers
from pipeline.fingerprints import code_fingerprint, hash_values
from pipeline.publish import publish
from pipeline.warehouse import Warehouse

ROOT = Path(__file__).parents[2]
MOST_SECONDS = 300
# what commands import when they run, so that no child has to
IMPORTED_LATE = ("assess", "progress", "rebuild", "report", "run")
FINGERPRINTED = (
    ("features", "pipeline"),
    ("features", "models"),
    ("features", "models", "pipeline"),
)


@dataclass(frozen=True)
class Fault:
    """How the disk fails below a folder: the k-th call, for good or once, or the room left."""

    folder: str
    call: int = 0
    error: int = 5
    stays: bool = False
    room_bytes: int = -1
    trace: str = ""


@dataclass(frozen=True)
class Trial:
    """One child: the words of the command line, and what befalls it.

    `acknowledged` is a file to which the child writes the path of every log right after
    the transaction that stored it. A kill comes some seconds after so many transactions
    (of an ingest) or publishings. With `publish` the child publishes those stores in turn,
    for ever, instead of running a command.
    """

    arguments: tuple[str, ...] = ()
    acknowledged: str = ""
    kill_after_steps: int | None = None
    kill_delay_s: float = 0.0
    fault: Fault | None = None
    publish: tuple[str, ...] = ()


@dataclass(frozen=True)
class Outcome:
    """What became of a child; `exit_code` is None when it was killed."""

    exit_code: int | None
    output: str
    errors: str
    seconds: float
    n_steps: int
    n_calls: int


class Nursery:
    """The server, from the side of a test. Use as a context manager."""

    def __init__(self, folder: Path, preload: Path | None = None) -> None:
        env = {**os.environ, "NURSERY_FOLDER": str(folder), "PYTHONPATH": str(ROOT)}
        # a child has little to compute and may share the machine with many
        env["POLARS_MAX_THREADS"] = "1"
        if preload is not None:
            env["LD_PRELOAD"] = str(preload)
        self._server = subprocess.Popen(
            [sys.executable, __file__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=env,
        )
        assert self._server.stdout.readline() == "ready\n"

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._server.stdin.close()
        self._server.wait(60)
        self._server.stdout.close()

    def run(self, trial: Trial) -> Outcome:
        self._server.stdin.write(json.dumps(asdict(trial)) + "\n")
        self._server.stdin.flush()
        return Outcome(**json.loads(self._server.stdout.readline()))


def serve() -> None:
    for name in IMPORTED_LATE:
        importlib.import_module(f"pipeline.{name}")
    for packages in FINGERPRINTED:
        code_fingerprint(*packages)
    folder = Path(os.environ["NURSERY_FOLDER"])
    _answer("ready")
    for line in sys.stdin:
        _answer(json.dumps(asdict(_raise_child(json.loads(line), folder))))


def _answer(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def _raise_child(trial: dict, folder: Path) -> Outcome:
    output, errors, calls = (folder / name for name in ("child.out", "child.err", "child.calls"))
    calls.unlink(missing_ok=True)
    steps, told = os.pipe()
    began = time.monotonic()
    child = os.fork()
    if not child:
        _live(trial, output, errors, calls, told)
    os.close(told)
    n_steps, status = _watch(child, steps, trial)
    os.close(steps)
    exit_code = os.waitstatus_to_exitcode(status)
    assert exit_code >= 0 or exit_code == -signal.SIGKILL, f"the child died of signal {-exit_code}"
    return Outcome(
        exit_code if exit_code >= 0 else None,
        output.read_text(errors="replace"),
        errors.read_text(errors="replace"),
        time.monotonic() - began,
        n_steps,
        int(calls.read_text()) if calls.exists() else 0,
    )


def _watch(child: int, steps: int, trial: dict) -> tuple[int, int]:
    """How many steps the child told of, and how it ended; kills it when its time has come."""
    n_steps, limit = 0, trial["kill_after_steps"]
    while limit is None or n_steps < limit:
        if not select.select([steps], [], [], MOST_SECONDS)[0]:
            break
        told = os.read(steps, 1)
        if not told:
            break
        n_steps += 1
    handle = os.pidfd_open(child)
    patience = MOST_SECONDS if limit is None or n_steps < limit else trial["kill_delay_s"]
    if not select.select([handle], [], [], patience)[0]:
        os.kill(child, signal.SIGKILL)
    os.close(handle)
    status = os.waitpid(child, 0)[1]
    return n_steps + len(os.read(steps, 10_000)), status


def _live(trial: dict, output: Path, errors: Path, calls: Path, told: int) -> None:
    """The whole life of a child; never returns."""
    for path, descriptor in ((output, 1), (errors, 2)):
        opened = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(opened, descriptor)
    code = 99
    try:
        _tell_steps(trial["acknowledged"], told)
        if not trial["fault"]:
            _remember_batches(output.parent)
        if trial["fault"]:
            _arm(Fault(**trial["fault"]))
        code = _publish_for_ever(trial["publish"], told) if trial["publish"] else _command(trial)
    except BaseException:  # noqa: BLE001 - a test looks for it in the output
        traceback.print_exc()
    finally:
        with suppress(Exception):
            sys.stdout.flush()
            sys.stderr.flush()
        if trial["fault"]:
            calls.write_text(str(ctypes.CDLL(None).faulty_disk_calls()))
        os._exit(code)


def _command(trial: dict) -> int:
    sys.argv = ["chillroster", *trial["arguments"]]
    try:
        cli.main()
    except SystemExit as end:
        return int(end.code or 0)
    return 0


def _publish_for_ever(paths: list[str], told: int) -> int:
    *stores, published = map(Path, paths)
    while True:
        for store in stores:
            publish(store, published)
            os.write(told, b".")


def _remember_batches(folder: Path) -> None:
    """Take the rows of a batch from the child that worked out the same one before."""
    real = log_workers.work_out

    def remembering(batch, workshop):
        known = folder / f"{hash_values([log.inputs_hash for log in batch])}.batch"
        if known.exists():
            return pickle.loads(known.read_bytes())
        rows = real(batch, workshop)
        unfinished = known.with_suffix(f".{os.getpid()}")
        unfinished.write_bytes(pickle.dumps(rows))
        unfinished.replace(known)
        return rows

    log_workers.work_out = remembering


def _tell_steps(acknowledged: str, told: int) -> None:
    """After every transaction, note the logs that it stored and tell the server."""
    real = Warehouse.replace

    def telling(self, replacements, facts=None):
        n_rows = real(self, replacements, facts)
        names = [name for r in replacements if r.table.name == "logs" for name in r.rows["path"]]
        if acknowledged and names:
            with Path(acknowledged).open("a", encoding="utf-8") as file:
                file.writelines(f"{name}\n" for name in names)
        os.write(told, b".")
        return n_rows

    Warehouse.replace = telling


def _arm(fault: Fault) -> None:
    trace = -1
    if fault.trace:
        trace = os.open(fault.trace, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    arm = ctypes.CDLL(None).faulty_disk_arm
    number = ctypes.c_long
    arm.argtypes = [ctypes.c_char_p, number, ctypes.c_int, ctypes.c_int, number, ctypes.c_int]
    arm(
        fault.folder.encode(),
        fault.call,
        fault.error,
        int(fault.stays),
        fault.room_bytes,
        trace,
    )


if __name__ == "__main__":
    serve()
