"""How far every value of a fleet strays, and how rarely a healthy car strays so far.

Takes the arrays of a fleet compared, gives z with its spread, p-values of quantities and of
adverse directions. This is the whole way from expectation to p-value, without frames. Does
not belong here: what is expected (`comparison`), tables (`residuals`), q values (`flags`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.adverse_calibration import calibrate_adverse
from models.adverse_likelihood import Adverse, adverse_scores
from models.calibration import Calibrated, Kinship, calibrate
from models.conditions import CONDITIONS
from models.directions import (
    DIRECTIONS,
    direction_weights,
    is_enough_known,
    robust_correlation,
)
from models.fleet_spread import fleet_spread, fleet_tail, moderated_spreads, numbered
from models.tail import Tail, normal_scores

if TYPE_CHECKING:
    from models.comparison import Comparison, Fleet
    from models.conditions import Array, Mask, Numbers
    from models.settings import AssessmentSettings

# A baseline of fewer cars counts as small.
_SMALL_BASELINE = 25
_HEAT_SINKS = [place for place, c in enumerate(CONDITIONS) if c.role == "heat_sink"]


@dataclass(frozen=True)
class Scores:
    """What the judgement of a fleet rests on; (n, features) unless said otherwise.

    `together` are calibrated p-values (n, 1) of quantities straying together in an adverse
    direction, `direction` (n,) the number of the likeliest in `models.directions`.
    """

    z: Array
    spread: Array
    freedom: Array
    quantities: Calibrated
    together: Calibrated
    direction: Numbers
    tail: Tail


def score(
    fleet: Fleet, comparison: Comparison, is_judged: Mask, settings: AssessmentSettings
) -> Scores:
    """Every judged value of the fleet scored."""
    spreads = moderated_spreads(fleet, comparison, is_judged)
    tail = fleet_tail(fleet, comparison, spreads, is_judged, settings)
    spread, freedom = fleet_spread(fleet, comparison, spreads, tail)
    z = np.where(is_judged, (fleet.values - comparison.expectation.expected) / spread, np.nan)
    normal = np.where(is_judged, normal_scores(_known(z), _known(freedom, 1.0)), np.nan)
    kinship = _kinship(fleet, comparison)
    quantities = calibrate(normal, _sides(fleet), kinship, settings.least_calibration_vehicles)
    adverse = _adverse(z, freedom, normal, fleet)
    together = calibrate_adverse(adverse, kinship)
    return Scores(z, spread, freedom, quantities, together, adverse.direction, tail)


def _known(values: Array, otherwise: float = 0.0) -> Array:
    return np.where(np.isfinite(values), values, otherwise)


def _sides(fleet: Fleet) -> Numbers:
    """1 where high is adverse, -1 where low is, 0 where both are."""
    return np.array([(f.high is not None) * 1 - (f.low is not None) for f in fleet.features])


def _adverse(z: Array, freedom: Array, normal: Array, fleet: Fleet) -> Adverse:
    """Every row weighed along the adverse directions that hold for it."""
    n = len(z)
    if not z.size or any(feature.is_for_whole_test for feature in fleet.features):
        nothing, none = np.full(n, np.nan), np.zeros(n, dtype=np.int64)
        return Adverse(nothing, none, nothing, none)
    weights = direction_weights(tuple(feature.name for feature in fleet.features))
    allowed = is_enough_known(np.isfinite(z), weights)
    for place, direction in enumerate(DIRECTIONS):
        allowed[np.isin(fleet.regimes.astype(str), direction.unless_regimes), place] = False
        if not direction.is_for_orifice_tubes:
            allowed[fleet.is_orifice_tube, place] = False
    return adverse_scores(z, _known(freedom, 1.0), weights, allowed, robust_correlation(normal))


def _kinship(fleet: Fleet, comparison: Comparison) -> Kinship:
    """Rows in the same control state, compared on the same level, from near to far."""
    level = comparison.levels.max(axis=1, initial=0).astype(str).astype(object)
    parts = (level, fleet.regimes, fleet.kinds)
    kind = numbered(*parts)
    pool = np.where(fleet.pools != "", numbered(fleet.pools, *parts), -1)
    # rows stand in order of time within a car: its last row of a kind is its latest test
    backwards = numbered(fleet.vehicle_ids, *parts)[::-1]
    is_latest = np.zeros(len(kind), dtype=bool)
    is_latest[len(kind) - 1 - np.unique(backwards, return_index=True)[1]] = True
    model = numbered(fleet.model_ids, *parts)
    return Kinship(model, pool, kind, is_latest, _strata(fleet, comparison, kind))


def _strata(fleet: Fleet, comparison: Comparison, kind: Numbers) -> Mask:
    """(n, 2): warmer air than half of the rows of the kind; a small baseline."""
    sinks = fleet.conditions[:, _HEAT_SINKS]
    known = np.isfinite(sinks)
    first = np.argmax(known, axis=1)
    air = np.where(known.any(axis=1), sinks[np.arange(len(sinks)), first], np.nan)
    is_warm = np.zeros(len(air), dtype=bool)
    for number in np.unique(kind[np.isfinite(air)]):
        rows = (kind == number) & np.isfinite(air)
        is_warm[rows] = air[rows] > np.median(air[rows])
    is_small: Mask = comparison.expectation.vehicles.max(axis=1, initial=0.0) < _SMALL_BASELINE
    return np.column_stack([is_warm, is_small])
