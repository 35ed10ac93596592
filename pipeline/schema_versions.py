"""The versions that the tables of the store have had: which store is older, which is newer.

Holds the fingerprint of every version in turn; `poe docs` appends the present one after a
change to a table, and a test fails while it lags behind. Does not belong here: what the
tables are (`store_tables`), how an older store is brought to them (`migration`).
"""

from __future__ import annotations

# From the first version on; see `store_schema.schema_fingerprint`.
SCHEMAS: tuple[str, ...] = (
    "e75508a9535c2805",
    "7d885141655a71c5",
    "d58edf14e85a76dd",
    "535a1da9be606de4",
    "774c912d29935f19",
    "fe555ed33d7983fb",
    "d08365c68ceaf4be",
    "b5fc8ab6b3100864",
    "669eb3e68efe5458",
    "729b9b787a80c80b",
    "e3b391e878c906d1",
    "8ca5001e546a4079",
    "d25bc37175cd6058",
    "9e853286f100a2b2",
    "2ca85ffca4b61f4f",
    "4faf236c098447d7",
    "aebc64eae06a097e",
    "446cc34dc8fdaac1",
)


def schema_version(fingerprint: str) -> int:
    """The number of a version, counted from 1; tables that are not listed come after all."""
    if fingerprint in SCHEMAS:
        return SCHEMAS.index(fingerprint) + 1
    return len(SCHEMAS) + 1
