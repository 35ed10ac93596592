"""From table contracts to the database: statements that make tables, and their fingerprint.

Takes `features.tables.Table`s, gives SQL text and hashes; names are quoted here and
nowhere else. Pure. Does not belong here: running a statement (`warehouse`), which tables
there are (`store_tables`).
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import polars as pl

from features.tables import Column, Table

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

STORE_FACTS = Table(
    "store_facts",
    "one row per fact about the store itself",
    ("fact",),
    (
        Column("fact", pl.String(), "", "what is stated, such as schema or generation"),
        Column("value", pl.String(), "", "what it says: a fingerprint or a count"),
    ),
)

_SQL_TYPES: dict[pl.DataType, str] = {
    pl.String(): "VARCHAR",
    pl.Float64(): "DOUBLE",
    pl.List(pl.Float64()): "DOUBLE[]",
    pl.Int32(): "INTEGER",
    pl.Int64(): "BIGINT",
    pl.Boolean(): "BOOLEAN",
    pl.Date(): "DATE",
    pl.Datetime("us", "UTC"): "TIMESTAMP WITH TIME ZONE",
}


def schema_fingerprint(tables: Sequence[Table]) -> str:
    """Sixteen hex digits that change when a table gains, loses or retypes a column."""
    lines = [
        f"{table.name}.{name}:{sql_type(dtype)}"
        for table in tables
        for name, dtype in table.schema.items()
    ]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:16]


def creation(table: Table) -> Iterator[str]:
    """The statements that make a table with its comments."""
    columns = ", ".join(
        f"{quoted(column.name)} {sql_type(column.dtype)}" for column in table.columns
    )
    yield f"CREATE TABLE {quoted(table.name)} ({columns})"
    yield f"COMMENT ON TABLE {quoted(table.name)} IS {literal(table.grain)}"
    for column in table.columns:
        target = f"{quoted(table.name)}.{quoted(column.name)}"
        yield f"COMMENT ON COLUMN {target} IS {literal(column.comment)}"


def carrying(table: Table, known: set[str], earlier: str) -> str | None:
    """The statement that carries the rows of a table over from an earlier store.

    `known` are the columns that the earlier table has, `earlier` is the name by which its
    database is attached. None when it lacks a column of the key.
    """
    if not known.issuperset(table.key):
        return None
    carried = [column for column in table.columns if column.name in known]
    names = ", ".join(quoted(column.name) for column in carried)
    values = ", ".join(
        f"TRY_CAST({quoted(column.name)} AS {sql_type(column.dtype)})" for column in carried
    )
    name = quoted(table.name)
    return f"INSERT INTO {name} ({names}) SELECT {values} FROM {quoted(earlier)}.{name}"  # noqa: S608 - declared names only


def sql_type(dtype: pl.DataType) -> str:
    """The database type of a column."""
    if dtype not in _SQL_TYPES:
        raise ValueError(f"no database type is agreed for {dtype}")
    return _SQL_TYPES[dtype]


def quoted(name: str) -> str:
    """A name as SQL takes it, whatever letters it has."""
    return '"' + name.replace('"', '""') + '"'


def literal(text: str) -> str:
    """A text as SQL takes it, whatever letters it has."""
    return "'" + text.replace("'", "''") + "'"
