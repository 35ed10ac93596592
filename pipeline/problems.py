"""What is wrong with something a person wrote: one record per fault, all reported together.

Holds the record `Problem`, the exception `ProblemsError` that carries many of them, and
the search for the nearest known word. Does not belong here: the checks themselves, and
refusals of log files, which are rows of a table and stop nothing (`refusals`).
"""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


@dataclass(frozen=True)
class Problem:
    """One fault: a code for machines, a sentence, the place, and what to do about it.

    `spot` tells the place inside a file that has no lines, such as `sheet May, row 3`.
    """

    code: str
    sentence: str
    file: str
    line: int | None = None
    hint: str = ""
    spot: str = ""

    @property
    def place(self) -> str:
        """File and line as printed to a reader: `registry/tests.csv, line 7`."""
        if self.spot:
            return f"{self.file}, {self.spot}"
        return self.file if self.line is None else f"{self.file}, line {self.line}"

    @property
    def text(self) -> str:
        """Place, sentence and hint on one line."""
        return f"{self.place}: {self.sentence}{' ' + self.hint if self.hint else ''}"


class ProblemsError(Exception):
    """One or more problems stop the work; nothing was loaded.

    Parameters
    ----------
    problems
        Every problem found, in the order of the files and their lines.
    """

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        count = len(self.problems)
        title = "1 problem" if count == 1 else f"{count} problems"
        super().__init__("\n".join([f"{title} found:", *(f"  {p.text}" for p in self.problems)]))


def closest(word: str, known: Iterable[str]) -> str | None:
    """The known word nearest to a mistyped one, None when nothing is near.

    Case, blanks, hyphens and underscores are not counted as differences.
    """
    plain = {_plain(candidate): candidate for candidate in known}
    if _plain(word) in plain:
        return plain[_plain(word)]
    near = get_close_matches(_plain(word), plain, n=1, cutoff=0.75)
    return plain[near[0]] if near else None


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """The hint "Did you mean `x`?", else the known words when they are a few, else nothing."""
    candidates = list(known)
    near = closest(word, candidates)
    if near is not None:
        return f"Did you mean `{near}`?"
    if 0 < len(candidates) <= 8:
        return f"Known are: {', '.join(f'`{name}`' for name in candidates)}."
    return ""


def _plain(word: str) -> str:
    return "".join(letter for letter in word.lower() if letter not in " _-")
