"""What one damaged log costs the batch it is read with: both are timed in one process.

Run as `python -m tests.benchmarks.one_bad_log FOLDER`; prints one line of JSON. The
batches take turns, and the best of each counts, so that a busy machine weighs on both.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from pathlib import Path

from pipeline.log_requests import Door, LogRequest
from pipeline.profiles import shipped_profiles
from pipeline.readers import read_logs

_TURNS = 5


def _requests(files: list[Path]) -> list[LogRequest]:
    return [LogRequest(file.name, file, file.name, altitude_m=0.0) for file in files]


def _seconds(files: list[Path], n_refused: int) -> float:
    start = time.perf_counter()
    batch = read_logs(_requests(files), Door(shipped_profiles()))
    seconds = time.perf_counter() - start
    refused = batch.readings.filter(batch.readings["outcome_code"] == "refused")
    if refused.height != n_refused:
        raise RuntimeError(f"{refused.height} logs were refused, not {n_refused}")
    return seconds


def main() -> None:
    """Measure both batches and print the times, their ratio and the peak memory."""
    root = Path(sys.argv[1])
    sound = sorted((root / "logs").rglob("*.csv"))
    middle = len(sound) // 2
    lines = sound[middle].read_text().splitlines(keepends=True)
    bad = root / "bad.csv"
    # sound until half way, then the numbers have decimal commas between the commas
    half = len(lines) // 2
    bad.write_text("".join(lines[:half] + [line.replace(".", ",") for line in lines[half:]]))
    damaged = [*sound[:middle], bad, *sound[middle + 1 :]]
    times = [(_seconds(sound, 0), _seconds(damaged, 1)) for _ in range(_TURNS)]
    clean_s, damaged_s = (min(column) for column in zip(*times, strict=True))
    bad.unlink()
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        json.dumps(
            {
                "seconds": round(damaged_s, 3),
                "ratio": round(damaged_s / clean_s, 2),
                "peak_mib": round(peak_mib, 1),
            }
        )
    )


if __name__ == "__main__":
    main()
