"""The lines of one text log below its column names: which are rows, and which are not.

Takes the lines of a file one by one, gives the rows as cells with their line numbers;
comments and blank lines are passed over, repeated column names are counted, a last line
that was broken off is left out. Does not belong here: what the cells mean (`text_rows`).
"""

from __future__ import annotations

import re
from array import array
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pipeline.header_lines import is_comment, split_cells
from pipeline.openings import split_lines

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.layouts import Layout

# No logger writes this letter, so it stands between cells without quotes.
CELL_MARK = "\x1f"
WHOLE, SHORT, LONG = 0, 1, 2
_DECIMALS = re.compile(r"[+-]?\d+(?:[.,](\d+))?")
# zeros are what a file system or a logger with fixed records fills up with
_PADDING = "\0 \r\n\ufeff"


@dataclass
class LogLines:
    """Rows of a log as lines with `CELL_MARK` between cells, and what is to be said of them.

    `numbers` are the numbers of their lines in the file; `kinds` has `SHORT` for rows that
    end before the last named column and `LONG` for rows with more cells than columns;
    `names` are the lines on which the column names stand again; `cut_line` is the line
    that was broken off, 0 without one.
    """

    text: bytearray = field(default_factory=bytearray)
    numbers: array[int] = field(default_factory=lambda: array("q"))
    kinds: array[int] = field(default_factory=lambda: array("b"))
    names: list[int] = field(default_factory=list)
    cut_line: int = 0


def sort_lines(lines: Iterable[str], layout: Layout, time_index: int) -> LogLines:
    """The rows among the lines of a whole file; each line still has its line end."""
    found = LogLines()
    above: set[str] = set()
    last = before = ""
    blank = f" \t{layout.delimiter}"
    number = 0
    for number, line in enumerate(lines, start=1):
        bare = line.strip(_PADDING).replace(CELL_MARK, " ")
        if number <= layout.lines_before_data:
            above.add(bare)
        elif bare in above and bare:
            found.names.append(number)
        elif bare.strip(blank) and not is_comment(bare, layout.delimiter, layout.comment_mark):
            _keep(found, bare, number, layout)
        if line.strip():
            last, before = line, last
    if number > layout.lines_before_data and _is_broken_off(last, before, layout, time_index):
        found.cut_line = number
        if found.numbers and found.numbers[-1] == number:
            found.numbers.pop()
            found.kinds.pop()
            # the row begins behind the line feed of the one above
            del found.text[found.text.rfind(b"\n", 0, -1) + 1 :]
    return found


def _keep(found: LogLines, line: str, number: int, layout: Layout) -> None:
    n_names, kind = len(layout.names), WHOLE
    if '"' not in line and line.count(layout.delimiter) == n_names - 1:
        joined = line.replace(layout.delimiter, CELL_MARK)
    else:
        cells = split_cells(line, layout.delimiter)
        if any(cells[n_names:]):
            kind = LONG
        elif len(cells) < layout.n_least and not layout.fills_short:
            kind = SHORT
        joined = CELL_MARK.join(cells[:n_names] + [""] * (n_names - len(cells)))
    found.text += f"{joined}\n".encode()
    found.numbers.append(number)
    found.kinds.append(kind)


def _is_broken_off(last: str, before: str, layout: Layout, time_index: int) -> bool:
    if not is_cut(before.rstrip("\r\n") + "\n" + last, layout):
        return False
    cells = split_cells(last.strip(_PADDING), layout.delimiter)
    # a closing line without a line end is no row that was broken off
    return "\0" in last or any(map(str.isdigit, "".join(cells[time_index : time_index + 1])))


def is_cut(tail: str, layout: Layout) -> bool:
    """True means: the last line of a file was probably broken off in the middle.

    A line that ends the file without a line end is taken for whole when it has all its
    fields and its last number is as long as the one above. Zeros fill the room of what was
    never written.
    """
    if not tail or tail[-1] in "\r\n":
        return False
    lines = [line for line in split_lines(tail) if line.strip()]
    if lines and "\0" in lines[-1]:
        return True
    if len(lines) < 2:
        return False
    last, above = (line.split(layout.delimiter) for line in (lines[-1], lines[-2]))
    return len(last) < len(above) or not _is_as_long(last[-1].strip(), above[-1].strip())


def _is_as_long(last: str, above: str) -> bool:
    """True means: the number has the decimals of the one above, or no fewer digits."""
    if not above or not last:
        return not above
    one, other = _DECIMALS.fullmatch(last), _DECIMALS.fullmatch(above)
    if one is None or other is None:
        return len(last) >= len(above)
    if other[1]:
        return bool(one[1]) and len(one[1]) == len(other[1])
    return len(last) >= len(above)
