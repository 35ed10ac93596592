"""A table as plain text: columns as wide as what stands in them.

Does not belong here: what is told in it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


def text_table(names: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Names, a line of dashes, and the rows."""
    widths = [max(len(cells[i]) for cells in (names, *rows)) for i in range(len(names))]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(cells, widths, strict=True)).rstrip()
        for cells in (names, tuple("-" * width for width in widths), *rows)
    ]
    return "\n".join(lines)
