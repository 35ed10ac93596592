"""The benchmarks: times each step in a process of its own and relates it to a bare scan.

`python -m tests.benchmarks [--logs 2000] [--rows 900] [--json FILE] [--without-demo]
[--scaling [1000 5000 20000 50000]]`
The log files are made in a temporary folder. A time includes the imports of the step, but
for the features alone, which begin with the readings in memory and are worked out by two
processes, as an ingest does; the bare scan has both processors too. `--scaling` ingests
workspaces of so many logs each, which takes long and some gigabytes of disk.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.benchmarks.scaling import SIZES, Children, measure_scaling
from tests.fuzz.corpus import gzip_bomb

SENSOR_COLUMNS = 13
RUNS_OF_THE_SCAN = 3
RUNS_OF_HELP = 9
_BOMB_BYTES = 100_000_000
_SIMULATED = "simulator: 1,000 tests of 900 s, written, two processes"
_LAUNCH = "from pipeline.cli import main; main()"


@dataclass(frozen=True)
class Row:
    """One line of the table; ratios are to the bare scan of the same files in this run.

    `ratio` by the clock; `processor_ratio` by the time of all processors, which other work on
    the machine moves least.
    """

    what: str
    seconds: float
    processor_seconds: float | None = None
    peak_mib: float | None = None
    ratio: float | None = None
    processor_ratio: float | None = None


def main() -> None:
    """Measure, print the table, write the JSON."""
    options = _options()
    with tempfile.TemporaryDirectory(prefix="chillroster-benchmarks-") as folder:
        rows = _measure_logs(Path(folder) / "shop", options.logs, options.rows)
        rows.append(_measure_bomb(Path(folder)))
        simulated = _child("simulate", Path(folder) / "simulated")
        rows.append(Row(_SIMULATED, **simulated))
        rows.append(_measure_judgement(options.judged_tests))
        if not options.without_demo:
            rows.append(_measure_demo(Path(folder) / "demo"))
        if options.scaling is not None:
            sizes = options.scaling or SIZES
            rows += [
                Row(each.what, **each.found)
                for each in measure_scaling(
                    Path(folder), sizes, options.rows, Children(_write, _child)
                )
            ]
    rows.append(_measure_help())
    _print(rows, options)
    options.json.parent.mkdir(parents=True, exist_ok=True)
    options.json.write_text(json.dumps(_document(rows, options), indent=1) + "\n")
    print(f"\nWritten: {options.json}")


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks")
    parser.add_argument("--logs", type=int, default=2000)
    parser.add_argument("--rows", type=int, default=900)
    parser.add_argument("--judged-tests", type=int, default=100_000)
    parser.add_argument("--json", type=Path, default=Path("build/benchmarks.json"))
    parser.add_argument("--without-demo", action="store_true")
    parser.add_argument("--scaling", type=int, nargs="*", metavar="LOGS")
    return parser.parse_args()


def _measure_logs(root: Path, n_logs: int, n_rows: int) -> list[Row]:
    print(f"Writing {n_logs} logs of {n_rows} rows ...", flush=True)
    _write(root, n_logs, n_rows)
    scans = [_child("scan", root) for _ in range(RUNS_OF_THE_SCAN)]
    # the best of the scans is the strictest floor; the first also warms the disk cache
    floor = {name: min(scan[name] for scan in scans) for name in scans[0]}
    rows = [Row(f"bare scan_csv (best of {RUNS_OF_THE_SCAN})", **floor, **_ratios(floor, floor))]
    features = _child_of("tests.benchmarks.features_as_run", str(root))
    what = f"features alone, {n_logs} tests, readings in memory, two processes"
    rows.append(Row(what, **features, **_ratios(features, floor)))
    rows.append(_measure_peer(root, features["processor_seconds"] / n_logs))
    for name, what in (
        ("ingest", "ingest: read, screen, derive, store, publish"),
        ("assess", "assess: baselines, residuals, states (and look for new logs)"),
        ("verdict", "verdict on one log, among all the others"),
        ("report", "report: the whole site"),
        ("again", "run again, nothing changed"),
    ):
        done = _child(name, root)
        rows.append(Row(what, **done, **_ratios(done, floor)))
    bad = _child_of("tests.benchmarks.one_bad_log", str(root))
    what = f"read with one bad log: {bad['ratio']:.2f} of the sound batch"
    ratio = round(bad["seconds"] / floor["seconds"], 2)
    rows.append(Row(what, bad["seconds"], None, bad["peak_mib"], ratio))
    return rows


def _ratios(found: dict[str, float], floor: dict[str, float]) -> dict[str, float]:
    return {
        "ratio": round(found["seconds"] / floor["seconds"], 2),
        "processor_ratio": round(found["processor_seconds"] / floor["processor_seconds"], 2),
    }


def _measure_peer(root: Path, per_test_s: float) -> Row:
    """The obvious loop on some of the tests, against the features of as many, by processor."""
    peer = _child_of("tests.benchmarks.peer_loop", str(root))
    times = peer["processor_seconds"] / peer["tests"] / per_test_s
    what = f"pandas, scalar property calls, {peer['tests']} tests: {times:.0f} times as long each"
    return Row(what, peer["seconds"], peer["processor_seconds"])


def _write(root: Path, n_logs: int, n_rows: int) -> None:
    _child_of("tests.benchmarks.log_files", str(root), str(n_logs), str(n_rows))


def _child(name: str, root: Path) -> dict[str, float]:
    return _child_of("tests.benchmarks.measured", name, str(root))


def _child_of(module: str, *arguments: str) -> dict[str, float]:
    command = [sys.executable, "-m", module, *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        sys.exit(f"{' '.join(arguments)} failed:\n{done.stderr}")
    return json.loads(done.stdout.splitlines()[-1])


def _measure_judgement(n_tests: int) -> Row:
    """Time to judge an invented features frame, to that of sorting it once."""
    judged = _child_of("tests.benchmarks.many_tests", str(n_tests))
    what = f"judge {n_tests:,} invented tests of 50 models (to one sort)"
    return Row(what, judged["seconds"], peak_mib=judged["peak_mib"], ratio=judged["ratio"])


def _measure_demo(folder: Path) -> Row:
    command = [sys.executable, "-c", _LAUNCH, "demo", str(folder)]
    start = time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as process:
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    seconds = time.perf_counter() - start
    if process.returncode:
        sys.exit("the demo failed")
    return Row("demo, end to end", round(seconds, 2), None, round(used.ru_maxrss / 1024, 1))


def _measure_bomb(folder: Path) -> Row:
    """Time and memory to refuse a file made to burst, the imports included."""
    content = gzip_bomb(_BOMB_BYTES)
    (folder / "bomb.csv.gz").write_bytes(content)
    done = _child("bomb", folder)
    what = f"{_BOMB_BYTES / 1e6:.0f} MB hidden in {len(content) / 1e3:.0f} kB of gzip, refused"
    return Row(what, **done)


def _measure_help() -> Row:
    seconds = []
    for _ in range(RUNS_OF_HELP):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-c", _LAUNCH, "--help"], capture_output=True, check=True)
        seconds.append(time.perf_counter() - start)
    return Row(f"chillroster --help (median of {RUNS_OF_HELP})", statistics.median(seconds))


def _print(rows: list[Row], options: argparse.Namespace) -> None:
    print(f"\n{options.logs} logs x {options.rows} rows x {SENSOR_COLUMNS} sensor columns")
    print(f"Load of the machine now: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    print(f"{'':64} {'seconds':>8} {'to scan':>8} {'proc. s':>8} {'to scan':>8} {'peak MiB':>9}")
    for row in rows:
        ratio = "" if row.ratio is None else f"{row.ratio:.2f}"
        own = "" if row.processor_seconds is None else f"{row.processor_seconds:.2f}"
        shared = "" if row.processor_ratio is None else f"{row.processor_ratio:.2f}"
        peak = "" if row.peak_mib is None else f"{row.peak_mib:.0f}"
        print(f"{row.what:64} {row.seconds:8.2f} {ratio:>8} {own:>8} {shared:>8} {peak:>9}")


def _document(rows: list[Row], options: argparse.Namespace) -> dict[str, object]:
    return {
        "logs": options.logs,
        "rows_per_log": options.rows,
        "sensor_columns": SENSOR_COLUMNS,
        "processors": os.cpu_count(),
        "load_at_the_end": round(os.getloadavg()[0], 2),
        "python": platform.python_version(),
        "measurements": [asdict(row) for row in rows],
    }


if __name__ == "__main__":
    main()
