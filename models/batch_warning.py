"""Early warning by tests: batches of cars that stray together before anybody claims.

Takes residuals and the registry's frames (`ClaimRecords`), gives BATCH_WARNINGS. Each batch is
held against the other tested cars of its model, one vote per car (`batch_votes`), by two tests
that need no law of the residuals: are its cars shifted (rank sum), or do too many of them stand
among the outermost (when only some are affected)? What stands out must do so within the
workshops too, since an instrument would move all cars of a shop. All batches and quantities
are one family. Does not belong here: single cars (`flags`), words (`early_warning_words`).

Sources: Wilcoxon, Biometrics Bulletin 1 (1945) 80; Hodges & Lehmann, Ann. Math. Statist. 33
(1962) 482 for alignment by shop (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
from scipy.stats import hypergeom, norm, rankdata

from models.batch_votes import batch_members, batch_votes
from models.early_warning_tables import BATCH_WARNINGS, WatchState
from models.early_warning_words import batch_sentence
from models.multiplicity import adjusted_within
from models.robust import MAD_TO_SIGMA

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.recurrence.exposure import ClaimRecords
    from models.settings import AssessmentSettings

    Array = NDArray[np.float64]
    Mask = NDArray[np.bool_]

LEAST_BATCH_CARS, LEAST_OTHER_CARS = 8, 12
# The outermost tenth on either side.
_OUTERMOST = 0.1
# Plain p-values above this are not looked at shop by shop: that could only raise them.
_WORTH_ALIGNING = 0.05
_LEAST_AT_SITE = 5
# `watched` is what would be a warning at four times the rate [default].
_WATCHED_FACTOR = 4.0
_NORMAL_95 = 1.6448536269514722
# The standard error of a median is 1.2533 times that of a mean, for normal values.
_MEDIAN_FACTOR = 1.2533141373155003


@dataclass(frozen=True)
class _Votes:
    """Votes on one feature by the cars of one model: values (n,), sites (n,), ids (n,)."""

    values: Array
    sites: NDArray[np.object_]
    n_tests: Array
    place: dict[str, int]


def find_batch_warnings(
    residuals: pl.DataFrame, records: ClaimRecords, settings: AssessmentSettings
) -> pl.DataFrame:
    """BATCH_WARNINGS of all batches with a test."""
    votes = batch_votes(residuals, records.tests, records.repairs)
    members = batch_members(records.vehicles, records.models, records.repairs)
    rows: list[dict[str, Any]] = []
    for (model, feature, stage), own in votes.group_by(
        "model_id", "feature", "stage", maintain_order=True
    ):
        batches = members.filter(pl.col("stage") == stage).join(
            own.select("vehicle_id"), on="vehicle_id", how="semi", maintain_order="left"
        )
        named = {"model_id": model, "feature": feature}
        rows += [{**named, **row} for row in _compared(_votes(own), batches)]
    return _judged(rows, settings)


def _votes(own: pl.DataFrame) -> _Votes:
    return _Votes(
        own["vote"].to_numpy(),
        np.array(own["site_id"].fill_null("").to_list(), dtype=object),
        own["n_tests"].to_numpy().astype(float),
        {vehicle: number for number, vehicle in enumerate(own["vehicle_id"])},
    )


def _compared(votes: _Votes, batches: pl.DataFrame) -> list[dict[str, Any]]:
    """One row per batch with a vote; p_value null where there is too little to compare."""
    rows = []
    for (kind, cohort), cars in batches.group_by("kind_code", "cohort", maintain_order=True):
        inside = np.zeros(len(votes.values), dtype=bool)
        inside[[votes.place[vehicle] for vehicle in cars["vehicle_id"]]] = True
        rows.append({"kind_code": kind, "cohort": cohort, **compare_batch(votes, inside)})
    return rows


def compare_batch(votes: _Votes, inside: Mask) -> dict[str, Any]:
    """A batch against the other cars: how far it is shifted, and by what chance."""
    counts = {
        "n_vehicles": int(inside.sum()),
        "n_tests": int(votes.n_tests[inside].sum()),
        "n_reference": int((~inside).sum()),
    }
    if counts["n_vehicles"] < LEAST_BATCH_CARS or counts["n_reference"] < LEAST_OTHER_CARS:
        return counts
    chance, n_far = batch_chance(votes.values, inside)
    if chance < _WORTH_ALIGNING:
        chance = max(chance, batch_chance(_aligned(votes, inside), inside)[0])
    shift, error = _shift(votes.values[inside], votes.values[~inside])
    return {
        **counts, "p_value": chance, "n_far": n_far, "shift": shift,
        "shift_low": shift - _NORMAL_95 * error, "shift_high": shift + _NORMAL_95 * error,
    }  # fmt: skip


def batch_chance(values: Array, inside: Mask) -> tuple[float, int]:
    """P-value of the batch, two-sided, and its cars among the outermost of the fuller side."""
    n, m = len(values), int(inside.sum())
    ranks = rankdata(values)
    variance = m * (n - m) / (n * (n - 1.0)) * float(((ranks - ranks.mean()) ** 2).sum())
    off = abs(float(ranks[inside].sum()) - m * (n + 1) / 2.0)
    shifted = 2.0 * norm.sf(max(off - 0.5, 0.0) / np.sqrt(variance)) if variance > 0 else 1.0
    most = max(1, round(_OUTERMOST * n))
    order = np.argsort(values, kind="stable")
    far = [int(inside[side].sum()) for side in (order[:most], order[n - most :])]
    outermost = 2.0 * float(hypergeom.sf(max(far) - 1, n, m, most))
    return min(1.0, 2.0 * min(float(shifted), outermost)), max(far)


def _aligned(votes: _Votes, inside: Mask) -> Array:
    """The votes less the median of the other cars tested at the same shop."""
    values = votes.values.copy()
    for site in set(votes.sites) - {""}:
        here = votes.sites == site
        others = votes.values[here & ~inside]
        if len(others) >= _LEAST_AT_SITE:
            values[here] -= np.median(others)
    return values


def _shift(batch: Array, others: Array) -> tuple[float, float]:
    """Median of the batch less that of the others, and its standard error."""
    error = 0.0
    for values in (batch, others):
        spread = float(np.median(np.abs(values - np.median(values)))) * MAD_TO_SIGMA
        error += (_MEDIAN_FACTOR * spread) ** 2 / len(values)
    return float(np.median(batch) - np.median(others)), float(np.sqrt(error))


def _judged(rows: list[dict[str, Any]], settings: AssessmentSettings) -> pl.DataFrame:
    known = [row for row in rows if "p_value" in row]
    p_values = np.array([row["p_value"] for row in known])
    q_values = adjusted_within(p_values, np.zeros(len(known), dtype=np.int64))
    for row, q_value in zip(known, q_values, strict=True):
        row["q_value"] = float(q_value)
    for row in rows:
        row["state_code"] = _state(row.get("q_value"), settings.batch_error_rate).code
        row["sentence"] = batch_sentence(row)
    return BATCH_WARNINGS.conform(pl.DataFrame(rows, infer_schema_length=None))


def _state(q_value: float | None, rate: float) -> WatchState:
    if q_value is None:
        return WatchState.TOO_FEW
    if q_value <= rate:
        return WatchState.WARNED
    return WatchState.WATCHED if q_value <= _WATCHED_FACTOR * rate else WatchState.QUIET
