"""The one intermediate form of every log: raw wide rows, units not yet converted.

A raw frame has the columns `file` (position of the log in its batch), `seconds` (see
`clocks.seconds`) and one column per column used, named by `value_name`. Every reader
gives this form, whatever the file was; `conversion` takes it. Does not belong here:
reading files, units.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import polars as pl

from pipeline.refusals import NOTICES, REFUSALS, LogRefusedError, Objection, objections_frame

if TYPE_CHECKING:
    from pipeline.clocks import TimeUse
    from pipeline.column_plans import ColumnPlan
    from pipeline.layouts import Layout
    from pipeline.log_requests import LogRequest
    from pipeline.profiles import Profile


@dataclass(frozen=True)
class WideRows:
    """Raw wide rows of logs that share one column plan."""

    rows: pl.DataFrame
    plan: ColumnPlan
    files: tuple[int, ...]


@dataclass(frozen=True)
class LogForm:
    """What logs must share to be read together: profile, time column and text layout.

    `layout` is None for Parquet; `types` are then its columns and their types.
    """

    profile_name: str
    time: TimeUse
    layout: Layout | None = None
    types: tuple[tuple[str, pl.DataType], ...] = ()


@dataclass(frozen=True)
class LogGroup:
    """Recognised logs of one form: profile, form, and the requests by position in the batch."""

    profile: Profile
    form: LogForm
    requests: dict[int, LogRequest]


@dataclass(frozen=True)
class Field:
    """A column to read from a file, as words or as numbers, before it has a meaning.

    `unit` is the unit text glued to its values, if any; `accepts_bare` says that a value
    without it is in that unit too, because it is stated elsewhere as well.
    """

    index: int
    name: str
    is_text: bool = False
    unit: str = ""
    accepts_bare: bool = True

    @property
    def column(self) -> str:
        """Its column in a raw frame."""
        return value_name(self.index)

    @property
    def dtype(self) -> pl.DataType:
        """The type of that column."""
        return pl.String() if self.is_text else pl.Float64()


def fields_of(plan: ColumnPlan) -> tuple[Field, ...]:
    """The fields that a plan reads."""
    return tuple(Field(use.index, use.name, use.is_text) for use in plan.uses)


@dataclass
class Ledger:
    """What is said against the logs of a batch while it is read."""

    refusals: list[Objection] = field(default_factory=list)
    notices: list[Objection] = field(default_factory=list)

    def refuse(self, path: str, error: LogRefusedError) -> None:
        """Refuse a whole log."""
        self.refusals.append(error.objection(path))

    def frames(self) -> tuple[pl.DataFrame, pl.DataFrame]:
        """The tables `REFUSALS` and `NOTICES`."""
        return objections_frame(REFUSALS, self.refusals), objections_frame(NOTICES, self.notices)


def value_name(index: int) -> str:
    """The column of a raw frame that holds the column at a position of the file."""
    return f"value_{index}"
