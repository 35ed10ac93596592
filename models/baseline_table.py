"""The fitted baselines as a table: what is normal, for reading and for comparing runs.

Takes the comparisons, gives the BASELINES frame. Published are the fits that hold nobody
out; each car was judged by one that held it out. Does not belong here: fitting.
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from models.conditions import CONDITIONS
from models.tables import BASELINES

if TYPE_CHECKING:
    from models.baseline import Fits
    from models.comparison import FittedGroup
    from models.residuals import Compared
    from models.sentences import Row
    from models.settings import AssessmentSettings

_DIGITS = 9


def baseline_frame(compared: list[Compared], settings: AssessmentSettings) -> pl.DataFrame:
    """One row per group, regime, feature and set of conditions that was fitted."""
    rows = [
        row
        for part in compared
        for fitted in part.comparison.fitted
        for row in _group_rows(fitted, settings)
    ]
    frame = BASELINES.conform(pl.DataFrame(rows, schema=BASELINES.schema))
    return frame.sort(BASELINES.key)


def _group_rows(fitted: FittedGroup, settings: AssessmentSettings) -> list[Row]:
    fits = fitted.fits
    enough = fits.vehicles[-1] >= settings.least_vehicles
    return [_row(fitted, int(place), settings) for place in np.flatnonzero(enough)]


def _row(fitted: FittedGroup, place: int, settings: AssessmentSettings) -> Row:
    fits = fitted.fits
    is_pool = fitted.level == "architecture"
    row: Row = {
        "pooling_level": fitted.level,
        "group_label": fitted.label,
        "model_id": None if is_pool else fitted.label,
        "regime": fitted.regime,
        "window_kind_code": fitted.kind or None,
        "feature": fitted.features[place].name,
        "n_vehicles": int(fits.vehicles[-1, place]),
        "n_tests": int(fits.tests[-1, place]),
        "n_models": int((fits.shares[-1, place] > 0).sum()),
        "spread": float(fits.scale[-1, place]),
        "typical_uncertainty": float(np.sqrt(fits.typical_variance[-1, place])),
        "between_model_spread": float(fits.between_models[-1, place]) if is_pool else None,
        "terms": json.dumps(_coefficients(fits, place), sort_keys=True),
        "condition_ranges": json.dumps(_ranges(fits, place), sort_keys=True),
    }
    row = {name: _rounded(v) if isinstance(v, float) else v for name, v in row.items()}
    content = json.dumps([row, settings.model_dump()], sort_keys=True)
    return row | {"version": hashlib.sha256(content.encode()).hexdigest()[:16]}


def _coefficients(fits: Fits, place: int) -> dict[str, float]:
    """Intercept and slopes per unit of each condition, as one would write the line."""
    coefficients, shares = fits.coefficients[-1, place], fits.shares[-1, place]
    slopes = coefficients[len(shares) :] / fits.unit
    intercept = float(shares @ coefficients[: len(shares)] - slopes @ fits.centre)
    names = [CONDITIONS[term].name for term in fits.basis.terms]
    line = {"intercept": intercept} | dict(zip(names, slopes.tolist(), strict=True))
    return {name: _rounded(value) for name, value in line.items()}


def _ranges(fits: Fits, place: int) -> dict[str, list[float]]:
    lowest, highest = fits.lowest[-1, place], fits.highest[-1, place]
    return {
        condition.name: [_rounded(low), _rounded(high)]
        for condition, low, high in zip(CONDITIONS, lowest, highest, strict=True)
        if np.isfinite(low)
    }


def _rounded(value: float) -> float:
    return float(f"{value:.{_DIGITS}g}")
