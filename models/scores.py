"""How far every value of a fleet strays, and how rarely a healthy car strays so far.

Takes the arrays of a fleet compared, gives what they say of healthy cars (`learn`) and, by
what was learned now or earlier, z with its spread, p-values of quantities and of adverse
directions (`score`). This is the whole way from expectation to p-value, without frames. Does
not belong here: what is expected (`comparison`), tables (`residuals`), q values (`flags`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.adverse_calibration import AdverseUnits, calibrate_adverse, learn_adverse
from models.adverse_likelihood import Adverse, adverse_scores
from models.calibration import Calibrated, CalibrationUnit, Kinship, calibrate, learn_units
from models.conditions import CONDITIONS
from models.directions import (
    DIRECTIONS,
    direction_weights,
    is_enough_known,
    robust_correlation,
)
from models.fleet_spread import (
    fleet_spread,
    fleet_tail,
    joined,
    learn_priors,
    moderated_spreads,
)
from models.tail import Tail, normal_scores

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.comparison import Comparison, Fleet, Texts
    from models.conditions import Array, Mask, Numbers
    from models.fleet_spread import SpreadPriors, Spreads
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


@dataclass(frozen=True)
class Yardstick:
    """All that a fleet says of how far a healthy car strays.

    `middles` is the air temperature that half of the rows of a kind lie above; `correlation`
    is that of the quantities of a healthy car, None where they are not looked at together.
    """

    priors: SpreadPriors
    tail: Tail
    correlation: Array | None
    middles: dict[str, float]
    quantities: tuple[CalibrationUnit, ...]
    adverse: AdverseUnits


def learn(
    fleet: Fleet, comparison: Comparison, is_judged: Mask, settings: AssessmentSettings
) -> tuple[Yardstick, Scores]:
    """What the judged values of a fleet say of healthy cars, and the fleet scored by it."""
    priors = learn_priors(fleet, comparison, is_judged)
    spreads = moderated_spreads(fleet, comparison, is_judged, priors)
    tail = fleet_tail(fleet, comparison, spreads, is_judged, settings)
    strayed = _strayed(fleet, comparison, is_judged, spreads, tail)
    z, _, freedom, normal = strayed
    middles = _middles(fleet, comparison)
    kinship = _kinship(fleet, comparison, middles)
    least = settings.least_calibration_vehicles
    quantities = learn_units(normal, _sides(fleet), kinship, least)
    correlation = _correlation(normal, fleet)
    adverse = _adverse(z, freedom, fleet, correlation)
    units = learn_adverse(adverse, kinship)
    yardstick = Yardstick(priors, tail, correlation, middles, quantities, units)
    return yardstick, _calibrated(fleet, strayed, adverse, kinship, yardstick)


def score(fleet: Fleet, comparison: Comparison, is_judged: Mask, yardstick: Yardstick) -> Scores:
    """Every judged value of the fleet scored by what was learned of it, or of one before."""
    spreads = moderated_spreads(fleet, comparison, is_judged, yardstick.priors)
    strayed = _strayed(fleet, comparison, is_judged, spreads, yardstick.tail)
    kinship = _kinship(fleet, comparison, yardstick.middles)
    z, _, freedom, _ = strayed
    adverse = _adverse(z, freedom, fleet, yardstick.correlation)
    return _calibrated(fleet, strayed, adverse, kinship, yardstick)


def _calibrated(
    fleet: Fleet,
    strayed: tuple[Array, Array, Array, Array],
    adverse: Adverse,
    kinship: Kinship,
    yardstick: Yardstick,
) -> Scores:
    z, spread, freedom, normal = strayed
    quantities = calibrate(normal, _sides(fleet), kinship, yardstick.quantities)
    together = calibrate_adverse(adverse, kinship, yardstick.adverse)
    return Scores(z, spread, freedom, quantities, together, adverse.direction)


def _strayed(
    fleet: Fleet, comparison: Comparison, is_judged: Mask, spreads: Spreads, tail: Tail
) -> tuple[Array, Array, Array, Array]:
    """Deviation in spreads, spread, degrees of freedom and normal score of every value."""
    spread, freedom = fleet_spread(fleet, comparison, spreads, tail)
    z = np.where(is_judged, (fleet.values - comparison.expectation.expected) / spread, np.nan)
    normal = np.where(is_judged, normal_scores(_known(z), _known(freedom, 1.0)), np.nan)
    return z, spread, freedom, normal


def _known(values: Array, otherwise: float = 0.0) -> Array:
    return np.where(np.isfinite(values), values, otherwise)


def _sides(fleet: Fleet) -> Numbers:
    """1 where high is adverse, -1 where low is, 0 where both are."""
    return np.array([(f.high is not None) * 1 - (f.low is not None) for f in fleet.features])


def _correlation(normal: Array, fleet: Fleet) -> Array | None:
    """How quantities go together in a fleet; whole tests are not looked at so."""
    if not normal.size or any(feature.is_for_whole_test for feature in fleet.features):
        return None
    return robust_correlation(normal)


def _adverse(z: Array, freedom: Array, fleet: Fleet, correlation: Array | None) -> Adverse:
    """Every row weighed along the adverse directions that hold for it."""
    n = len(z)
    if correlation is None or not z.size:
        nothing, none = np.full(n, np.nan), np.zeros(n, dtype=np.int64)
        return Adverse(nothing, none, nothing, none)
    weights = direction_weights(tuple(feature.name for feature in fleet.features))
    allowed = is_enough_known(np.isfinite(z), weights)
    for place, direction in enumerate(DIRECTIONS):
        allowed[np.isin(fleet.regimes.astype(str), direction.unless_regimes), place] = False
        if not direction.is_for_orifice_tubes:
            allowed[fleet.is_orifice_tube, place] = False
    return adverse_scores(z, _known(freedom, 1.0), weights, allowed, correlation)


def _kinds(fleet: Fleet, comparison: Comparison) -> tuple[Texts, Texts, Texts]:
    """Level of the comparison, control state and window kind of every row."""
    level = comparison.levels.max(axis=1, initial=0).astype(str).astype(object)
    return level, fleet.regimes, fleet.kinds


def _kinship(fleet: Fleet, comparison: Comparison, middles: dict[str, float]) -> Kinship:
    """Rows in the same control state, compared on the same level, from near to far."""
    parts = _kinds(fleet, comparison)
    kind = joined(*parts)
    pool = np.where(fleet.pools != "", joined(fleet.pools, *parts), "")
    # rows stand in order of time within a car: its last row of a kind is its latest test
    backwards = joined(fleet.vehicle_ids, *parts)[::-1]
    is_latest = np.zeros(len(kind), dtype=bool)
    is_latest[len(kind) - 1 - np.unique(backwards, return_index=True)[1]] = True
    model = joined(fleet.model_ids, *parts)
    return Kinship(model, pool, kind, is_latest, _strata(fleet, comparison, kind, middles))


def _air(fleet: Fleet) -> Array:
    """The air at the condenser of every row, from the source that is known."""
    sinks = fleet.conditions[:, _HEAT_SINKS]
    known = np.isfinite(sinks)
    first = np.argmax(known, axis=1)
    return np.where(known.any(axis=1), sinks[np.arange(len(sinks)), first], np.nan)


def _middles(fleet: Fleet, comparison: Comparison) -> dict[str, float]:
    """The air temperature that half of the rows of a kind lie above."""
    air, kind = _air(fleet), joined(*_kinds(fleet, comparison))
    known = np.isfinite(air)
    return {
        str(name): float(np.median(air[(kind == name) & known])) for name in np.unique(kind[known])
    }


def _strata(
    fleet: Fleet, comparison: Comparison, kind: NDArray[np.str_], middles: dict[str, float]
) -> Mask:
    """(n, 2): warmer air than half of the rows of the kind had; a small baseline."""
    names, number = np.unique(kind, return_inverse=True)
    middle = np.array([middles.get(name, np.inf) for name in names.tolist()])
    # what is not known is not warm
    is_warm: Mask = _known(_air(fleet), -np.inf) > middle[number] if kind.size else kind == ""
    is_small: Mask = comparison.expectation.vehicles.max(axis=1, initial=0.0) < _SMALL_BASELINE
    return np.column_stack([is_warm, is_small])
