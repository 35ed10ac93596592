"""The judgement of a fleet as it stood at one instant: the one door of this package.

Takes the per-test features, what is known of each test, and the registry, as frames;
gives baselines, residuals, assessments, states and evidence. Tests and repairs after
`as_of` do not exist for it. Does not belong here: any statistics of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl

    from models.settings import AssessmentSettings


@dataclass(frozen=True)
class AssessmentInputs:
    """What a judgement rests on.

    `features` is the table of `features.catalogue`, `context` that of
    `features.context`; `vehicles`, `models` and `repairs` come from the registry.
    """

    features: pl.DataFrame
    context: pl.DataFrame
    vehicles: pl.DataFrame
    models: pl.DataFrame
    repairs: pl.DataFrame


@dataclass(frozen=True)
class Assessed:
    """The judgement: one frame per table of `models.tables`."""

    baselines: pl.DataFrame
    residuals: pl.DataFrame
    assessments: pl.DataFrame
    states: pl.DataFrame
    evidence: pl.DataFrame


def assess(inputs: AssessmentInputs, settings: AssessmentSettings, as_of: datetime) -> Assessed:
    """The fleet judged by what was known at `as_of` (with time zone)."""
    raise NotImplementedError
