"""Settings of the reports: title, units and zone of what people read, size of the curves.

Holds `ReportSettings`, which the workspace's settings file composes. Does not belong
here: anything that changes a number before it is printed.
"""

from __future__ import annotations

from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, field_validator

PressureUnit = Literal["bar", "kPa", "psi"]
TemperatureUnit = Literal["degC", "degF"]


class ReportSettings(BaseModel):
    """How the site presents what the warehouse holds."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    title: str = Field(default="Fleet A/C tests", description="Name printed on every page.")
    pressure_unit: PressureUnit = Field(
        default="bar", description="Unit of pressures on the pages (absolute): bar, kPa or psi."
    )
    temperature_unit: TemperatureUnit = Field(
        default="degC", description="Unit of temperatures on the pages: degC or degF."
    )
    time_zone: str = Field(
        default="UTC", description="Time zone of dates on the pages, such as Europe/Athens."
    )
    curve_points: int = Field(
        default=1000,
        ge=100,
        le=2000,
        description="Most points drawn per curve; peaks are kept whatever the number.",
    )
    history_charts: int = Field(
        default=6, ge=0, le=20, description="Most quantities charted over a vehicle's tests."
    )

    @field_validator("time_zone")
    @classmethod
    def _is_known_zone(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise ValueError(
                f"no time zone is called {name!r}; write an IANA name such as 'Europe/Athens'"
            ) from error
        return name
