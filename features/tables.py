"""Table contracts: what a frame that crosses a folder border must look like.

Holds the two records `Column` and `Table`. A table is declared beside the function
that makes it (channels, screening, events, windows, catalogue, ...), and schemas,
database comments and axis titles derive from that declaration. Does not belong here:
the tables themselves, and anything that knows the database.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True)
class Column:
    """One column of a table.

    `unit` is the unit as printed to a reader ("kPa", "degC", "K", "%", "1"), the empty
    string for text, dates and truth values.
    """

    name: str
    dtype: pl.DataType
    unit: str
    meaning: str

    @property
    def comment(self) -> str:
        """The sentence stored with the database column: meaning, then unit."""
        return f"{self.meaning} [{self.unit}]" if self.unit else self.meaning


@dataclass(frozen=True)
class Table:
    """A named table: its grain ("one row per ..."), its key and its columns in order."""

    name: str
    grain: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]

    @property
    def schema(self) -> dict[str, pl.DataType]:
        """Column names and Polars types, in order."""
        return {column.name: column.dtype for column in self.columns}

    def empty(self) -> pl.DataFrame:
        """A frame of this table without rows."""
        return pl.DataFrame(schema=self.schema)

    def conform(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The frame with exactly this table's columns, in order and of the right types.

        Columns that the frame lacks come as nulls; columns that the table does not know
        are an error, because they would be lost silently.

        Raises
        ------
        ValueError
            The frame has a column that the table does not declare.
        """
        schema, known = self.schema, frame.schema
        if list(known.items()) == list(schema.items()):
            return frame
        unknown = [name for name in known if name not in schema]
        if unknown:
            raise ValueError(f"table {self.name} has no column {', '.join(unknown)}")
        if not known:
            # a select of nothing but nulls would make one row of them
            return self.empty()
        return frame.select(
            pl.lit(None, dtype).alias(name)
            if name not in known
            else (pl.col(name) if known[name] == dtype else pl.col(name).cast(dtype))
            for name, dtype in schema.items()
        )
