"""The features as an ingest works them out: two processes, batches of the usual size.

Each process has its share of the readings in memory before the clock starts; then all derive
their batches at once, one thread each, as the workers of an ingest do. Imports, reading and
what is built at the first call (curves of saturation) are not in the time, as in `peer_loop`.

Run as `python -m tests.benchmarks.features_as_run FOLDER`; prints one line of JSON.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import resource
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from features.derive import derive
from features.settings import DerivationSettings
from pipeline.store_settings import StoreSettings
from tests.benchmarks.sample_frames import read_frames

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

N_PROCESSES = 2
SETTINGS = DerivationSettings()
_FIRST_TESTS = 8
_THREADS = ("POLARS_MAX_THREADS", "OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS")


def _serve(connection: Connection, root: Path, place: int) -> None:
    """Read a share, wait for the word, derive it; send the processor time and peak memory."""
    samples, context = read_frames(root, every=N_PROCESSES, first=place)
    batches = [
        (samples.join(tests.select("test_id"), on="test_id", how="semi"), tests)
        for tests in context.iter_slices(StoreSettings().batch_logs)
    ]
    del samples
    few = batches[0][1].head(_FIRST_TESTS)
    derive(batches[0][0].join(few.select("test_id"), on="test_id", how="semi"), few, SETTINGS)
    connection.send(context.height)
    connection.recv()
    began_s = time.process_time()
    n_known = 0
    for mine, tests in batches:
        derived = derive(mine, tests, SETTINGS)
        n_known += derived.features["test_id"].n_unique()
    found = {
        "processor_seconds": time.process_time() - began_s,
        "peak_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "tests": n_known,
    }
    connection.send(found)


def main() -> None:
    """Begin the processes, time them together, print what they took."""
    root = Path(sys.argv[1])
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    context = multiprocessing.get_context("spawn")
    pipes = [context.Pipe() for _ in range(N_PROCESSES)]
    processes = [
        context.Process(target=_serve, args=(theirs, root, place))
        for place, (_, theirs) in enumerate(pipes)
    ]
    for process in processes:
        process.start()
    n_tests = sum(ours.recv() for ours, _ in pipes)
    began_s = time.perf_counter()
    for ours, _ in pipes:
        ours.send("go")
    parts = pl.DataFrame([ours.recv() for ours, _ in pipes])
    seconds = time.perf_counter() - began_s
    for process in processes:
        process.join()
    total = parts.sum().row(0, named=True)
    if total["tests"] != n_tests:
        raise RuntimeError("not every test has features")
    found = {name: round(total[name], 3) for name in ("processor_seconds", "peak_mib")}
    print(json.dumps({"seconds": round(seconds, 3), **found}))


if __name__ == "__main__":
    main()
