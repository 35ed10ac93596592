"""Text logs: sorting them into groups of one form, and reading a group.

Takes log requests, gives groups; takes a group, gives raw wide rows. Does not belong
here: the scan (`scanning`), single bad files (`careful`), Parquet (`parquet_logs`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import polars as pl

from pipeline.careful import CarefulTask, read_carefully
from pipeline.clocks import unwrap_midnight
from pipeline.column_plans import plan_columns
from pipeline.header_lines import BLANKS
from pipeline.log_lines import is_cut
from pipeline.long_logs import find_long_columns, label_long, split_units, widen, without_restarts
from pipeline.openings import Opening, look_deeper, open_text, split_lines
from pipeline.plain_texts import tabbed, with_tabs
from pipeline.raw_logs import Ledger, LogForm, LogGroup, WideRows, fields_of
from pipeline.recognition import Recognised, recognise_text
from pipeline.refusals import LogRefusedError, not_readable
from pipeline.scanning import number_form, scan_logs

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from pipeline.column_plans import ColumnPlan
    from pipeline.log_requests import Door, LogRequest
    from pipeline.profiles import Profile
    from pipeline.raw_logs import Field


@dataclass
class TextGroup:
    """Recognised text logs of one form; those in `with_care` are not scanned with the others."""

    profile: Profile
    form: LogForm
    openings: dict[int, Opening] = field(default_factory=dict)
    with_care: set[int] = field(default_factory=set)

    @property
    def group(self) -> LogGroup:
        """The same without the openings."""
        requests = {file: opening.request for file, opening in self.openings.items()}
        return LogGroup(self.profile, self.form, requests)

    @property
    def paths(self) -> dict[int, str]:
        """The logs as the registry calls them, by position."""
        return {file: opening.request.path for file, opening in self.openings.items()}


def sort_text_logs(
    requests: Mapping[int, LogRequest], door: Door, scratch: Path, ledger: Ledger
) -> list[TextGroup]:
    """Groups of the logs that were recognised; the others are refused in the ledger."""
    groups: dict[LogForm, TextGroup] = {}
    for file, request in requests.items():
        try:
            opening, recognised = open_recognised(request, door, scratch)
        except LogRefusedError as error:
            ledger.refuse(request.path, error)
            continue
        layout = recognised.found.layout
        form = LogForm(recognised.profile.name, recognised.time, layout)
        group = groups.setdefault(form, TextGroup(recognised.profile, form))
        group.openings[file] = opening
        if is_cut(opening.tail, layout):
            group.with_care.add(file)
    return list(groups.values())


def open_recognised(request: LogRequest, door: Door, scratch: Path) -> tuple[Opening, Recognised]:
    """A log opened and recognised, with a mark between columns that a scan knows.

    Raises
    ------
    LogRefusedError
        It cannot be opened, or no profile fits it.
    """
    opening = open_text(request, scratch, door.largest_bytes, door.highest_packing_ratio)
    try:
        recognised = recognise_text(opening, door.profiles, request.profile)
    except LogRefusedError:
        if opening.is_whole:
            raise
        opening = look_deeper(opening)
        recognised = recognise_text(opening, door.profiles, request.profile)
    layout = recognised.found.layout
    if layout.delimiter != BLANKS:
        return opening, recognised
    try:
        plain = with_tabs(opening.plain, opening.encoding, scratch)
    except OSError as error:
        raise not_readable(error) from error
    found = replace(recognised.found, layout=replace(layout, delimiter="\t"))
    tail = "\n".join(tabbed(line) for line in split_lines(opening.tail))
    straight = replace(opening, plain=plain, tail=tail, encoding="utf-8-sig", is_rewritten=True)
    return straight, replace(recognised, found=found)


def read_text_group(group: TextGroup, door: Door, ledger: Ledger) -> Iterator[WideRows]:
    """Raw wide rows of the logs of a group; logs that cannot be read are refused."""
    layout = group.form.layout
    if layout is None:
        raise TypeError("a group of text logs has a layout")
    long = find_long_columns(layout.names, group.profile)
    if long is not None:
        glued = bool(layout.glued[long.value])
        raw = _read_fields(group, long.fields_with(glued=glued), door, ledger)
        if group.form.time.format_code == "clock":
            # rows are put in order of time below, so midnight must be known before
            raw = raw.with_columns(unwrap_midnight(pl.col("seconds"), "file"))
        rows = label_long(raw, long)
        if glued:
            rows, remarks = split_units(rows, number_form(layout), group.paths)
            ledger.notices += remarks
        yield from widen(without_restarts(rows, group.paths, ledger), group.profile)
        return
    skipped = {group.form.time.index}
    plan = plan_columns(group.profile, layout.names, layout.unit_texts, skipped, layout.glued)
    rows = _read_fields(group, _fields(plan, group), door, ledger) if plan.uses else pl.DataFrame()
    refused = {objection.path for objection in ledger.refusals if objection.column_name is None}
    files = [file for file, one in group.openings.items() if one.request.path not in refused]
    yield WideRows(rows, plan, tuple(files))


def _fields(plan: ColumnPlan, group: TextGroup) -> tuple[Field, ...]:
    """The fields that a plan reads, with the units glued to their values."""
    layout = group.form.layout
    if layout is None or not any(layout.glued):
        return fields_of(plan)
    # a value without its unit is in that unit only where something else states it too
    stated = plan_columns(group.profile, layout.names, layout.unit_texts, {group.form.time.index})
    known = {use.index for use in stated.uses}
    return tuple(
        replace(field, unit=layout.glued[field.index], accepts_bare=field.index in known)
        for field in fields_of(plan)
    )


def _read_fields(
    group: TextGroup, fields: tuple[Field, ...], door: Door, ledger: Ledger
) -> pl.DataFrame:
    """Raw rows in the order of the batch: scanned together, or with care one by one."""
    form = group.form
    if form.layout is None:
        raise TypeError("a group of text logs has a layout")
    plain = {
        file: opening.plain
        for file, opening in group.openings.items()
        if file not in group.with_care
    }
    scanned, culprits = scan_logs(plain, form.layout, form.time, fields, zone=door.time_zone)
    parts = [scanned]
    for file in sorted({*culprits, *group.with_care}):
        opening = group.openings[file]
        stated = "auto" if opening.is_rewritten else group.profile.text.encoding
        task = CarefulTask(
            opening.request.path, opening.plain, stated, form.layout, form.time, fields
        )
        try:
            careful = read_carefully(
                task, zone=door.time_zone, unreadable_share=door.unreadable_share
            )
        except LogRefusedError as error:
            ledger.refuse(opening.request.path, error)
            continue
        ledger.refusals += careful.refusals
        ledger.notices += careful.notices
        position = pl.lit(file, pl.Int32).alias("file")
        parts.append(careful.rows.select(position, pl.all()))
    return pl.concat(parts)
