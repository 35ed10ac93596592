"""The child of the search: instruments the program, then lets the engine drive one parser.

Run by `tests.fuzz` as `python -m tests.fuzz.search PARSER CORPUS [engine options]`. Does
not belong here: reading what the engine printed (`__main__`).
"""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path

import atheris  # the extra `fuzz`

with atheris.instrument_imports(include=["pipeline", "features", "tomllib", "csv"]):
    from tests.fuzz.parsers import parsers


def main() -> None:
    """Search until the engine's time is up."""
    name, corpus = sys.argv[1], Path(sys.argv[2])
    parser = parsers()[name]
    for seed in parser.seeds:
        (corpus / hashlib.sha256(seed).hexdigest()[:16]).write_bytes(seed)
        # before the search: modules loaded late count as reached, and memory settles
        parser.try_bytes(seed)

    def try_one(content: bytes) -> None:
        parser.try_bytes(content)

    atheris.Setup([sys.argv[0], *sys.argv[2:]], try_one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
