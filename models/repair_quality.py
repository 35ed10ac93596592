"""Repairs judged: what came of each, shops and parts compared, parts replaced, refrigerant.

The entry of this group of modules: takes what the judgement of the cars rested on and what it
gave, gives one frame per table of `repair_tables`. Repairs and tests after `as_of` do not exist
for it. Does not belong here: any statistics of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import polars as pl

from models.findings import JUDGED_FEATURE
from models.recurrence.climate import fit_climate
from models.refrigerant_register import register_frame
from models.repair_outcomes import RepairInputs, outcome_frame
from models.replacements import replacement_frame
from models.shops import part_frame, shop_frame

if TYPE_CHECKING:
    from models.assess import Assessed, AssessmentInputs
    from models.recurrence.climate import Climate
    from models.settings import AssessmentSettings

# As of the other tables of the judgement: enough for any reader, few enough to hide last bits.
_SIGNIFICANT_DIGITS = 9
_AIR = "condenser_air_c"


@dataclass(frozen=True)
class RepairQuality:
    """The judgement of repairs: one frame per table of `repair_tables`."""

    repair_outcomes: pl.DataFrame
    shops: pl.DataFrame
    parts: pl.DataFrame
    replacements: pl.DataFrame
    refrigerant_register: pl.DataFrame


def judge_repairs(
    inputs: AssessmentInputs,
    assessed: Assessed,
    settings: AssessmentSettings,
    as_of: datetime,
    *,
    cooling_from_c: float,
) -> RepairQuality:
    """All repairs as known at `as_of`; people cool above `cooling_from_c` (of recurrence)."""
    known = repair_inputs(inputs, assessed, as_of, cooling_from_c=cooling_from_c)
    outcomes = outcome_frame(
        known, settings.repairs, as_of, silent_after_days=settings.silent_after_days
    )
    return RepairQuality(
        _rounded(outcomes),
        _rounded(shop_frame(outcomes, settings.repairs)),
        _rounded(part_frame(outcomes, settings.repairs)),
        _rounded(replacement_frame(outcomes, known.repairs, known.tests)),
        _rounded(register_frame(known.repairs, known.vehicles, known.models)),
    )


def repair_inputs(
    inputs: AssessmentInputs, assessed: Assessed, as_of: datetime, *, cooling_from_c: float
) -> RepairInputs:
    """What the judgement of repairs needs of that of the cars."""
    verdicts = assessed.assessments.select(
        "test_id", "verdict_code", "n_assessed_features", "reason"
    )
    tests = inputs.context.select(
        "test_id", "vehicle_id", "started_at", "purpose", "repair_id"
    ).join(verdicts, on="test_id")
    return RepairInputs(
        inputs.repairs.filter(pl.col("performed_at") <= as_of),
        inputs.vehicles,
        inputs.models,
        tests,
        with_adverse_z(assessed.residuals),
        inputs.features.select("test_id", "regime", _AIR),
        _climate(inputs, as_of, cooling_from_c),
    )


def _climate(inputs: AssessmentInputs, as_of: datetime, cooling_from_c: float) -> Climate | None:
    """The climate of the regions, as the tests tell it; None where there is nothing to time."""
    if inputs.repairs.is_empty():
        return None
    first = inputs.repairs.select(pl.col("performed_at").min().dt.epoch("d")).item()
    last = as_of.toordinal() - datetime(1970, 1, 1, tzinfo=UTC).toordinal()
    tests = inputs.context.join(
        inputs.vehicles.select("vehicle_id", "region"), on="vehicle_id"
    ).select("region", "started_at", "ambient_c")
    known = tests.filter(pl.col("started_at") <= as_of)
    return fit_climate(known, (first, last + 1), cooling_from_c)


def with_adverse_z(residuals: pl.DataFrame) -> pl.DataFrame:
    """The residuals with `adverse_z`: z where its side can be a finding, else null."""
    high = [name for name, feature in JUDGED_FEATURE.items() if feature.high]
    low = [name for name, feature in JUDGED_FEATURE.items() if feature.low]
    is_adverse = (pl.col("feature").is_in(high) & (pl.col("z") > 0)) | (
        pl.col("feature").is_in(low) & (pl.col("z") < 0)
    )
    return residuals.with_columns(pl.when(is_adverse).then("z").alias("adverse_z"))


def _rounded(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.with_columns(pl.selectors.float().round_sig_figs(_SIGNIFICANT_DIGITS))
