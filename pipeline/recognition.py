"""Which profile reads a log: the one that its registry row names, else the first that fits.

Takes an opened log and the profiles in order of trial, gives the profile with the layout
and the time column it finds. Does not belong here: what a profile states (`profiles`),
what the other columns mean (`column_plans`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.clocks import TimeUse, find_time_column, find_time_use
from pipeline.header_lines import find_untimed_header
from pipeline.layouts import FoundLayout, find_layout
from pipeline.number_texts import split_glued
from pipeline.problems import did_you_mean
from pipeline.refusals import LogRefusedError, header_only

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.openings import Opening
    from pipeline.profiles import Profile

# Column names quoted in a refusal.
_NAMES_SHOWN = 6


@dataclass(frozen=True)
class Recognised:
    """A text log with its profile, its layout and its time column."""

    profile: Profile
    found: FoundLayout
    time: TimeUse


def candidates(
    profiles: Sequence[Profile], kind: str, asked_for: str | None
) -> tuple[Profile, ...]:
    """The profiles to try on a file of a kind, in order.

    Raises
    ------
    LogRefusedError
        The profile asked for does not exist or is for the other kind of file.
    """
    if asked_for is None:
        return tuple(profile for profile in profiles if profile.kind == kind)
    named = tuple(profile for profile in profiles if profile.name == asked_for)
    if not named:
        raise LogRefusedError(
            "unknown_profile",
            f"The registry asks for the profile `{asked_for}`, which does not exist.",
            hint=did_you_mean(asked_for, [profile.name for profile in profiles]),
        )
    if named[0].kind != kind:
        raise _mismatch(named[0], f"it is for {named[0].kind} files and this is a {kind} file")
    return named


def recognise_text(
    opening: Opening, profiles: Sequence[Profile], asked_for: str | None
) -> Recognised:
    """The profile of a text log and what it finds there.

    Raises
    ------
    LogRefusedError
        No profile fits, or the log has no readable time or no data.
    """
    for profile in candidates(profiles, "text", asked_for):
        fits = _fits_first_line(profile, opening.lines[0])
        found = find_layout(opening.lines, profile) if fits else None
        if found is not None:
            return _with_time(profile, found, len(opening.lines))
        if asked_for is not None:
            raise _mismatch(profile, "its first lines are not as the profile says")
    raise _no_header(opening.lines)


def _no_header(lines: Sequence[str]) -> LogRefusedError:
    """The refusal of a log whose column names no profile finds."""
    untimed = find_untimed_header(lines)
    if untimed is not None:
        line, cells = untimed
        shown = ", ".join(f"`{cell}`" for cell in cells[:_NAMES_SHOWN])
        more = ", ..." if len(cells) > _NAMES_SHOWN else ""
        return LogRefusedError(
            "no_time_column",
            f"None of the column names is known as the time: {shown}{more}.",
            place=f"line {line}",
            hint="Name one `Time [s]`, `Clock` or `Timestamp`, or say in a profile which one it "
            "is, under [time]; `profiles/example.toml` shows how.",
        )
    return LogRefusedError(
        "no_header",
        f"No line of column names was found in the first {len(lines)} lines.",
        place="start of the file",
        hint="Column names such as `Time [s]` and `Low side [psig]` must stand above the data; "
        "for other names write a profile; `profiles/example.toml` shows how.",
    )


def _fits_first_line(profile: Profile, first_line: str) -> bool:
    wanted = profile.recognise.first_line
    return not wanted or first_line.lstrip("\ufeff").strip("\0 \t\r") == wanted


def fits_names(profile: Profile, names: Sequence[str]) -> bool:
    """True means: the column names that the profile wants are all there; case does not count."""
    return profile.fits_names(names)


def _with_time(profile: Profile, found: FoundLayout, n_lines: int) -> Recognised:
    layout = found.layout
    index = find_time_column(layout.names, profile.time)
    if not any(found.first_row):
        if layout.lines_before_data >= n_lines - 1:
            raise header_only()
        raise LogRefusedError(
            "no_data_row",
            "Below the column names there is no row of data.",
            place=f"line {layout.lines_before_data + 1}",
            hint="Check `header_line` and `units_row` of the profile.",
        )
    sample = found.first_row[index] if index < len(found.first_row) else ""
    unit = layout.unit_texts[index] or layout.glued[index]
    glued = split_glued(sample) if layout.glued[index] else None
    sample = glued[0] if glued else sample
    use = find_time_use(index, layout.names[index], unit, sample, profile.time)
    return Recognised(profile, found, use)


def _mismatch(profile: Profile, reason: str) -> LogRefusedError:
    return LogRefusedError(
        "profile_mismatch",
        f"The registry asks for the profile `{profile.name}`, but the file does not fit: {reason}.",
        hint="Leave `profile` empty in the registry's tests table, or name the right one.",
    )


def no_profile_fits(file: str, parts: str, names: Sequence[str], place: str) -> LogRefusedError:
    """The refusal of a file, such as `a JSON lines file`, by the names of its parts."""
    shown = ", ".join(f"`{name}`" for name in names[:_NAMES_SHOWN])
    return LogRefusedError(
        "profile_mismatch",
        f"No profile fits {file} with the {parts} {shown}.",
        place=place,
        hint="Leave `profile` empty in the registry's tests table, or write a profile.",
    )
