"""What the site's folder holds since the last writing: every file's hash, and of what it was made.

Holds the records `Entry` and `Manifest`, their JSON form, and the question whether a file
still stands as it was written. Does not belong here: what a page is made of (`inputs`),
writing pages (`site`).
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

NAME = "manifest.json"


@dataclass(frozen=True)
class Entry:
    """A file: SHA-256 of its bytes and of all that it was made of; null is unknown."""

    content_hash: str | None = None
    inputs_hash: str | None = None


@dataclass(frozen=True)
class Manifest:
    """The files of a site by name, relative to its folder."""

    folder: Path
    entries: dict[str, Entry] = field(default_factory=dict)

    def is_fresh(self, name: str, inputs_hash: str | None) -> bool:
        """True when the file was made of these inputs and nobody has touched it since."""
        entry = self.entries.get(name)
        if entry is None or inputs_hash is None or entry.inputs_hash != inputs_hash:
            return False
        try:
            return content_hash((self.folder / name).read_bytes()) == entry.content_hash
        except OSError:
            return False

    def to_json(self) -> str:
        """The file's text, in order of name."""
        listed = {
            name: {"content_hash": entry.content_hash, "inputs_hash": entry.inputs_hash}
            for name, entry in sorted(self.entries.items())
        }
        return json.dumps(listed, indent=0) + "\n"


def content_hash(data: bytes) -> str:
    """SHA-256 of a file's bytes."""
    return hashlib.sha256(data).hexdigest()


def read_manifest(folder: Path) -> Manifest:
    """The manifest of the last writing; a damaged one vouches for nothing."""
    try:
        listed = json.loads((folder / NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return Manifest(folder)
    if not isinstance(listed, dict):
        return Manifest(folder)
    return Manifest(folder, {name: _entry(told) for name, told in listed.items()})


def _entry(told: Any) -> Entry:
    if not isinstance(told, dict):
        return Entry()
    hashes = (told.get(name) for name in ("content_hash", "inputs_hash"))
    return Entry(*(value if isinstance(value, str) else None for value in hashes))
