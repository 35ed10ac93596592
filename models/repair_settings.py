"""Settings of the comparison of repairs: windows of time, tolerances, least evidence.

Holds `RepairSettings`, part of the settings of the judgement. Every default is a proposal to
be tuned on data unless its description names a source. Does not belong here: arithmetic.
"""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field


class RepairSettings(BaseModel):
    """What the owner of a workspace may change about the comparison of repairs and shops."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    same_visit_days: float = Field(
        default=7.0,
        ge=0.0,
        le=60.0,
        description="Repairs of a car no further apart than this many days are one visit.",
    )
    before_days: float = Field(
        default=45.0,
        gt=0.0,
        le=400.0,
        description="A test tells the state before a repair when it is not older than this.",
    )
    after_days: float = Field(
        default=60.0,
        gt=0.0,
        le=400.0,
        description=(
            "A test tells the state after a repair when it follows within so many days and no "
            "other repair lies between; a repair without one counts as not tested again."
        ),
    )
    most_air_difference_k: float = Field(
        default=8.0,
        gt=0.0,
        le=40.0,
        description=(
            "Tests before and after are compared when the air at the condenser differs by no "
            "more than this, K."
        ),
    )
    charge_tolerance_g: float = Field(
        default=30.0,
        gt=0.0,
        le=1000.0,
        description=(
            "A charge off its specification by more than this, g, counts as over- or "
            "undercharged: twice the 15 g within which a service machine must fill (SAE J2788 "
            "and J2843, from memory)."
        ),
    )
    again_months: float = Field(
        default=18.0,
        gt=0.0,
        le=120.0,
        description="A refill without a leak repair is repeated when the next follows so soon.",
    )
    comeback_cooling_degree_days: float = Field(
        default=200.0,
        gt=0.0,
        description=(
            "A car that needs another repair within so much cooling is a comeback: the "
            "temperature above which people cool, summed over days, K d. Used where the climate "
            "of every region is known."
        ),
    )
    comeback_days: float = Field(
        default=180.0,
        gt=0.0,
        description="The same in days, used where the climate is not known.",
    )
    least_expected: float = Field(
        default=5.0,
        ge=1.0,
        description=(
            "A shop or part is only spoken of when so many cases were to be expected of it; of "
            "averages, when so many repairs were measured."
        ),
    )
    least_compared: int = Field(
        default=5,
        ge=3,
        description="Shops (or parts) that a comparison needs; with fewer there is none.",
    )
    least_sure: float = Field(
        default=0.95,
        gt=0.5,
        lt=1.0,
        description=(
            "A shop is only named as standing out when, beside lying outside the 99.8 % limits, "
            "it is worse (or better) than expected with at least this chance."
        ),
    )
    technician_key: str = Field(
        default="",
        description=(
            "Technicians appear nowhere while this is empty. With a secret of your own they "
            "appear under pseudonyms made with it, never by name, and are not compared."
        ),
    )
