"""Text files written anew so that a scan can read them: UTF-8, line feeds, one mark.

Takes a file, gives a file in the scratch folder with the same lines under the same
numbers; the file itself stays as it is. Does not belong here: finding out that a file
needs it (`openings`, `layouts`).
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")
_GAP = re.compile(r"[ \t]+")


def rewritten(plain: Path, encoding: str, scratch: Path) -> Path:
    """The file in UTF-8 with a line feed at the end of every line."""
    return _copy(plain, encoding, scratch, lambda line: line)


def with_tabs(plain: Path, encoding: str, scratch: Path) -> Path:
    """The file with one tab for every run of blanks inside a line."""
    return _copy(plain, encoding, scratch, tabbed)


def tabbed(line: str) -> str:
    """A line with one tab for every run of blanks, and none at its ends."""
    bare = line.strip(" \t\r\n")
    end = "\n" if line.endswith("\n") else ""
    return _GAP.sub("\t", bare) + end


def _copy(plain: Path, encoding: str, scratch: Path, change: Callable[[str], str]) -> Path:
    target = scratch / f"{sum(1 for _ in scratch.iterdir())}.txt"
    # what is no letter of the encoding is damage, and is shown as such by what reads the cells
    with (
        plain.open(encoding=encoding, errors="replace", newline=None) as source,
        target.open("w", encoding="utf-8", newline="\n") as straight,
    ):
        straight.writelines(change(line) for line in source)
    return target
