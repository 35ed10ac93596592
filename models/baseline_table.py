"""The fitted baselines as a table: what is normal, for reading and for comparing runs.

Takes the norms of a fleet, gives the BASELINES frame. Published are the fits that hold nobody
out; each car was judged by one that held it out. Does not belong here: fitting.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from models.conditions import CONDITIONS
from models.tables import BASELINES

if TYPE_CHECKING:
    from models.baseline import Fits
    from models.fitted_groups import FittedGroup, GroupKey
    from models.norms import Norm
    from models.sentences import Row
    from models.settings import AssessmentSettings
    from models.tail import Tail

_DIGITS = 9


def baseline_frame(norms: tuple[Norm, ...], settings: AssessmentSettings) -> pl.DataFrame:
    """One row per group, regime, feature and set of conditions that was fitted."""
    rows = [
        row
        for norm in norms
        for key, group in norm.groups.items()
        for fits in group.fits
        if fits is not None
        for row in _fit_rows(_Place(key, group), fits, norm.yardstick.tail, settings)
    ]
    frame = BASELINES.conform(pl.DataFrame(rows, schema=BASELINES.schema))
    return frame.sort(BASELINES.key)


@dataclass(frozen=True)
class _Place:
    """Which group a fit is of."""

    key: GroupKey
    group: FittedGroup

    @property
    def is_pool(self) -> bool:
        return self.key.level == "architecture"


def _fit_rows(place: _Place, fits: Fits, tail: Tail, settings: AssessmentSettings) -> list[Row]:
    enough = fits.vehicles[-1] >= settings.least_vehicles
    rows = []
    for column in np.flatnonzero(enough).tolist():
        row = _row(place, fits, column) | _tail_columns(place, tail, column)
        row = {name: _rounded(v) if isinstance(v, float) else v for name, v in row.items()}
        content = json.dumps([row, settings.model_dump()], sort_keys=True)
        rows.append(row | {"version": hashlib.sha256(content.encode()).hexdigest()[:16]})
    return rows


def _tail_columns(place: _Place, tail: Tail, column: int) -> Row:
    return {
        "spread_factor": 1.0 if place.is_pool else float(tail.factors[column]),
        "tail_degrees_of_freedom": tail.degrees_of_freedom,
        "tail_residuals": tail.n_residuals,
    }


def _row(place: _Place, fits: Fits, column: int) -> Row:
    key = place.key
    between = float(fits.between_models[-1, column])
    return {
        "pooling_level": key.level,
        "group_label": key.label,
        "model_id": None if place.is_pool else key.label,
        "regime": key.regime,
        "window_kind_code": key.kind or None,
        "fan_stage_code": key.stage or None,
        "feature": place.group.features[column].name,
        "n_vehicles": int(fits.vehicles[-1, column]),
        "n_tests": int(fits.tests[-1, column]),
        "n_models": int((fits.shares[-1, column] > 0).sum()),
        "spread": float(fits.scale[-1, column]),
        "typical_uncertainty": float(np.sqrt(fits.typical_variance[-1, column])),
        "between_model_spread": between if place.is_pool else None,
        "terms": json.dumps(_coefficients(fits, column), sort_keys=True),
        "condition_ranges": json.dumps(_ranges(fits, column), sort_keys=True),
    }


def _coefficients(fits: Fits, place: int) -> dict[str, float]:
    """Intercept and slopes per unit of each condition, as one would write the line."""
    coefficients, shares = fits.coefficients[-1, place], fits.shares[-1, place]
    basis, centre = fits.basis, dict(zip(fits.basis.terms, fits.centre, strict=True))
    unit = dict(zip(basis.terms, fits.unit, strict=True))
    lead = len(shares) + len(basis.terms)
    line = {"intercept": float(shares @ coefficients[: len(shares)])}
    for term, coefficient in zip(basis.terms, coefficients[len(shares) : lead], strict=True):
        line[CONDITIONS[term].name] = float(coefficient / unit[term])
        line["intercept"] -= float(coefficient / unit[term] * centre[term])
    for (a, b), coefficient in zip(basis.products, coefficients[lead:], strict=True):
        name_a, name_b = CONDITIONS[a].name, CONDITIONS[b].name
        bend = float(coefficient / unit[a] / unit[b])
        line[f"{name_a} * {name_b}"] = bend
        line[name_a] -= bend * float(centre[b])
        line[name_b] -= bend * float(centre[a])
        line["intercept"] += bend * float(centre[a] * centre[b])
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
