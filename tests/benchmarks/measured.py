"""One measurement per process, so that peaks of memory do not mix.

Run as `python -m tests.benchmarks.measured NAME FOLDER`; prints one line of JSON.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

if TYPE_CHECKING:
    from collections.abc import Callable

Found = dict[str, float]
CLOCK = datetime(2026, 9, 1, tzinfo=UTC)


class StopWatch:
    """Time since it was made: by the clock, and of all processors for this process and its own.

    On a machine that is busy elsewhere the second says more than the first.
    """

    def __init__(self):
        self._began = time.perf_counter(), _processor_s()

    def read(self) -> Found:
        clock, processors = self._began
        return {
            "seconds": round(time.perf_counter() - clock, 3),
            "processor_seconds": round(_processor_s() - processors, 3),
        }


def _processor_s() -> float:
    """Processor time of this process and of those that it began and that ended [s]."""
    return time.process_time() + sum(os.times()[2:4])


def _peak_mib() -> float:
    """Peak memory [MiB], at most: this process, and its workers as if all peaked at once."""
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    largest_worker = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    n_workers = len(os.sched_getaffinity(0)) if largest_worker else 0
    return (own + n_workers * largest_worker) / 1024


def _scan(root: Path) -> None:
    files = sorted((root / "logs").rglob("*.csv"))
    frame = pl.scan_csv(files).collect()
    if frame.is_empty():
        raise RuntimeError("nothing was scanned")


def _ingest(root: Path) -> None:
    shutil.rmtree(root / ".chillroster", ignore_errors=True)
    (root / "warehouse.duckdb").unlink(missing_ok=True)
    summary = _update(root, does_assess=False)
    if not summary.ingest or summary.ingest.n_refused:
        raise RuntimeError(f"logs were refused: {summary.lines}")


def _assess(root: Path) -> None:
    _update(root, does_assess=True)


def _report(root: Path) -> None:
    from pipeline.progress import Silence  # noqa: PLC0415 - not part of the bare scan
    from pipeline.report import write_report  # noqa: PLC0415
    from pipeline.workspace import Workspace  # noqa: PLC0415

    write_report(Workspace(root), CLOCK, Silence())


def _verdict(root: Path) -> None:
    """One log of the workspace, judged with the stored tests of all others."""
    from pipeline.verdict import verdict  # noqa: PLC0415 - not part of the bare scan
    from pipeline.verdict_car import Stated  # noqa: PLC0415
    from pipeline.verdict_text import verdict_lines  # noqa: PLC0415
    from pipeline.workspace import Workspace  # noqa: PLC0415

    log = min((root / "logs").rglob("*.csv"))
    if not verdict_lines(verdict(Workspace(root), log, Stated(), CLOCK)):
        raise RuntimeError("nothing was said")


def _again(root: Path) -> None:
    summary = _update(root, does_assess=True)
    if summary.n_rows_written:
        raise RuntimeError(f"an unchanged workspace wrote rows: {summary.lines}")


def _update(root: Path, *, does_assess: bool):
    from pipeline.progress import Silence  # noqa: PLC0415 - not part of the bare scan
    from pipeline.run import Order, update_store  # noqa: PLC0415
    from pipeline.workspace import Workspace  # noqa: PLC0415

    order = Order("benchmark", CLOCK, does_assess=does_assess)
    return update_store(Workspace(root), order, Silence())


def _bomb(root: Path) -> None:
    """100 MB hidden in 100 kB of gzip, met by the door for logs."""
    from pipeline.log_requests import Door, LogRequest  # noqa: PLC0415 - as above
    from pipeline.profiles import shipped_profiles  # noqa: PLC0415
    from pipeline.readers import read_logs  # noqa: PLC0415

    log = root / "bomb.csv.gz"
    batch = read_logs([LogRequest(log.name, log, "bomb")], Door(shipped_profiles()))
    if batch.refusals["code"].to_list() != ["packed_too_tightly"]:
        raise RuntimeError(f"the bomb was not refused: {batch.refusals}")


def _simulate(root: Path) -> None:
    from synthetic.demo import write_demo_fleet  # noqa: PLC0415 - not part of the bare scan

    done = write_demo_fleet(
        root / "fleet", root / "truth", vehicles=340, tests=1000, models=10, years=4, processes=2
    )
    if done.n_tests != 1000:
        raise RuntimeError(f"1,000 tests were asked for, {done.n_tests} were written")


MEASUREMENTS: dict[str, Callable[[Path], Found | None]] = {
    "scan": _scan,
    "ingest": _ingest,
    "assess": _assess,
    "verdict": _verdict,
    "again": _again,
    "report": _report,
    "bomb": _bomb,
    "simulate": _simulate,
}


def main() -> None:
    """Measure one thing and print seconds, processor seconds and peak memory."""
    name, folder = sys.argv[1], Path(sys.argv[2])
    watch = StopWatch()
    found = MEASUREMENTS[name](folder) or watch.read()
    print(json.dumps({**found, "peak_mib": round(_peak_mib(), 1)}))


if __name__ == "__main__":
    main()
