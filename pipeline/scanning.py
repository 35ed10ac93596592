"""The fast path: all text logs of one layout read by one scan.

Takes recognised logs of one form, gives raw rows and the logs that the scan cannot read,
found by halving the batch, so that one bad file costs only itself. Does not belong here:
explaining what is wrong with such a file (`careful`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.clocks import seconds
from pipeline.raw_logs import NO_READING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from pipeline.clocks import TimeUse
    from pipeline.layouts import Layout
    from pipeline.raw_logs import Field

# Errors by which a scan says that some file is not as the others; a damaged Parquet file
# can make the reader panic, which is no ordinary exception.
SCAN_ERRORS = (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError)


def scan_logs(
    files: dict[int, Path], layout: Layout, time: TimeUse, fields: Sequence[Field], *, zone: str
) -> tuple[pl.DataFrame, list[int]]:
    """Raw rows of the logs that scan, in file order, and the positions of those that do not.

    Parameters
    ----------
    files
        Path by position in the batch.
    layout, time, fields
        What the files share.
    zone
        Time zone of timestamps without an offset.
    """

    def read(positions: list[int]) -> pl.DataFrame:
        raw = _scan([files[one] for one in positions], layout, time, fields)
        return _with_seconds(raw, positions, files, time, zone)

    parts, culprits = read_halving(sorted(files), read)
    rows = pl.concat(parts) if parts else pl.DataFrame(schema=raw_schema(fields))
    rows, unclear = without_unclear(rows, fields)
    return rows, sorted(culprits + unclear)


def _scan(
    paths: Sequence[Path], layout: Layout, time: TimeUse, fields: Sequence[Field]
) -> pl.DataFrame:
    """The text of the files as columns `path`, `time` and values; any bad cell raises."""
    names = {time.index: "time", **{field.index: field.column for field in fields}}
    types = {field.index: field.dtype for field in fields}
    types[time.index] = pl.String() if time.is_text else pl.Float64()
    # columns that are not selected are not parsed
    schema = {
        names.get(index, f"passed_over_{index}"): types.get(index, pl.String())
        for index in range(layout.n_fields)
    }
    wanted = ["path", "time", *(field.column for field in fields)]

    def read(missing: list[str] | None) -> pl.DataFrame:
        scan = pl.scan_csv(
            list(paths),
            has_header=False,
            schema=schema,
            separator=layout.delimiter,
            decimal_comma=layout.decimal_comma,
            skip_lines=layout.lines_before_data,
            null_values=missing,
            # where no cell is quoted, a stray quote must not swallow the lines below it
            quote_char='"' if layout.has_quotes else None,
            include_file_paths="path",
            glob=False,
        )
        return scan.select(wanted).collect()

    try:
        return read(None)
    except pl.exceptions.PolarsError:
        # looking for marks of a missing reading costs time, so only after a failure
        return read(list(NO_READING))


def read_halving(
    positions: list[int], read: Callable[[list[int]], pl.DataFrame]
) -> tuple[list[pl.DataFrame], list[int]]:
    """What `read` gives for logs read together, in order, and the logs on which it fails.

    A batch that fails is halved until the files that fail stand alone.
    """
    parts: list[pl.DataFrame] = []
    culprits: list[int] = []
    waiting = [positions] if positions else []
    while waiting:
        together = waiting.pop()
        try:
            parts.append(read(together))
        except SCAN_ERRORS:
            if len(together) == 1:
                culprits += together
            else:
                middle = len(together) // 2
                waiting += [together[middle:], together[:middle]]
    return parts, culprits


def raw_schema(fields: Sequence[Field]) -> dict[str, pl.DataType]:
    """The schema of a raw frame with these fields."""
    values = {field.column: field.dtype for field in fields}
    return {"file": pl.Int32(), "seconds": pl.Float64(), **values}


def _with_seconds(
    raw: pl.DataFrame, positions: list[int], files: dict[int, Path], time: TimeUse, zone: str
) -> pl.DataFrame:
    shown = [str(files[one]) for one in positions]
    file = pl.col("path").replace_strict(shown, positions, return_dtype=pl.Int32).alias("file")
    values = pl.exclude("path", "time")
    return raw.select(file, seconds(pl.col("time"), time, zone).alias("seconds"), values)


def without_unclear(rows: pl.DataFrame, fields: Sequence[Field]) -> tuple[pl.DataFrame, list[int]]:
    """Rows without blank ones, and the positions of files with a row that has no time.

    Those files are left to the careful path, which counts such rows and names their lines.
    """
    timeless = rows["seconds"].is_null() | ~rows["seconds"].is_finite()
    if not timeless.any():
        return rows, []
    values = [pl.col(field.column).is_not_null() for field in fields]
    is_filled = rows.select(pl.any_horizontal(values).alias("filled"))["filled"]
    unclear = rows.filter(timeless & is_filled)["file"].unique().to_list()
    return rows.filter(~timeless & ~rows["file"].is_in(unclear)), unclear
