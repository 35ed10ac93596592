"""What a command says, on streams that may be odd: closed, gone, or of few letters.

Holds `say`, which prints a text, and `prepare_streams`, called once at the start. Does not
belong here: the words (`cli`, `failures`), bars (`progress`).
"""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import typer

# Control characters and marks of writing direction: names of files and columns are not ours.
_STEERING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_LAST_STREAM = 2


def say(text: str, *, is_error: bool = False) -> None:
    """Print a text; letters in it that would steer the terminal are shown as a mark.

    A reader that has closed the stream, as `head` does, stops the words and not the work.
    """
    try:
        typer.echo(plain(text), err=is_error)
    except BrokenPipeError:
        stream = sys.stderr if is_error else sys.stdout
        nowhere = os.open(os.devnull, os.O_WRONLY)
        # what the stream still holds goes there too, when the interpreter ends
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


def prepare_streams() -> None:
    """Let no letter and no missing stream make a command fail."""
    # else the store would be opened in the place of a closed stream, and take its words
    descriptor = os.open(os.devnull, os.O_RDWR)
    while descriptor <= _LAST_STREAM:
        descriptor = os.open(os.devnull, os.O_RDWR)
    os.close(descriptor)
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open("w", encoding="utf-8"))  # noqa: SIM115 - open to the end
        stream = getattr(sys, name)
        if hasattr(stream, "reconfigure"):
            # a console that cannot show a letter shows a question mark, and nothing fails
            stream.reconfigure(errors="replace")


def plain(text: str) -> str:
    """The text with a mark in place of each letter that would steer a terminal."""
    return _STEERING.sub("\N{REPLACEMENT CHARACTER}", text)
