"""The settings of a workspace: one frozen record made of the parts' own records.

Holds `Settings`, its reading from `chillroster.toml`, and the commented text of a fresh
file, generated from the field descriptions. Does not belong here: what a part's settings
mean (`features.settings`, `models.settings`, `reports.settings`, `store_settings`).
"""

from __future__ import annotations

import textwrap
import tomllib
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from features.settings import DerivationSettings
from models.recurrence.settings import RecurrenceSettings
from models.settings import AssessmentSettings
from pipeline.problems import ProblemsError, did_you_mean
from pipeline.store_settings import StoreSettings
from pipeline.toml_problems import toml_problems, validation_problems
from reports.settings import ReportSettings

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydantic.fields import FieldInfo

    from pipeline.workspace import Workspace


class SiteSettings(BaseModel):
    """The place where tests are run, where a test says nothing of its own."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    altitude_m: float | None = Field(
        default=None,
        ge=-500,
        le=6000,
        description=(
            "Altitude of the shop above sea level, m. Turns gauge pressures into absolute ones "
            "where neither the log nor the test's registry row states barometer or altitude. "
            "Not set: such gauge pressures are refused, because sea level would be a guess."
        ),
        examples=[250.0],
    )


class ReadingSettings(BaseModel):
    """Limits of reading a log file."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    largest_log_megabytes: float = Field(
        default=200.0,
        gt=0,
        le=4000,
        description="A log file larger than this, unpacked, is refused; megabytes.",
    )
    # logs of readings pack to a tenth, of frozen ones to a fiftieth (common practice, no source)
    highest_packing_ratio: float = Field(
        default=200.0,
        ge=2,
        le=2000,
        description=(
            "A packed log that unpacks to more than so many times its size is refused: it was "
            "made to burst, not to be read. Of files that hold under 4 MB any ratio is read."
        ),
    )
    largest_registry_megabytes: float = Field(
        default=100.0,
        gt=0,
        le=1000,
        description="A registry file larger than this, unpacked, is refused; megabytes.",
    )
    unreadable_share: float = Field(
        default=0.01,
        ge=0,
        le=0.5,
        description=(
            "Up to this share of a column's cells may be unreadable (they count as not known); "
            "beyond it the column is refused."
        ),
    )


class Settings(BaseModel):
    """Everything that the owner of a workspace may set."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    time_zone: str = Field(
        default="UTC",
        description=(
            "Time zone of dates and times in logs and registry that are written without an "
            "offset, such as Europe/Athens. The pages have their own, under [report]."
        ),
    )
    site: SiteSettings = Field(default_factory=SiteSettings, description="Where tests are run.")
    reading: ReadingSettings = Field(
        default_factory=ReadingSettings, description="Limits of reading a log file."
    )
    store: StoreSettings = Field(
        default_factory=StoreSettings, description="What the database may take of the machine."
    )
    derivation: DerivationSettings = Field(
        default_factory=DerivationSettings,
        description=(
            "How features are derived from a log. An accuracy marked 95 % holds for 19 of 20 "
            "readings; 1 sd is one standard deviation."
        ),
    )
    assessment: AssessmentSettings = Field(
        default_factory=AssessmentSettings,
        description=(
            "How cars are compared and judged. A spread (z counts them) is how far healthy cars "
            "commonly lie from the expected value; a term is an operating condition, such as "
            "ambient air, that the expected value is fitted to."
        ),
    )
    recurrence: RecurrenceSettings = Field(
        default_factory=RecurrenceSettings,
        description="How failures that recur are told of cars, build periods, plants and parts.",
    )
    report: ReportSettings = Field(
        default_factory=ReportSettings, description="How the pages look."
    )

    @field_validator("time_zone")
    @classmethod
    def _is_known_zone(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            hint = did_you_mean(name, available_timezones())
            raise ValueError(f"no time zone is called `{name}`. {hint}".rstrip()) from error
        return name


def read_settings(workspace: Workspace) -> Settings:
    """The settings of a workspace.

    Raises
    ------
    ProblemsError
        With every unknown key and every wrong value, each with its line and a hint.
    """
    shown = workspace.shown(workspace.settings_file)
    text, problems = toml_problems(workspace.settings_file, shown)
    if problems:
        raise ProblemsError(problems)
    try:
        return Settings.model_validate(tomllib.loads(text), strict=True)
    except ValidationError as error:
        raise ProblemsError(validation_problems(error, text, shown, Settings)) from error


def settings_text() -> str:
    """The text of a fresh `chillroster.toml`: every key with its meaning and its default."""
    opening = (
        "# Settings of this workspace. Every key stands with its default, or, where it has none,",
        "# with an example; to change it, take away the `# ` in front of its line. A changed key",
        "# must stay below its section, such as `[site]`. Unknown keys are errors.",
        "",
    )
    return "\n".join([*opening, *_section_lines(Settings, ())]) + "\n"


def _section_lines(model: type[BaseModel], path: tuple[str, ...]) -> Iterator[str]:
    parts = {name: part for name, field in model.model_fields.items() if (part := _part_of(field))}
    for name, field in model.model_fields.items():
        if name not in parts:
            yield from _key_lines(name, field)
    for name, part in parts.items():
        yield from _comment(model.model_fields[name].description or "", "## ")
        yield f"[{'.'.join((*path, name))}]"
        yield ""
        yield from _section_lines(part, (*path, name))


def _part_of(field: FieldInfo) -> type[BaseModel] | None:
    kind = field.annotation
    return kind if isinstance(kind, type) and issubclass(kind, BaseModel) else None


def _key_lines(name: str, field: FieldInfo) -> Iterator[str]:
    yield from _comment(field.description or "", "# ")
    default = field.get_default(call_default_factory=True)
    if default is None:
        example = (field.examples or [0.0])[0]
        yield f"# {name} = {_toml(example)}  # an example; it has no default"
    else:
        yield f"# {name} = {_toml(default)}"
    yield ""


def _comment(text: str, mark: str) -> list[str]:
    return textwrap.wrap(text, 90, initial_indent=mark, subsequent_indent=mark)


def _toml(value: object) -> str:
    """A setting's value as TOML; settings hold truth values, numbers, texts and lists."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{escaped}"'
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(_toml(one) for one in value)}]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(one)}" for key, one in value.items()) + " }"
    return repr(value)
