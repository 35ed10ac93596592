"""All early warnings of a fleet: the one door to claims, batches of tests, and like patterns.

Takes the judged residuals and causes and the registry's frames (`ClaimRecords`), gives the
frames of `early_warning_tables`. Repairs and tests after the day do not exist for it. Does not
belong here: any statistics of its own, the judgement of single cars (`assess`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import polars as pl

from models.batch_warning import find_batch_warnings
from models.early_warning import find_claim_warnings
from models.finding_shares import find_finding_shares
from models.signature_clusters import find_signature_clusters

if TYPE_CHECKING:
    from datetime import datetime

    from models.recurrence.exposure import ClaimRecords
    from models.recurrence.settings import RecurrenceSettings
    from models.settings import AssessmentSettings

# As of all stored judgements: what another machine may round differently is cut off.
_SIGNIFICANT_DIGITS = 9


@dataclass(frozen=True)
class FleetWarnings:
    """One frame per table of `early_warning_tables`."""

    claim_warnings: pl.DataFrame
    batch_warnings: pl.DataFrame
    signature_clusters: pl.DataFrame
    finding_shares: pl.DataFrame


def find_warnings(
    judged: tuple[pl.DataFrame, pl.DataFrame],
    records: ClaimRecords,
    settings: tuple[AssessmentSettings, RecurrenceSettings],
    as_of: datetime,
) -> FleetWarnings:
    """The warnings as of an instant.

    Parameters
    ----------
    judged : residuals and causes.
    records : the registry's frames; `tests` is the table of `features.context`.
    settings : of the judgement and of recurrence.
    """
    residuals, causes = judged
    assessment, recurrence = settings
    instant = pl.col("performed_at").cast(pl.Datetime("us", "UTC"))
    past = replace(records, repairs=records.repairs.filter(instant <= as_of))
    return FleetWarnings(
        _rounded(find_claim_warnings(past, assessment, recurrence, as_of)),
        _rounded(find_batch_warnings(residuals, past, assessment)),
        _rounded(find_signature_clusters(residuals, past, causes, assessment)),
        _rounded(find_finding_shares(residuals, past)),
    )


def _rounded(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.with_columns(pl.selectors.float().round_sig_figs(_SIGNIFICANT_DIGITS))
