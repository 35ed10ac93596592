"""Log files that no tool should swallow, for demos and tests of refusal.

`write_broken_logs` adds files to a finished workspace and gives the registry rows that point
at them. Four kinds in turn: headers without units, random bytes, a compressed file cut short,
an empty file. Does not belong here: anything that counts as a test (these have no truth).
"""

from __future__ import annotations

import gzip
from typing import TYPE_CHECKING

import polars as pl

if TYPE_CHECKING:
    from pathlib import Path

    import numpy as np

_ROWS = 900


def _table(rng: np.random.Generator, header: str) -> bytes:
    """A plausible table under a header that may or may not tell the units."""
    lines = [header]
    for second in range(_ROWS):
        low, high, duct = rng.normal((2.1, 13.0, 6.0), (0.05, 0.2, 0.2))
        clock = f"{9 + second // 3600:02d}:{second // 60 % 60:02d}:{second % 60:02d}"
        lines.append(f"{clock};{low:.2f};{high:.2f};{duct:.1f}".replace(".", ","))
    return ("\r\n".join(lines) + "\r\n").encode()


def _without_units(rng: np.random.Generator) -> tuple[str, bytes]:
    """A log whose headers name no unit: nothing in it may be guessed."""
    return "without_units.csv", _table(rng, "Clock;Low side;High side;Duct left")


def _random_bytes(rng: np.random.Generator) -> tuple[str, bytes]:
    """A file that is no log at all."""
    return "random_bytes.csv", rng.bytes(6000)


def _cut_short(rng: np.random.Generator) -> tuple[str, bytes]:
    """A compressed log of which only the first half arrived."""
    whole = _table(rng, "Clock;Low side [bar gauge];High side [bar gauge];Duct left [degC]")
    packed = gzip.compress(whole, mtime=0)
    return "cut_short.csv.gz", packed[: len(packed) // 2]


def _empty(_: np.random.Generator) -> tuple[str, bytes]:
    """A file without content."""
    return "empty.csv", b""


_MAKERS = (_without_units, _random_bytes, _cut_short, _empty)


def write_broken_logs(
    logs: Path, tests: pl.DataFrame, n_broken: int, rng: np.random.Generator
) -> pl.DataFrame:
    """Rows like `tests` for `n_broken` unreadable files, which are written under `logs`."""
    rows = []
    for number in range(n_broken):
        source = tests.row(int(rng.integers(0, tests.height)), named=True)
        name, content = _MAKERS[number % len(_MAKERS)](rng)
        log = f"{source['site_id']}/broken/{number + 1:03d}_{name}"
        (logs / log).parent.mkdir(parents=True, exist_ok=True)
        (logs / log).write_bytes(content)
        rows.append(source | {"log": log, "test_id": f"b{number + 1:05d}", "repair_id": None})
    return pl.DataFrame(rows, schema=tests.schema)
