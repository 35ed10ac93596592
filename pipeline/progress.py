"""Progress of long work, told to whoever watches; silence where nobody does.

Holds the interface `Progress`, the silent one, and bars on the error stream of a
terminal. Does not belong here: what the work is, and any result.
"""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from rich.progress import Progress as RichProgress


class Progress(Protocol):
    """Where long work tells how far it has come."""

    def begin(self, label: str, total: int) -> None:
        """Start a stretch of work of so many steps; ends the stretch before it."""

    def advance(self, steps: int = 1) -> None:
        """So many steps of the present stretch are done."""


class Silence:
    """Progress that nobody watches."""

    def begin(self, label: str, total: int) -> None:
        """Say nothing."""

    def advance(self, steps: int = 1) -> None:
        """Say nothing."""


def begin_counted(progress: Progress, label: str, total: int) -> Callable[[int], None]:
    """Begin a stretch of work that tells how many steps are done so far, not how many more."""
    progress.begin(label, total)
    told = 0

    def tell(done: int) -> None:
        nonlocal told
        progress.advance(done - told)
        told = done

    return tell


class _Bars:
    def __init__(self, bars: RichProgress) -> None:
        self._bars = bars
        self._task: int | None = None

    def begin(self, label: str, total: int) -> None:
        self._task = self._bars.add_task(label, total=total)

    def advance(self, steps: int = 1) -> None:
        if self._task is not None:
            self._bars.advance(self._bars.task_ids[self._task], steps)


@contextmanager
def show_progress() -> Iterator[Progress]:
    """Bars on the error stream when it is a terminal, silence otherwise."""
    if not sys.stderr.isatty():
        yield Silence()
        return
    from rich.console import Console  # noqa: PLC0415 - only when there is a terminal
    from rich.progress import (  # noqa: PLC0415 - as above
        BarColumn,
        MofNCompleteColumn,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )
    from rich.progress import Progress as RichBars  # noqa: PLC0415 - as above

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
    )
    with RichBars(*columns, console=Console(stderr=True)) as bars:
        yield _Bars(bars)
