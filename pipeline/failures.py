"""What a failed command says, and the exit code that it ends with.

Takes the error that stopped a command, gives a `Failure`: a sentence, what to do, and the
code. Does not belong here: printing (`cli`), the wording of single faults (`problems`,
`store_faults`).
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.problems import ProblemsError
from pipeline.store_faults import StoreError, StoreLockedError

EXIT_FAILED = 1
EXIT_WORKSPACE_PROBLEMS = 3
EXIT_LOCKED = 5


@dataclass(frozen=True)
class Failure:
    """The exit code of a command that failed, and what it says."""

    exit_code: int
    text: str


def failure_of(error: Exception) -> Failure:
    """What a command says that an error stopped; errors not foreseen are called so."""
    if isinstance(error, ProblemsError):
        return Failure(EXIT_WORKSPACE_PROBLEMS, f"{error}\nNothing was stored.")
    if isinstance(error, StoreLockedError):
        return Failure(EXIT_LOCKED, f"Not started: {error.sentence}.\nWhat to do: {error.hint}.")
    if isinstance(error, StoreError):
        return Failure(EXIT_FAILED, f"Error: {error.sentence}.\nWhat to do: {error.hint}.")
    if isinstance(error, OSError):
        place = f" ({error.filename})" if error.filename else ""
        return Failure(
            EXIT_FAILED,
            f"Error: the system refused: {error.strerror or error}{place}.\n"
            "What to do: check free disk space and permissions, then run the command again; "
            "what was stored before is intact.",
        )
    return Failure(
        EXIT_FAILED,
        f"Error: something failed that should not ({type(error).__name__}: {error}).\n"
        "What to do: run the command again with --debug and report what it shows; "
        "what was stored before is intact.",
    )
