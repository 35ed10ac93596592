"""Whether cost per test and memory stay flat as a shop's logs grow: ingests of many sizes.

Each size is a workspace of its own, ingested whole by a process of its own, and removed.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

SIZES = (1_000, 5_000, 20_000, 50_000)


@dataclass(frozen=True)
class Scaled:
    """One line of the table."""

    what: str
    found: dict[str, float]


@dataclass(frozen=True)
class Children:
    """How a process of its own writes a workspace, and how one measures a step of it."""

    write: Callable[[Path, int, int], None]
    measure: Callable[[str, Path], dict[str, float]]


def measure_scaling(
    folder: Path,
    sizes: Sequence[int],
    n_rows: int,
    children: Children,
) -> list[Scaled]:
    """Ingests of workspaces of so many logs; cost per test against that of the first size.

    The cost is processor time, which other work on the machine moves least.
    """
    done: list[Scaled] = []
    first_s = None
    for size in sizes:
        root = folder / f"shop{size}"
        print(f"Writing {size} logs of {n_rows} rows ...", flush=True)
        children.write(root, size, n_rows)
        found = children.measure("ingest", root)
        shutil.rmtree(root)
        per_test_s = found["processor_seconds"] / size
        first_s = first_s or per_test_s
        what = (
            f"ingest of {size} logs: {1000 * per_test_s:.2f} proc. ms each, "
            f"{per_test_s / first_s:.2f} of the first"
        )
        done.append(Scaled(what, found))
    return done
