"""Coverage-guided search for inputs that break a parser, in a process of its own per parser.

`python -m tests.fuzz --minutes 10 --parser text_wide` (or `--parser all`) prints one line
per parser: inputs tried, lines of the program reached, peak memory, failures. An input
that breaks the parser is kept in build/fuzz/, and the exit code is 1. Needs the extra
`fuzz` (`pip install -e ".[dev,fuzz]"`), whose engine has wheels for some Pythons only.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.fuzz.parsers import parsers

BUILD = Path("build/fuzz")
LONGEST_INPUT_BYTES = 20_000
_PROGRESS = re.compile(r"#(\d+)\s+\w+\s+cov: (\d+) ft: (\d+)")


@dataclass(frozen=True)
class Found:
    """What the search of one parser gave."""

    parser: str
    seconds: float
    n_inputs: int
    coverage: int
    peak_mib: float
    failures: tuple[str, ...]
    trace: str = ""


def main() -> int:
    """Search, print the table, write the JSON; 1 where something broke."""
    options = _options()
    names = list(parsers()) if options.parser == "all" else [options.parser]
    sys.stdout.write(
        f"{'parser':16}{'seconds':>9}{'inputs':>9}{'reached':>9}{'peak MiB':>10}  failures\n"
    )
    found = [_search(name, options) for name in names]
    (BUILD / "found.json").write_text(json.dumps([asdict(one) for one in found], indent=1) + "\n")
    return 1 if any(one.failures for one in found) else 0


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz")
    parser.add_argument("--minutes", type=float, default=10.0, help="time for each parser")
    parser.add_argument("--parser", choices=["all", *parsers()], default="all")
    parser.add_argument("--memory-megabytes", type=int, default=2048, help="more is a failure")
    return parser.parse_args()


def _search(name: str, options: argparse.Namespace) -> Found:
    """One parser searched in a child process; what it found is printed at once."""
    corpus, kept = BUILD / name / "corpus", BUILD / name / "broken"
    for folder in (corpus, kept):
        folder.mkdir(parents=True, exist_ok=True)
    before = set(kept.iterdir())
    seconds = max(1, round(options.minutes * 60))
    command = [
        sys.executable, "-m", "tests.fuzz.search", name, str(corpus),
        f"-artifact_prefix={kept}/", f"-max_total_time={seconds}", "-timeout=30",
        f"-rss_limit_mb={options.memory_megabytes}", f"-max_len={LONGEST_INPUT_BYTES}",
        "-print_final_stats=1", "-len_control=0",
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, check=False, errors="replace")
    found = _read(name, seconds, done.stderr + done.stdout, set(kept.iterdir()) - before)
    if done.returncode and not found.failures:
        ended = f"the search of {name} ended with {done.returncode}"
        raise SystemExit(f"{ended}:\n{done.stderr[-2000:]}")
    sys.stdout.write(
        f"{name:16}{found.seconds:9.0f}{found.n_inputs:9}{found.coverage:9}{found.peak_mib:10.0f}  "
        f"{', '.join(found.failures) or 'none'}\n{found.trace}"
    )
    sys.stdout.flush()
    return found


def _read(name: str, seconds: float, told: str, broken: set[Path]) -> Found:
    """The figures from what the engine printed."""
    progress = [tuple(map(int, one)) for one in _PROGRESS.findall(told)]
    stats = dict(re.findall(r"stat::(\w+):\s+(\d+)", told))
    trace = told[told.find("Uncaught Python exception") :][:2500] if broken else ""
    return Found(
        name,
        seconds,
        int(stats.get("number_of_executed_units", max((one[0] for one in progress), default=0))),
        max((one[1] for one in progress), default=0),
        float(stats.get("peak_rss_mb", 0)),
        tuple(sorted(str(path) for path in broken)),
        trace,
    )


if __name__ == "__main__":
    sys.exit(main())
