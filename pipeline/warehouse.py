"""The only door to DuckDB: opens a store, replaces rows in one transaction, reads frames.

Takes table contracts (`features.tables.Table`) and Polars frames, gives Polars frames in
the order of each table's key. Rows are appended, or deleted and inserted within one
transaction; there are no primary keys or indexes, and nothing is inserted row by row.
Does not belong here: which tables there are (`store_tables`), when to write them
(`ingest`, `assess`), how readers get their copy (`publish`).
"""

from __future__ import annotations

import uuid
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import duckdb
import polars as pl

from pipeline.schema_versions import schema_version
from pipeline.store_faults import StoreError, StoreLockedError, other_version, store_fault
from pipeline.store_files import put_in_place, remove_store
from pipeline.store_schema import (
    STORE_FACTS,
    carrying,
    creation,
    literal,
    quoted,
    schema_fingerprint,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from pathlib import Path
    from types import TracebackType
    from typing import Self

    from features.tables import Table

# The name by which the statements that carry rows over call the store they come from.
_EARLIER = "earlier"

# The oldest DuckDB line whose files both supported lines can read.
STORAGE_VERSION = "v1.5.0"


@dataclass(frozen=True)
class StoreLimits:
    """What DuckDB may take of the machine."""

    memory_limit: str
    threads: int
    temp_folder: Path
    temp_limit: str

    @property
    def config(self) -> dict[str, str | bool | int | float | list[str]]:
        """The limits as DuckDB settings, with every way to fetch an extension closed."""
        return {
            "memory_limit": self.memory_limit,
            "threads": str(self.threads),
            "temp_directory": str(self.temp_folder),
            "max_temp_directory_size": self.temp_limit,
            "autoload_known_extensions": "false",
            "autoinstall_known_extensions": "false",
            "storage_compatibility_version": STORAGE_VERSION,
        }


@dataclass(frozen=True)
class Replacement:
    """Rows that take the place of others in one table.

    Every row whose column `by` holds one of `gone` is deleted, then `rows` are inserted.
    With `by` None the whole table is replaced.
    """

    table: Table
    rows: pl.DataFrame
    by: str | None = None
    gone: tuple[str, ...] = ()


def open_store(
    path: Path, tables: Sequence[Table], limits: StoreLimits, *, read_only: bool = False
) -> Warehouse:
    """The store at a path, created with its commented tables when it is not there yet.

    Raises
    ------
    StoreLockedError
        Another process holds the file open for writing.
    OlderStoreError
        The file was written with other tables than these; `migration` mends that.
    StoreError
        The file is no store, or of a newer version.
    """
    # without content: left behind by a process that ended before its first write
    is_new = not path.is_file() or not path.stat().st_size
    if is_new and read_only:
        raise StoreError(
            f"there is no store at {path}", "run `chillroster run` in the workspace first"
        )
    if is_new:
        make_store(path, tables, limits)
    warehouse = Warehouse(_connect(path, limits, read_only=read_only), path, tables)
    try:
        if not read_only and warehouse.is_blank:
            warehouse.create_tables()
        else:
            warehouse.check_schema()
    except BaseException:
        warehouse.close()
        raise
    return warehouse


def make_store(
    path: Path,
    tables: Sequence[Table],
    limits: StoreLimits,
    *,
    earlier: Path | None = None,
    fill: Callable[[Warehouse], None] | None = None,
) -> None:
    """Make a store with its tables, whole from the first moment that it is at its path.

    `fill` may put rows into it before; the closed store `earlier`, which may lie at the same
    path, is then there to be read by `Warehouse.carry_over`.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(path.name + ".unfinished")
    remove_store(unfinished)
    try:
        connection = _connect(unfinished, limits, read_only=False, earlier=earlier)
        with Warehouse(connection, path, tables) as store:
            store.create_tables()
            if fill is not None:
                fill(store)
            store.checkpoint()
        put_in_place(unfinished, path)
    finally:
        remove_store(unfinished)


def settle_store(path: Path, limits: StoreLimits) -> None:
    """Write what the journal of a store holds into the store itself, whatever its tables."""
    with Warehouse(_connect(path, limits, read_only=False), path, ()) as store:
        store.checkpoint()


class Warehouse:
    """An open store: a frozen set of tables over one connection. Use as a context manager."""

    def __init__(
        self, connection: duckdb.DuckDBPyConnection, path: Path, tables: Sequence[Table]
    ) -> None:
        self.path = path
        self._connection = connection
        self._tables = {table.name: table for table in (*tables, STORE_FACTS)}
        self._fingerprint = schema_fingerprint(tables)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection; what was committed stays."""
        self._connection.close()

    @property
    def tables(self) -> tuple[Table, ...]:
        """The tables of the store, without its facts about itself."""
        return tuple(table for table in self._tables.values() if table is not STORE_FACTS)

    @property
    def is_blank(self) -> bool:
        """True means: the file holds no table, as after an end before the first commit."""
        count = "SELECT count(*) FROM duckdb_tables()"
        with _faults_told(self.path):
            return bool(self._connection.execute(count).fetchall()[0][0] == 0)

    def create_tables(self) -> None:
        """Create every table with its comments, and note the schema."""
        with _faults_told(self.path), self._transaction():
            for table in self._tables.values():
                for statement in creation(table):
                    self._connection.execute(statement)
            facts = {
                "schema": self._fingerprint,
                "schema_version": str(schema_version(self._fingerprint)),
                "generation": "0",
                "identity": uuid.uuid4().hex,
            }
            rows = pl.DataFrame({"fact": list(facts), "value": list(facts.values())})
            self._insert(STORE_FACTS, rows)

    def carry_over(self) -> None:
        """Take over the rows of the attached earlier store, column by column.

        A column that it lacks stays null, one that is gone is left behind, one of another
        type is converted, null where that cannot be. A table that lacks a column of the key
        stays empty: its rows could not be told apart.
        """
        with _faults_told(self.path), self._transaction():
            for table in self.tables:
                statement = carrying(table, self._earlier_columns(table.name), _EARLIER)
                if statement is not None:
                    self._connection.execute(statement)

    def _earlier_columns(self, table: str) -> set[str]:
        rows = self._connection.execute(
            "SELECT column_name FROM duckdb_columns() WHERE database_name = $1 AND table_name = $2",
            [_EARLIER, table],
        ).fetchall()
        return {str(row[0]) for row in rows}

    def check_schema(self) -> None:
        """Refuse a file that holds other tables than these.

        Raises
        ------
        OlderStoreError
            The file is a store of this tool with other tables.
        StoreError
            The file is no store of this tool, or of a newer version of it.
        """
        try:
            found = self.fact("schema")
        except (duckdb.CatalogException, duckdb.BinderException):
            found = "none"
        if found == "none":
            raise StoreError(
                f"the file {self.path} is no store of chillroster",
                "move it away and run the command again",
            )
        if found != self._fingerprint:
            noted = self.fact("schema_version")
            version = int(noted) if noted.isdecimal() else 0
            raise other_version(self.path, version, schema_version(self._fingerprint))

    def fact(self, name: str) -> str:
        """One fact about the store, by name."""
        # an unfinished result would block the connection, so all rows are fetched
        with _faults_told(self.path):
            rows = self._connection.execute(
                "SELECT value FROM store_facts WHERE fact = $1", [name]
            ).fetchall()
        return str(rows[0][0]) if rows else "none"

    @property
    def generation(self) -> int:
        """How many transactions have changed this store since it was made."""
        return int(self.fact("generation"))

    @property
    def state(self) -> str:
        """Which store this is and how often it changed; equal for a store and its copy only."""
        return f"{self.fact('identity')} {self.generation}"

    def replace(
        self, replacements: Sequence[Replacement], facts: Mapping[str, str] | None = None
    ) -> int:
        """Apply all replacements in one transaction; returns the number of rows written.

        Either every replacement is stored or none is. `facts` are noted in the same
        transaction: short texts that say what the tables were made from.
        """
        with _faults_told(self.path), self._transaction():
            n_rows = sum(self._replace_one(replacement) for replacement in replacements)
            noted = {**(facts or {}), "generation": str(self.generation + 1)}
            rows = pl.DataFrame({"fact": list(noted), "value": list(noted.values())})
            self._replace_one(Replacement(STORE_FACTS, rows, "fact", tuple(noted)))
        return n_rows

    def read(self, name: str) -> pl.DataFrame:
        """All rows of a table, in the order of its key."""
        return self._select(name, "", [])

    def read_where(self, name: str, column: str, values: Sequence[str]) -> pl.DataFrame:
        """The rows of a table whose column holds one of the values, in the order of its key."""
        return self._select(name, f"WHERE {quoted(column)} IN (SELECT unnest($1))", [list(values)])

    def counts(self) -> dict[str, int]:
        """Rows per table."""
        return {table.name: self._count(table.name) for table in self.tables}

    def checkpoint(self) -> None:
        """Write everything committed into the one database file, leaving no journal beside it."""
        with _faults_told(self.path):
            self._connection.execute("CHECKPOINT")

    def _count(self, name: str) -> int:
        statement = f"SELECT count(*) FROM {self._known(name)}"  # noqa: S608 - a declared table name
        return int(self._connection.execute(statement).fetchall()[0][0])

    def _select(self, name: str, where: str, parameters: list[Any]) -> pl.DataFrame:
        table = self._tables[name]
        columns = ", ".join(quoted(column.name) for column in table.columns)
        order = ", ".join(quoted(key) for key in table.key)
        statement = f"SELECT {columns} FROM {self._known(name)} {where} ORDER BY {order}"  # noqa: S608 - declared names only
        with _faults_told(self.path):
            frame: pl.DataFrame = self._connection.sql(statement, params=parameters).pl()
        return table.conform(frame)

    def _known(self, name: str) -> str:
        return quoted(self._tables[name].name)

    def _replace_one(self, replacement: Replacement) -> int:
        name = self._known(replacement.table.name)
        if replacement.by is None:
            self._connection.execute(f"DELETE FROM {name}")  # noqa: S608 - a declared table name
        elif replacement.gone:
            self._connection.execute(
                f"DELETE FROM {name} WHERE {quoted(replacement.by)} IN (SELECT unnest($1))",  # noqa: S608 - declared names only
                [list(replacement.gone)],
            )
        self._insert(replacement.table, replacement.rows)
        return replacement.rows.height

    def _insert(self, table: Table, rows: pl.DataFrame) -> None:
        if rows.is_empty():
            return
        self._connection.register("incoming", table.conform(rows))
        try:
            self._connection.execute(
                f"INSERT INTO {self._known(table.name)} BY NAME SELECT * FROM incoming"  # noqa: S608 - a declared table name
            )
        finally:
            self._connection.unregister("incoming")

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self._connection.execute("BEGIN TRANSACTION")
        try:
            yield
        except BaseException:
            # DuckDB has already rolled back when the failing statement was its own
            with suppress(duckdb.Error):
                self._connection.execute("ROLLBACK")
            raise
        self._connection.execute("COMMIT")


def _connect(
    path: Path, limits: StoreLimits, *, read_only: bool, earlier: Path | None = None
) -> duckdb.DuckDBPyConnection:
    if "?" in str(path):
        raise StoreError(
            f"the path {path} holds a question mark, which the database takes for something else",
            "rename the folder",
        )
    try:
        with _faults_told(path):
            connection = duckdb.connect(str(path), read_only=read_only, config=limits.config)
    except duckdb.IOException as error:
        if "set lock" in str(error).lower():
            raise StoreLockedError(
                f"another program has {path} open",
                f"close it, or wait; to query the data yourself open the published copy "
                f"warehouse.duckdb, not {path.name}",
            ) from error
        raise StoreError(
            f"{path} cannot be opened as a store: {_first_line(error)}",
            "if the file is damaged, move it away and run `chillroster rebuild`",
        ) from error
    if earlier is not None:
        with _faults_told(earlier):
            connection.execute(f"ATTACH {literal(str(earlier))} AS {_EARLIER} (READ_ONLY)")
    # text that came from a log or the registry never reaches SQL, and could not reach a file
    for setting in (
        "TimeZone = 'UTC'",
        "enable_external_access = false",
        "lock_configuration = true",
    ):
        connection.execute(f"SET {setting}")
    return connection


@contextmanager
def _faults_told(path: Path) -> Iterator[None]:
    """Turn those errors of the database that a person can mend into a `StoreError`."""
    try:
        yield
    except duckdb.Error as error:
        fault = store_fault(path, str(error))
        if fault is None:
            raise
        raise fault from error


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]
