"""Profiles: short declarative files that say how one logger's files are to be read.

Holds the record `Profile` and its parts, the reading of profile files (the workspace's
own and those shipped with the package) and the test whether a profile fits an opened
file. Does not belong here: splitting lines (`layouts`), deciding what each column means
(`column_plans`). Profiles declare, they hold no code; patterns know only `*` and `?`.
"""

from __future__ import annotations

import re
import tomllib
from fnmatch import fnmatchcase
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from features.channels import CHANNEL, Quantity
from features.units import UnitError, parse_unit
from pipeline.name_patterns import check_time_form, columns_of, parse_pattern
from pipeline.problems import Problem, ProblemsError, did_you_mean
from pipeline.registry_tables import TEST_ENTRIES
from pipeline.toml_problems import toml_problems, validation_problems
from pipeline.workspace import LogKind  # noqa: TC001 - the record needs it when it is made

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.workspace import Workspace

TimeFormat = Literal[
    "auto", "seconds", "minutes", "hours", "milliseconds",
    "clock", "timestamp",
    "epoch_s", "epoch_ms", "epoch_us", "epoch_ns",
]  # fmt: skip
_PATTERN_LENGTH = 80
# which log, which id and which profile are for the registry alone to say
STATED_COLUMNS = tuple(
    entry.name for entry in TEST_ENTRIES.entries if entry.name not in {"log", "test_id", "profile"}
)
_NAME = re.compile(r"[a-z0-9][a-z0-9_]*")


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Recognition(_Part):
    """What a file must show to be read by the profile; every line stated must hold."""

    first_line: str = Field(default="", description="exact text of the first line")
    columns: tuple[str, ...] = Field(default=(), description="column names that must all be there")
    anything: bool = Field(default=False, description="fits every file; for the last resort")


class TextForm(_Part):
    """How the lines of a text file are laid out."""

    delimiter: Literal["auto", ",", ";", "\t", "|", " "] = Field(
        default="auto", description="mark between the columns; a blank: any number of blanks"
    )
    decimal_mark: Literal["auto", ".", ","] = Field(
        default="auto", description="decimal point or decimal comma"
    )
    thousands_mark: Literal["auto", ".", ","] = Field(
        default="auto",
        description="mark that groups thousands, where `1.234` or `1,234` has two meanings",
    )
    no_reading: tuple[str, ...] = Field(
        default=(), description="further cells that mean no reading, such as -999.9"
    )
    short_rows: Literal["leave_out", "fill"] = Field(
        default="leave_out",
        description="rows with too few fields: leave them out and say so, or take what is "
        "lacking at their end as empty",
    )
    comment_mark: str = Field(
        default="", max_length=5, description="lines that start so are comments; empty: # // % ;"
    )
    encoding: Literal["auto", "utf-8", "utf-16", "latin-1", "cp1252"] = Field(
        default="auto", description="encoding of the text"
    )
    header_line: int | None = Field(
        default=None, ge=1, le=500, description="number of the line with the column names"
    )
    header_starts_with: str = Field(
        default="", description="or: the column names stand on the first line starting so"
    )
    units_row: Literal["auto", "yes", "no"] = Field(
        default="auto", description="is the line after the column names a line of units?"
    )

    @model_validator(mode="after")
    def _marks_differ(self) -> TextForm:
        if self.thousands_mark == self.decimal_mark != "auto":
            raise ValueError("`thousands_mark` and `decimal_mark` cannot be the same")
        return self


class TimeForm(_Part):
    """Which column carries the time, and how."""

    column: str = Field(default="", description="name of the time column; empty: by its header")
    format: TimeFormat = Field(default="auto", description="how the time is written")
    pattern: str = Field(
        default="",
        max_length=_PATTERN_LENGTH,
        description="for `timestamp`: such as %d.%m.%Y %H:%M:%S; empty: ISO 8601",
    )


class LongForm(_Part):
    """Names of the columns of a long file: one row per time and channel."""

    channel: str = Field(description="column with the name of the channel")
    value: str = Field(description="column with the value")
    unit: str = Field(default="", description="column with the unit; empty: none")


class ChannelMap(_Part):
    """One line of the map from a logger's column to a channel."""

    column: str = Field(
        max_length=_PATTERN_LENGTH,
        description="name of the column; `*` stands for any letters, `?` for one",
    )
    channel: str = Field(description="the channel it is, such as low_side_kpa")
    unit: str = Field(default="", description="its unit; empty: from the header")

    @field_validator("channel")
    @classmethod
    def _is_known(cls, name: str) -> str:
        if name not in CHANNEL:
            raise ValueError(f"`{name}` is no channel. {did_you_mean(name, CHANNEL)}")
        return name

    @model_validator(mode="after")
    def _unit_fits(self) -> ChannelMap:
        _require_unit(self.unit, CHANNEL[self.channel].quantity)
        return self

    def fits(self, name: str) -> bool:
        """True means: this line speaks of the column of that name; case does not count."""
        return fits_pattern(name, self.column)


class NameForm(_Part):
    """What the name of a log file says of its test."""

    pattern: str = Field(
        default="",
        max_length=_PATTERN_LENGTH,
        description="such as {vehicle_id}_{started_at:%Y%m%d_%H%M%S}, without the ending; parts "
        "are columns of the registry's tests table, `*` stands for any letters",
    )

    @field_validator("pattern")
    @classmethod
    def _can_be_read(cls, pattern: str) -> str:
        if pattern:
            parse_pattern(pattern)
            for column, is_time in columns_of(pattern).items():
                _require_stated(column)
                if is_time != (column == "started_at"):
                    raise ValueError(
                        "a form such as `:%Y%m%d_%H%M%S` belongs to started_at and to no other part"
                    )
        return pattern


class Profile(_Part):
    """How one logger's files are recognised and read."""

    name: str = Field(description="name of the profile: small letters, digits and `_`")
    description: str = Field(default="", description="which logger, in words")
    kind: LogKind = Field(default="text", description="kind of file")
    recognise: Recognition = Field(default=Recognition(), description="how to recognise a file")
    text: TextForm = Field(default=TextForm(), description="layout of a text file")
    time: TimeForm = Field(default=TimeForm(), description="the time column")
    long: LongForm | None = Field(default=None, description="column names of a long file")
    channels: tuple[ChannelMap, ...] = Field(default=(), description="columns and their channels")
    default_units: dict[Quantity, str] = Field(
        default={}, description="unit per quantity where neither map nor header states one"
    )
    ignore: tuple[Annotated[str, Field(max_length=_PATTERN_LENGTH)], ...] = Field(
        default=(), description="columns to pass over in silence; `*` and `?` as in `channels`"
    )

    from_header: dict[str, str] = Field(
        default={},
        description="fields of the file's header and the columns of the registry's tests table "
        "that they state; for started_at with its form, such as started_at:%d.%m.%Y %H:%M",
    )
    from_name: NameForm = Field(default=NameForm(), description="what the file's name states")

    @field_validator("from_header")
    @classmethod
    def _states_known_columns(cls, stated: dict[str, str]) -> dict[str, str]:
        for column_and_form in stated.values():
            column, _, form = column_and_form.partition(":")
            _require_stated(column)
            if form and column != "started_at":
                raise ValueError(f"`{column_and_form}`: only started_at has a form")
            if form:
                check_time_form(form, "fz")
        return stated

    @field_validator("name")
    @classmethod
    def _is_plain(cls, name: str) -> str:
        if not _NAME.fullmatch(name):
            raise ValueError(
                f"it may hold small letters, digits and `_`, such as `my_logger`, not {name!r}"
            )
        return name

    @model_validator(mode="after")
    def _can_be_recognised(self) -> Profile:
        rule = self.recognise
        if not (rule.first_line or rule.columns or rule.anything):
            raise ValueError("state `first_line` or `columns` under [recognise]")
        for quantity, unit in self.default_units.items():
            _require_unit(unit, quantity)
        return self

    def fits_names(self, names: Sequence[str]) -> bool:
        """True means: the column names that it wants are all there; case does not count."""
        present = {name.lower() for name in names}
        return all(name.lower() in present for name in self.recognise.columns)

    @property
    def states_tests(self) -> bool:
        """True means: header or name of a file may say which test it is."""
        return bool(self.from_header or self.from_name.pattern)

    def map_of(self, name: str) -> ChannelMap | None:
        """The first line of the map that fits a column name, None without one."""
        return next((line for line in self.channels if line.fits(name)), None)

    def ignores(self, name: str) -> bool:
        """True means: the column is passed over without a remark."""
        return any(fits_pattern(name, one) for one in self.ignore)


def fits_pattern(name: str, pattern: str) -> bool:
    """True means: the name is the pattern, in which `*` stands for any letters, `?` for one.

    Case does not count. Brackets are brackets: names such as `P1 [bar]` carry them.
    """
    literal = pattern.strip().lower().replace("[", "[[]")
    return fnmatchcase(name.strip().lower(), literal)


def _require_stated(column: str) -> None:
    if column not in STATED_COLUMNS:
        raise ValueError(
            f"`{column}` is no column of the tests table that a file may state. "
            f"{did_you_mean(column, STATED_COLUMNS)}".rstrip()
        )


def _require_unit(text: str, quantity: Quantity) -> None:
    if text:
        try:
            parse_unit(text, quantity)
        except UnitError as error:
            raise ValueError(str(error)) from error


@lru_cache(maxsize=1)
def shipped_profiles() -> tuple[Profile, ...]:
    """The profiles that come with the package; the one that fits anything is last."""
    folder = files("pipeline").joinpath("shipped_profiles")
    texts = [file.read_text("utf-8") for file in folder.iterdir() if file.name.endswith(".toml")]
    profiles = [Profile.model_validate(tomllib.loads(text)) for text in texts]
    return tuple(sorted(profiles, key=_order))


def read_profiles(workspace: Workspace) -> tuple[Profile, ...]:
    """The workspace's own profiles, then the shipped ones that they do not replace by name.

    Raises
    ------
    ProblemsError
        With every problem of every profile file.
    """
    problems: list[Problem] = []
    own: dict[str, Profile] = {}
    for path in sorted(workspace.profiles_folder.glob("*.toml")):
        shown = workspace.shown(path)
        leads_out = path.is_file() and not path.resolve().is_relative_to(workspace.root.resolve())
        text, found = ("", [_outside(shown)]) if leads_out else toml_problems(path, shown)
        try:
            profile = None if found else Profile.model_validate(tomllib.loads(text))
        except ValidationError as error:
            found = validation_problems(error, text, shown, Profile)
        if not found and profile is not None and profile.name in own:
            found = [_duplicate(profile.name, shown)]
        if found:
            problems += found
        elif profile is not None:
            own[profile.name] = profile
    if problems:
        raise ProblemsError(problems)
    rest = [profile for profile in shipped_profiles() if profile.name not in own]
    return tuple(sorted([*own.values()], key=_order) + sorted(rest, key=_order))


def _order(profile: Profile) -> tuple[bool, str]:
    return profile.recognise.anything, profile.name


def _outside(shown: str) -> Problem:
    return Problem(
        "path_outside",
        "The profile is a link that leads out of the workspace.",
        shown,
        hint="Copy the file into profiles/ in place of the link.",
    )


def _duplicate(name: str, shown: str) -> Problem:
    return Problem(
        "duplicate_profile",
        f"Another profile is already called `{name}`.",
        shown,
        hint="Give each profile its own name.",
    )
