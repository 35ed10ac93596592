"""Long form: one row per time and channel, turned into wide rows.

Takes raw long rows (columns `file`, `seconds`, `label`, `value`), gives raw wide rows,
per set of labels, with the column plan that the labels mean. Does not belong here:
reading files, deciding what one label means (`column_plans`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from pipeline.clocks import find_time_column
from pipeline.column_plans import plan_columns
from pipeline.headers import CHANNEL_NAMES, UNIT_NAMES, VALUE_NAMES, is_header
from pipeline.number_texts import GLUED_PATTERN, read_numbers
from pipeline.raw_logs import Field, WideRows, value_name
from pipeline.text_rows import notice
from pipeline.time_checks import refuse_restarts

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import numpy.typing as npt

    from pipeline.number_texts import NumberForm
    from pipeline.profiles import Profile
    from pipeline.raw_logs import Ledger
    from pipeline.refusals import Objection

# stands between a label and the unit that was glued to its values; no logger writes it
_UNIT_MARK = "\x1f"


@dataclass(frozen=True)
class LongColumns:
    """Positions of the columns of a long file; `unit` is None where there is none."""

    time: int
    channel: int
    value: int
    unit: int | None

    @property
    def fields(self) -> tuple[Field, ...]:
        """What to read from the file besides the time."""
        words = [self.channel] if self.unit is None else [self.channel, self.unit]
        texts = [Field(index, "channel", is_text=True) for index in words]
        return (*texts, Field(self.value, "value"))

    def fields_with(self, *, glued: bool) -> tuple[Field, ...]:
        """The same, the values as words where units are glued to them."""
        *words, value = self.fields
        return (*words, replace(value, is_text=glued))


def find_long_columns(names: Sequence[str], profile: Profile) -> LongColumns | None:
    """The columns of a long file by the profile or by their names, None for a wide file."""
    if profile.long is not None:
        channel = _position(names, profile.long.channel)
        value = _position(names, profile.long.value)
        unit = _position(names, profile.long.unit) if profile.long.unit else None
    else:
        channel = _first(names, CHANNEL_NAMES)
        value = _first(names, VALUE_NAMES)
        unit = _first(names, UNIT_NAMES)
    if channel is None or value is None:
        return None
    return LongColumns(find_time_column(names, profile.time), channel, value, unit)


def _position(names: Sequence[str], wanted: str) -> int | None:
    lower = [name.strip().lower() for name in names]
    return lower.index(wanted.strip().lower()) if wanted.strip().lower() in lower else None


def _first(names: Sequence[str], known: frozenset[str]) -> int | None:
    return next((index for index, name in enumerate(names) if is_header(name, known)), None)


def label_long(raw: pl.DataFrame, columns: LongColumns) -> pl.DataFrame:
    """Raw rows of a long file as `file`, `seconds`, `label`, `value`.

    A unit that stands in a column of its own is written behind the label in brackets.
    """
    label = pl.col(value_name(columns.channel)).str.strip_chars()
    if columns.unit is not None:
        unit = pl.col(value_name(columns.unit)).str.strip_chars()
        has_unit = unit.is_not_null() & (unit != "")
        label = pl.when(has_unit).then(pl.format("{} [{}]", label, unit)).otherwise(label)
    value = pl.col(value_name(columns.value)).alias("value")
    return raw.select("file", "seconds", label.alias("label"), value)


def split_units(
    rows: pl.DataFrame, form: NumberForm, paths: Mapping[int, str]
) -> tuple[pl.DataFrame, list[Objection]]:
    """Long rows whose values are texts such as `21.4 degC`, as numbers.

    The unit goes behind the label, where `widen` finds it. Unreadable values are null and
    counted per log.
    """
    text = rows["value"].rename("text").to_frame()
    parts = text.select(pl.col("text").str.extract_groups(GLUED_PATTERN).struct.unnest())
    read = read_numbers(parts.to_series(0).fill_null(rows["value"]).rename("value"), form)
    unit = parts.to_series(1).str.strip_chars()
    label = pl.when(unit.is_not_null()).then(pl.format("{}" + _UNIT_MARK + "{}", "label", unit))
    split = rows.with_columns(label.otherwise("label").alias("label"), read.values)
    bad = rows.filter(read.is_bad).group_by("file", maintain_order=True)
    remarks = [
        notice(
            paths[file],
            None,
            "few_unreadable_cells",
            f"{count} values are no numbers and count as missing: {first!r}.",
            "column of values",
        )
        for file, count, first in bad.agg(pl.len(), pl.col("value").first().alias("first")).rows()
    ]
    return split, remarks


def without_restarts(rows: pl.DataFrame, paths: Mapping[int, str], ledger: Ledger) -> pl.DataFrame:
    """The rows without those of logs whose clock starts again, which are refused."""
    refused = refuse_restarts(rows)
    for file, error in refused.items():
        ledger.refuse(paths[file], error)
    return rows.filter(~pl.col("file").is_in(list(refused))) if refused else rows


def widen(rows: pl.DataFrame, profile: Profile) -> Iterator[WideRows]:
    """Wide rows, one part per set of labels; within a log they come in order of time.

    The first value counts where a log has time and label twice. Rows without time, label
    or value carry nothing and are left out.
    """
    filled = rows.drop_nulls(["seconds", "label", "value"])
    labels = filled.group_by("file").agg(pl.col("label").unique().sort()).sort("file")
    for (names,), logs in labels.group_by("label", maintain_order=True):
        part = filled.filter(pl.col("file").is_in(logs["file"].to_list()))
        yield _widen_part(part, list(names), profile)


def _widen_part(part: pl.DataFrame, names: list[str], profile: Profile) -> WideRows:
    parts = [name.partition(_UNIT_MARK) for name in names]
    plan = plan_columns(profile, [part[0] for part in parts], [part[2] for part in parts])
    columns = {names[use.index]: number for number, use in enumerate(plan.uses)}
    column = pl.col("label").replace_strict(columns, default=None, return_dtype=pl.Int32)
    cells = _in_order(part.with_columns(column.alias("column")).drop_nulls("column"))
    is_new = _differs(cells["file"]) | _differs(cells["seconds"])
    table = _table(cells.with_columns((is_new.cum_sum() - 1).alias("row")), len(plan.uses))
    values = [
        pl.Series(value_name(use.index), table[:, number], nan_to_null=True).cast(
            pl.String if use.is_text else pl.Float64
        )
        for number, use in enumerate(plan.uses)
    ]
    wide = cells.filter(is_new).select("file", "seconds").with_columns(values)
    return WideRows(wide, plan, tuple(part["file"].unique().sort().to_list()))


def _table(cells: pl.DataFrame, n_columns: int) -> npt.NDArray[np.float64]:
    """Cells with `row`, `column` and `value` as a table; NaN where there is no cell."""
    n_rows = 0 if cells.is_empty() else int(cells["row"][-1]) + 1
    table = np.full(n_rows * n_columns, np.nan)
    place = (cells["row"] * n_columns + cells["column"]).alias("place")
    is_taken = np.zeros(table.size, dtype=bool)
    is_taken[place.to_numpy()] = True
    if np.count_nonzero(is_taken) < cells.height:
        cells = cells.with_columns(place).unique("place", keep="first", maintain_order=True)
        place = cells["place"]
    table[place.to_numpy()] = cells["value"].to_numpy()
    return table.reshape(n_rows, n_columns)


def _in_order(part: pl.DataFrame) -> pl.DataFrame:
    """The rows by log and time; loggers mostly write them so, and sorting takes long."""
    step, step_s = pl.col("file").diff(), pl.col("seconds").diff()
    goes_back = (step < 0) | ((step == 0) & (step_s < 0))
    if part.select(goes_back.any()).item():
        return part.sort("file", "seconds", maintain_order=True)
    return part


def _differs(values: pl.Series) -> pl.Series:
    """True where a value is not that of the row above; the first always is."""
    return values.ne_missing(values.shift())
