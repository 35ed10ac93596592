"""Lines of text for a terminal: one paragraph broken at its width.

Does not belong here: what the lines say.
"""

from __future__ import annotations

import textwrap

_WIDTH = 88


def wrapped(text: str, indent: str) -> list[str]:
    """The text in lines that a terminal shows whole, each with the indent."""
    return textwrap.wrap(
        text, _WIDTH, initial_indent=indent, subsequent_indent=indent, break_long_words=False
    )
