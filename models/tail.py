"""How far healthy cars stray: scale and tail of the standardised residuals of the fleet.

Array functions on residuals that were judged by fits their car had no part in. The fleet is
not labelled and holds faulty cars, so what lies far out is not looked at: the scale comes
from the median, the tail from the shape of what lies within three scales (a likelihood that
knows it was cut there), in tests that stray far in nothing. Faults that hide
within make both wider, never narrower. Does not belong here: expected values and spreads of
single groups (`baseline`), p-values of rows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import gammaln, ndtri, stdtr, stdtrit

if TYPE_CHECKING:
    from models.conditions import Array, Mask, Numbers
    from models.settings import AssessmentSettings

# Median of the absolute standard normal.
_NORMAL_MEDIAN = 0.6744897501960817
# Beyond this many scales a residual says nothing of healthy cars.
CUT = 3.0
# A test with any residual beyond is left out whole: a fault that shows in one quantity
# shifts others less, and those would pass for a heavy tail of healthy cars. Student fleets
# keep their tail within a fifth by it, unless all quantities of a car stray together: then
# 5 degrees of freedom are taken for 7 to 8 [computed]. Fleets of a few dozen cars, a quarter
# of them faulty, would lose most of their findings by a wider limit.
FAR = 4.0
_BINS = 240
# Tails tried, as 1 / degrees of freedom: from all but normal to Student's t with 3.
_INVERSE_FREEDOM = np.linspace(0.005, 1.0 / 3.0, 67)
# Belief about 1 / degrees of freedom before any residual is seen: its standard deviation
# about the stated default [default, tune on data].
_PRIOR_DEVIATION = 0.08
# A scale is believed as far as cars speak for it; so many stand for the scale as computed
# [default, tune on data].
_PRIOR_VEHICLES = 50.0
_SCALE_BOUNDS = (0.7, 1.5)
_LEAST_PROBABILITY = 1e-300


@dataclass(frozen=True)
class Tail:
    """Scale and tail given to healthy cars.

    `factors` (features,) multiply the spreads; `degrees_of_freedom` of Student's t;
    `n_residuals` behind the tail, 0 where it is the stated default.
    """

    factors: Array
    degrees_of_freedom: float
    n_residuals: int


def default_tail(n_features: int, settings: AssessmentSettings) -> Tail:
    """The tail that is stated without having seen enough residuals."""
    return Tail(np.ones(n_features), settings.tail_degrees_of_freedom, 0)


def normal_scores(z: Array, freedom: Array) -> Array:
    """Standard normal values as far out as `z` is in Student's t with `freedom`."""
    tail = np.maximum(stdtr(freedom, -np.abs(z)), _LEAST_PROBABILITY)
    return np.asarray(-ndtri(tail) * np.sign(z))


def estimate_tail(
    scores: Array,
    usable: tuple[Mask, Mask],
    vehicles: Numbers,
    settings: AssessmentSettings,
    *,
    far: float = FAR,
) -> Tail:
    """Scale per feature, and one tail over all features and groups of cars.

    Parameters
    ----------
    scores : (n, features)
        Normal scores of held-out residuals, so that small baselines are accounted for.
    usable : two of (n, features)
        Residuals to learn the scale from, and those of them that speak of the tail too: not
        those whose spread is mostly the stated uncertainty of sensors, which may do better.
    vehicles : (n,)
        Number of the vehicle of each row: residuals of one car are not independent, and
        the uncertainty of the tail is taken over cars.
    far : float
        Rows with anything usable beyond are left out.
    """
    judged, speaks_of_tail = usable
    n_features = scores.shape[1]
    factors = np.array(
        [_factor(scores[judged[:, k], k], vehicles[judged[:, k]]) for k in range(n_features)]
    )
    n_residuals = int((judged & speaks_of_tail).sum())
    if n_residuals < settings.least_residuals_for_tail:
        return default_tail(n_features, settings)
    medians = np.array([_scale(scores[judged[:, k], k]) for k in range(n_features)])
    with np.errstate(invalid="ignore", divide="ignore"):
        sizes = np.abs(scores) / medians
    is_near: Mask = np.logical_not(np.any((np.abs(scores) > far) & judged, axis=1))
    inside = speaks_of_tail & judged & is_near[:, None] & (sizes < CUT)
    cars = np.broadcast_to(vehicles[:, None], sizes.shape)[inside]
    inverse = _inverse_freedom(sizes[inside], cars, 1.0 / settings.tail_degrees_of_freedom)
    lightest = settings.lightest_tail_degrees_of_freedom
    freedom = float(np.clip(1.0 / inverse, 1.0 / _INVERSE_FREEDOM[-1], lightest))
    return Tail(factors, freedom, n_residuals)


def _scale(scores: Array) -> float:
    return float(np.median(np.abs(scores)) / _NORMAL_MEDIAN) if scores.size else 1.0


def _factor(scores: Array, vehicles: Numbers) -> float:
    """Scale of the scores, drawn towards 1 where few cars speak for it, and bounded."""
    n_vehicles = np.unique(vehicles).size
    bounded = np.clip(_scale(scores), *_SCALE_BOUNDS)
    return float(bounded ** (n_vehicles / (n_vehicles + _PRIOR_VEHICLES)))


def _inverse_freedom(sizes: Array, cars: Numbers, prior: float) -> float:
    """1 / degrees of freedom by the likelihood cut at `CUT`, drawn to the prior when unsure."""
    edges = np.linspace(0.0, CUT, _BINS + 1)
    table = _log_likelihoods((edges[1:] + edges[:-1]) / 2)
    bins = np.minimum((sizes * (_BINS / CUT)).astype(np.int64), _BINS - 1)
    total = np.bincount(bins, minlength=_BINS) @ table
    best = int(np.clip(np.argmax(total), 1, len(total) - 2))
    step = float(_INVERSE_FREEDOM[1] - _INVERSE_FREEDOM[0])
    curvature = -(total[best + 1] - 2 * total[best] + total[best - 1]) / step**2
    score = ((table[:, best + 1] - table[:, best - 1]) / (2 * step))[bins]
    _, number = np.unique(cars, return_inverse=True)
    per_car = np.bincount(number, weights=score)
    error = np.sqrt(((per_car - per_car.mean()) ** 2).sum()) / max(curvature, 1e-9)
    weight = _PRIOR_DEVIATION**2 / (_PRIOR_DEVIATION**2 + error**2)
    return float(weight * _INVERSE_FREEDOM[np.argmax(total)] + (1.0 - weight) * prior)


def _log_likelihoods(sizes: Array) -> Array:
    """(sizes, tails): log density of |t|, its median that of the normal, cut at `CUT`."""
    freedom = 1.0 / _INVERSE_FREEDOM
    unit = median_ratio(freedom)
    constant = gammaln((freedom + 1) / 2) - gammaln(freedom / 2) - 0.5 * np.log(np.pi * freedom)
    t = sizes[:, None] * unit
    density = constant - (freedom + 1) / 2 * np.log1p(t**2 / freedom) + np.log(unit)
    within = np.log(2.0 * stdtr(freedom, CUT * unit) - 1.0)
    return np.asarray(density - within)


def median_ratio(freedom: Array) -> Array:
    """Median of |Student's t| over that of the standard normal."""
    return np.asarray(stdtrit(freedom, 0.75) / _NORMAL_MEDIAN)
