"""Which Parquet types can carry a reading, and what is said of columns that cannot.

A date or a truth value can be cast to a number, but the number means nothing: such
columns are refused. Takes column plans and types, gives plans with refusals; or refuses
the log. Does not belong here: reading the files (`parquet_logs`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import polars as pl

from pipeline.column_plans import ColumnPlan, ColumnRemark
from pipeline.refusals import LogRefusedError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.raw_logs import Field

Types = tuple[tuple[str, pl.DataType], ...]

# A column of nothing but nulls is typed as such; its cells are missing, not wrong.
_WORDS = (pl.String, pl.Categorical, pl.Enum, pl.Binary, pl.Null)
_TIMES = (pl.Datetime, pl.Time, pl.Duration)


def holds_numbers(dtype: pl.DataType) -> bool:
    """True means: the cells are numbers, or texts that may be numbers."""
    return dtype.is_numeric() or isinstance(dtype, _WORDS)


def without_unfit(plan: ColumnPlan, types: Types) -> ColumnPlan:
    """The plan with those columns refused whose type cannot carry their channel."""
    kept, refused = [], []
    for use in plan.uses:
        dtype = types[use.index][1]
        # on and off may be stored as truth values
        fits = holds_numbers(dtype) or (use.is_text and dtype == pl.Boolean)
        if fits:
            kept.append(use)
        else:
            refused.append(_no_numbers(use.name, dtype))
    return replace(plan, uses=tuple(kept), refused=(*plan.refused, *refused))


def require_plain_cells(fields: Sequence[Field], types: Types) -> None:
    """Refuse a long file whose channel, unit or value is of a type that cannot be one.

    Raises
    ------
    LogRefusedError
        Naming the column and its type.
    """
    for field in fields:
        name, dtype = types[field.index]
        if not holds_numbers(dtype):
            remark = _no_numbers(name, dtype)
            place = f"column {name}"
            raise LogRefusedError(remark.code, remark.sentence, place=place, hint=remark.hint)


def require_time(name: str, dtype: pl.DataType) -> None:
    """Refuse a log whose time column is of a type that cannot be a time.

    Raises
    ------
    LogRefusedError
        Naming the column and its type.
    """
    if not (holds_numbers(dtype) or isinstance(dtype, _TIMES)):
        raise LogRefusedError(
            "time_unreadable",
            f"The time column holds neither times nor numbers: its type is {dtype}.",
            place=f"column {name}",
            hint="Write it as a timestamp, as a duration, or as seconds.",
        )


def _no_numbers(name: str, dtype: pl.DataType) -> ColumnRemark:
    return ColumnRemark(
        name,
        "not_numbers",
        f"The column does not hold readings: its type is {dtype}.",
        "Write one number per row into it.",
    )
