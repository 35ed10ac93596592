"""A look at the start of a log: which profile reads it, and what its header states.

Takes a log request, gives the profile and the header's fields that the profile asks for;
reads no samples. Does not belong here: what the fields mean (`stated`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from pipeline.header_fields import Fields, mdf_metadata, named_fields, text_fields
from pipeline.json_logs import parse_opening
from pipeline.mdf_blocks import check_mdf, damaged_mdf
from pipeline.mdf_logs import open_mdf, profile_of, signals_of
from pipeline.openings import open_text
from pipeline.parquet_logs import damaged_parquet, recognise_parquet
from pipeline.recognition import candidates, fits_names
from pipeline.refusals import LogRefusedError
from pipeline.scanning import SCAN_ERRORS
from pipeline.text_logs import open_recognised
from pipeline.workspace import kind_of

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.log_requests import Door, LogRequest
    from pipeline.profiles import Profile


@dataclass(frozen=True)
class Peek:
    """The profile that reads a log, and the fields of its header that the profile names."""

    profile: Profile
    fields: Fields


def peek(request: LogRequest, door: Door, scratch: Path) -> Peek:
    """The profile of a log and what its header states.

    Raises
    ------
    LogRefusedError
        The log is not recognised, or cannot be opened.
    """
    kind = kind_of(request.file.name)
    if kind == "text":
        return _peek_text(request, door, scratch)
    if kind == "json":
        return _peek_json(request, door, scratch)
    if kind == "parquet":
        return _peek_parquet(request, door)
    return _peek_mdf(request, door)


def _peek_text(request: LogRequest, door: Door, scratch: Path) -> Peek:
    opening, recognised = open_recognised(request, door, scratch)
    layout, wanted = recognised.found.layout, recognised.profile.from_header
    lines = opening.lines[: layout.lines_before_data]
    return Peek(recognised.profile, text_fields(lines, layout.names, wanted))


def _peek_json(request: LogRequest, door: Door, scratch: Path) -> Peek:
    opening = open_text(request, scratch, door.largest_bytes)
    profiles = candidates(door.profiles, "json", request.profile)
    table = parse_opening(opening, profiles, door.largest_bytes)
    names = [name for name, _ in table.keys]
    profile = next((one for one in profiles if fits_names(one, names)), None)
    if profile is None or not names:
        raise LogRefusedError(
            "profile_mismatch", "no profile fits its keys", hint="Write a profile."
        )
    return Peek(profile, named_fields(table.header, profile.from_header))


def _peek_parquet(request: LogRequest, door: Door) -> Peek:
    profile, _ = recognise_parquet(request, door)
    if not profile.from_header:
        return Peek(profile, {})
    try:
        stated = pl.read_parquet_metadata(request.file)
    except SCAN_ERRORS as error:
        raise damaged_parquet() from error
    return Peek(profile, named_fields(stated, profile.from_header))


def _peek_mdf(request: LogRequest, door: Door) -> Peek:
    check_mdf(request.file, door.largest_bytes)
    try:
        with open_mdf(request.file) as mdf:
            profile = profile_of(signals_of(mdf), request, door)
            return Peek(profile, named_fields(mdf_metadata(mdf), profile.from_header))
    except (LogRefusedError, MemoryError):
        raise
    except Exception as error:  # the library raises whatever damage makes it raise
        raise damaged_mdf(f"its library says {type(error).__name__}") from error
