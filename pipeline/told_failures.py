"""Errors of a command told in words: what, where, what to do, and the exit code.

Imported by the command line at once, so light. Does not belong here: what a command does
(`cli`), the texts of failures (`failures`).
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import typer

from pipeline.terminal import plain, say

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextmanager
def failures_told(debug: bool) -> Iterator[None]:  # noqa: FBT001 - an option of each command
    """Tell an error in words, with what to do, and end with its exit code."""
    try:
        yield
    except typer.BadParameter as error:
        # it names what the registry or a folder holds, and is printed by others
        raise typer.BadParameter(plain(error.message)) from error
    except (typer.Exit, typer.Abort, KeyboardInterrupt):
        raise
    except Exception as error:
        if debug:
            raise
        from pipeline.failures import failure_of

        failure = failure_of(error)
        say(failure.text, is_error=True)
        raise typer.Exit(failure.exit_code) from error


def require_known(what: str, wanted: list[str], known: list[str]) -> None:
    """Refuse names that are not known, with the nearest that is."""
    from pipeline.problems import did_you_mean

    for name in wanted:
        if name not in known:
            raise typer.BadParameter(f"no {what} is called {name}. {did_you_mean(name, known)}")
