"""The fast path: all text logs of one layout read by one scan.

Takes recognised logs of one form, gives raw rows and the logs that are left to the
careful path. A scan straight to numbers reads a sound batch. Where it fails, the same
batch is scanned once more as text, which tells every log with an odd cell or row at once;
only a batch that cannot even be read as text is halved. So one bad file costs only
itself. Does not belong here: explaining what is wrong with such a file (`careful`).
"""

from __future__ import annotations

from itertools import islice
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from pipeline.clocks import seconds
from pipeline.header_lines import is_comment, split_cells
from pipeline.number_texts import NumberForm, read_numbers
from pipeline.text_rows import read_cells

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
    culprits: set[int] = set()

    def read(positions: list[int]) -> pl.DataFrame:
        paths = [files[one] for one in positions]
        if not layout.is_written:
            try:
                raw = _number(_scan(paths, layout, time, fields), paths, positions)
            except pl.exceptions.PolarsError:
                pass
            else:
                timed = raw.with_columns(seconds(pl.col("time"), time, zone).alias("seconds"))
                culprits.update(_short(timed, files, layout, fields))
                return timed.select(raw_schema(fields).keys())
        texts = _number(_scan(paths, layout, time, fields, as_text=True), paths, positions)
        rows, odd = _from_texts(texts, layout, time, fields, zone)
        culprits.update(odd, _short(texts, files, layout, fields))
        return rows

    parts, broken = read_halving(sorted(files), read)
    rows = pl.concat(parts) if parts else pl.DataFrame(schema=raw_schema(fields))
    rows, unclear = without_unclear(rows, fields)
    culprits.update(broken, unclear)
    if culprits:
        rows = rows.filter(~pl.col("file").is_in(list(culprits)))
    return rows, sorted(culprits)


def _scan(
    paths: Sequence[Path],
    layout: Layout,
    time: TimeUse,
    fields: Sequence[Field],
    *,
    as_text: bool = False,
) -> pl.DataFrame:
    """The files as columns `path`, `time`, values, `last` and, as text, `beyond`.

    `last` is the last column that has a name, `beyond` what a row has after its last
    column. Straight to numbers, any cell that is no number raises.
    """
    names = {time.index: "time", **{field.index: field.column for field in fields}}
    types: dict[int, pl.DataType] = {time.index: pl.String() if time.is_text else pl.Float64()}
    types |= {field.index: field.dtype for field in fields}
    last = names.setdefault(layout.n_least - 1, "last")
    # columns that are not selected are not parsed
    schema: dict[str, pl.DataType] = {
        names.get(index, f"passed_over_{index}"): pl.String()
        if as_text
        else types.get(index, pl.String())
        for index in range(layout.n_fields)
    }
    wanted = ["path", *dict.fromkeys(["time", *(field.column for field in fields), last])]
    if as_text:
        schema["beyond"] = pl.String()
        wanted.append("beyond")
    scan = pl.scan_csv(
        list(paths),
        has_header=False,
        schema=schema,
        separator=layout.delimiter,
        decimal_comma=layout.decimal_comma and not as_text,
        skip_lines=layout.lines_before_data,
        comment_prefix=layout.comment_mark or None,
        # where no cell is quoted, a stray quote must not swallow the lines below it
        quote_char='"' if layout.has_quotes else None,
        encoding="utf8-lossy" if as_text else "utf8",
        truncate_ragged_lines=as_text,
        missing_columns="insert" if as_text else "raise",
        include_file_paths="path",
        glob=False,
    )
    return scan.select(wanted).collect()


def _number(raw: pl.DataFrame, paths: Sequence[Path], positions: list[int]) -> pl.DataFrame:
    """The rows with the position of their log instead of its path."""
    shown = [str(path) for path in paths]
    # file by file: the path needs to be looked up only where it changes
    runs = raw["path"].rle().struct.unnest()
    files = runs["value"].replace_strict(shown, positions, return_dtype=pl.Int32).to_numpy()
    file = pl.Series("file", np.repeat(files, runs["len"].to_numpy()), pl.Int32)
    return raw.select(file, pl.exclude("path"))


def _from_texts(
    texts: pl.DataFrame, layout: Layout, time: TimeUse, fields: Sequence[Field], zone: str
) -> tuple[pl.DataFrame, set[int]]:
    """Raw rows of cells read as text, and the logs with a cell or a row that is odd."""
    form = number_form(layout)
    odd = texts.select(pl.col("beyond").is_not_null().alias("is_odd"))["is_odd"]
    columns = [texts["file"], _seconds_of(texts["time"], layout, time, zone)]
    for field in fields:
        read = read_cells(texts[field.column], field, form)
        odd |= read.is_bad
        columns.append(read.values)
    return pl.DataFrame(columns), set(texts["file"].filter(odd).to_list())


def _seconds_of(cells: pl.Series, layout: Layout, time: TimeUse, zone: str) -> pl.Series:
    """The time cells as the seconds that they mean."""
    if not time.is_text:
        cells = read_numbers(cells, time_form(layout, time)).values
    frame = cells.rename("time").to_frame()
    return frame.select(seconds(pl.col("time"), time, zone).alias("seconds")).to_series()


def number_form(layout: Layout) -> NumberForm:
    """How the numbers of a layout are written, but for the units glued to them."""
    return NumberForm(layout.decimal_comma, layout.thousands, no_reading=layout.no_reading)


def time_form(layout: Layout, time: TimeUse) -> NumberForm:
    """How the numbers of the time column are written."""
    unit = layout.glued[time.index] if layout.glued else ""
    return NumberForm(layout.decimal_comma, layout.thousands, unit)


def _short(
    rows: pl.DataFrame, files: dict[int, Path], layout: Layout, fields: Sequence[Field]
) -> set[int]:
    """The logs with a row that ends before the last column that has a name.

    Only logs in which that column has an empty cell need to be looked at.
    """
    if layout.fills_short:
        return set()
    taken = {field.index: field.column for field in fields}
    last = taken.get(layout.n_least - 1, "last" if "last" in rows.columns else "time")
    suspects = rows.filter(pl.col(last).is_null())["file"].unique().to_list()
    return {file for file in suspects if has_short_row(files[file], layout)}


def has_short_row(path: Path, layout: Layout) -> bool:
    """True means: some row that is no comment has too few fields."""
    with path.open("rb") as stream:
        below = islice(stream, layout.lines_before_data, None)
        return any(_is_short(line, layout) for line in below)


def _is_short(line: bytes, layout: Layout) -> bool:
    if b'"' not in line and line.count(layout.delimiter.encode()) >= layout.n_least - 1:
        return False
    text = line.decode(errors="replace").strip("\r\n\0 ")
    is_row = bool(text) and not is_comment(text, layout.delimiter, layout.comment_mark)
    return is_row and len(split_cells(text, layout.delimiter)) < layout.n_least


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
