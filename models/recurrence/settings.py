"""Settings of recurrence: whom the register lists, since when, how sure, how far ahead.

Holds `RecurrenceSettings`, a frozen record whose field descriptions become the commented
settings file. Every default is a proposal to be tuned on data unless its description names
a source. Does not belong here: what a cohort is made of (`cohorts`).
"""

from __future__ import annotations

from datetime import date
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

Listed = Literal["auto", "fleet", "presented"]


class RecurrenceSettings(BaseModel):
    """Everything about recurring failures that the owner of a workspace may change."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    registered_cars: Listed = Field(
        default="auto",
        description=(
            "Whom registry/vehicles lists: `fleet`, all cars built; `presented`, only cars that "
            "came to a shop, of which no failure rate can be told; `auto`: the fleet where at "
            "least one car in ten has neither a repair nor a test."
        ),
    )
    records_from: str | None = Field(
        default=None,
        pattern=r"^\d{4}-\d{2}-\d{2}$",
        description=(
            "Repairs before this day were not recorded; cars that were in service by then count "
            "from this day on. Not set: all repairs since the first day in service are on record."
        ),
        examples=["2021-01-01"],
    )
    reported_share: float = Field(
        default=0.99,
        ge=0.5,
        lt=1.0,
        description=(
            "Repairs count up to the day by which this share of them has been reported; the "
            "days after it are cut off, because they look better than they are."
        ),
    )
    is_warranty_only: bool = Field(
        default=False,
        description=(
            "Only repairs under warranty are on record: a car is watched until its model's "
            "warranty months are over."
        ),
    )
    cooling_from_c: float = Field(
        default=18.0,
        ge=5.0,
        le=30.0,
        description="Outside temperature above which cars are cooled, degC.",
    )
    least_vehicles: int = Field(
        default=10,
        ge=5,
        description="Cars that must still be watched at an age for anything to be told of it.",
    )
    least_failures: int = Field(
        default=5,
        ge=3,
        description="Cars that must have failed for a Weibull law to be fitted.",
    )
    false_discovery_rate: float = Field(
        default=0.1,
        gt=0.0,
        lt=1.0,
        description=(
            "Of the cohorts told to fail more often than the others, so large a share may be "
            "there by chance (Benjamini & Hochberg 1995)."
        ),
    )
    forecast_months: int = Field(
        default=12, ge=1, le=60, description="Months ahead for which claims are forecast."
    )
    currency: str = Field(
        default="EUR",
        min_length=1,
        max_length=12,
        description="Currency of the costs in registry/repairs, as it is printed.",
    )

    @property
    def records_from_day(self) -> date | None:
        """The first day of the records; None: since ever."""
        return date.fromisoformat(self.records_from) if self.records_from else None
