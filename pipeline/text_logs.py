"""Text logs: sorting them into groups of one form, and reading a group.

Takes log requests, gives groups; takes a group, gives raw wide rows. Does not belong
here: the scan (`scanning`), single bad files (`careful`), Parquet (`parquet_logs`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import polars as pl

from pipeline.careful import CarefulTask, is_cut, read_carefully
from pipeline.column_plans import plan_columns
from pipeline.long_logs import find_long_columns, label_long, widen
from pipeline.openings import Opening, open_text
from pipeline.raw_logs import Ledger, LogForm, LogGroup, WideRows, fields_of
from pipeline.recognition import recognise_text
from pipeline.refusals import LogRefusedError
from pipeline.scanning import scan_logs

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

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


def sort_text_logs(
    requests: Mapping[int, LogRequest], door: Door, scratch: Path, ledger: Ledger
) -> list[TextGroup]:
    """Groups of the logs that were recognised; the others are refused in the ledger."""
    groups: dict[LogForm, TextGroup] = {}
    for file, request in requests.items():
        try:
            opening = open_text(request, scratch, door.largest_bytes, door.highest_packing_ratio)
            recognised = recognise_text(opening, door.profiles, request.profile)
        except LogRefusedError as error:
            ledger.refuse(request.path, error)
            continue
        layout = recognised.found.layout
        form = LogForm(recognised.profile.name, recognised.time, layout)
        group = groups.setdefault(form, TextGroup(recognised.profile, form))
        group.openings[file] = opening
        if opening.needs_care or recognised.found.has_mixed_marks or is_cut(opening.tail, layout):
            group.with_care.add(file)
    return list(groups.values())


def read_text_group(group: TextGroup, door: Door, ledger: Ledger) -> Iterator[WideRows]:
    """Raw wide rows of the logs of a group; logs that cannot be read are refused."""
    layout = group.form.layout
    if layout is None:
        raise TypeError("a group of text logs has a layout")
    long = find_long_columns(layout.names, group.profile)
    if long is not None:
        raw = _read_fields(group, long.fields, door, ledger)
        yield from widen(label_long(raw, long), group.profile)
        return
    skipped = {group.form.time.index}
    plan = plan_columns(group.profile, layout.names, layout.unit_texts, skipped)
    rows = _read_fields(group, fields_of(plan), door, ledger) if plan.uses else pl.DataFrame()
    refused = {objection.path for objection in ledger.refusals if objection.column_name is None}
    files = [file for file, one in group.openings.items() if one.request.path not in refused]
    yield WideRows(rows, plan, tuple(files))


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
        stated = group.profile.text.encoding
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
