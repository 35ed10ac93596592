"""What is normal: the expected value and spread of every feature under given conditions.

Takes the arrays of one group of cars (one model, or several of one architecture) in one
regime, fits every feature robustly on the conditions, and judges every test by a fit that
its own car had no part in. A pool of models has an intercept per model; a car of it is
compared with the mean of the models, and the spread grows by how much models differ.
Does not belong here: which groups there are (`comparison`), p-values, findings.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.conditions import CONDITIONS
from models.reasons import NUMBER, NotAssessable
from models.robust import (
    SCALE_EFFICIENCY,
    RobustFit,
    fit_robust,
    information,
    inverse,
    refit_robust,
    weighted_median,
)

if TYPE_CHECKING:
    from models.conditions import Array, Basis, Mask, Numbers
    from models.findings import JudgedFeature
    from models.settings import AssessmentSettings

# Belief about how much models of one architecture differ, before any is seen: one least
# effect, worth two models [default, tune on data].
_PRIOR_MODELS = 2.0
_TINY = 1e-12
# From so many cars on, a fold less moves a fit by less than a hundredth of a spread.
_MANY_VEHICLES = 200.0


@dataclass(frozen=True)
class Group:
    """Tests of comparable cars in one regime, one row per test, in a stable order.

    `vehicles` and `models` number the cars and models from 0; `conditions` (n, c),
    `values` and `uncertainties` (n, f) carry NaN where not known; `features` names the
    columns of the latter two.
    """

    vehicles: Numbers
    vehicle_ids: tuple[str, ...]
    models: Numbers
    conditions: Array
    values: Array
    uncertainties: Array
    features: tuple[JudgedFeature, ...]


@dataclass(frozen=True)
class Expectation:
    """What was expected of some rows of a group, (rows, features) each.

    `reasons` is 0 where the value can be judged, else the number of the reason.
    """

    expected: Array
    spread: Array
    degrees_of_freedom: Array
    vehicles: Array
    reasons: Numbers


@dataclass(frozen=True)
class Fits:
    """The fits of one basis: every array leads with (folds + 1, features).

    The last fold holds nobody out: it is what is published, and what cars are judged by that
    had no part in the fit. `shares` are the weights of the model intercepts in an expected
    value, `lowest` and `highest` the conditions seen.
    """

    basis: Basis
    centre: Array
    unit: Array
    coefficients: Array
    scale: Array
    covariance: Array
    plain_inverse: Array
    shares: Array
    vehicles: Array
    tests: Array
    typical_variance: Array
    between_models: Array
    between_freedom: Array
    lowest: Array
    highest: Array


def assign_folds(vehicle_ids: tuple[str, ...], settings: AssessmentSettings) -> Numbers:
    """The fold of every vehicle: its own while the group is small, else by stable hash."""
    if len(vehicle_ids) <= settings.leave_one_out_up_to:
        return np.arange(len(vehicle_ids))
    return np.array([_hash(v, settings.fold_seed) % settings.folds for v in vehicle_ids])


def _hash(vehicle_id: str, seed: int) -> int:
    digest = hashlib.sha256(f"{seed}:{vehicle_id}".encode()).digest()
    return int.from_bytes(digest[:8], "big")


def fit_basis(group: Group, basis: Basis, rows: Numbers, folds: Numbers) -> Fits:
    """All held-out fits of a group on one basis, from the given rows of it.

    `folds` number the fold of every vehicle of the group.
    """
    terms = group.conditions[rows][:, list(basis.terms)]
    centre = np.median(terms, axis=0)
    unit = np.array([CONDITIONS[place].least_variation for place in basis.terms])
    _, models = np.unique(group.models[rows], return_inverse=True)
    n_models = int(models.max()) + 1
    dummies = (models[:, None] == np.arange(n_models)).astype(float)
    design = np.hstack([dummies, _terms(terms, basis, centre, unit)])
    weights = _weights(group, rows, folds[group.vehicles[rows]])
    n_folds, n_features, n_rows = weights.shape
    flat = weights.reshape(-1, n_rows)
    responses = np.broadcast_to(group.values[rows].T, weights.shape).reshape(flat.shape)
    fit = _fit_all_folds(design, responses, flat, n_features)
    shares = _model_shares(dummies, flat)
    variance = np.broadcast_to(group.uncertainties[rows].T ** 2, weights.shape)
    between, freedom = _between_models(fit, shares, group.features)
    lowest, highest = _ranges(group.conditions[rows], flat)
    lead = (n_folds, n_features)
    return Fits(
        basis=basis,
        centre=centre,
        unit=unit,
        coefficients=fit.coefficients.reshape(*lead, -1),
        scale=fit.scale.reshape(lead),
        covariance=_square(fit.inverse_information * fit.scale[:, None, None] ** 2, lead),
        plain_inverse=_square(
            inverse(information(design[:, : n_models + len(centre)], flat)), lead
        ),
        shares=shares.reshape(*lead, -1),
        vehicles=np.round(flat.sum(axis=1)).reshape(lead),
        tests=(flat > 0).sum(axis=1).reshape(lead).astype(float),
        typical_variance=np.nan_to_num(weighted_median(variance.reshape(flat.shape), flat)).reshape(
            lead
        ),
        between_models=between.reshape(lead),
        between_freedom=freedom.reshape(lead),
        lowest=lowest.reshape(*lead, -1),
        highest=highest.reshape(*lead, -1),
    )


def _fit_all_folds(design: Array, responses: Array, weights: Array, n_features: int) -> RobustFit:
    """All fits; with many cars the last `n_features`, to everybody, are where the others start."""
    if weights[-1].sum() < _MANY_VEHICLES:
        return fit_robust(design, responses, weights)
    whole = fit_robust(design, responses[-n_features:], weights[-n_features:])
    n_folds = len(weights) // n_features - 1
    start = np.tile(whole.coefficients, (n_folds, 1))
    held_out = refit_robust(design, responses[:-n_features], weights[:-n_features], start)
    pairs = (
        (held_out.coefficients, whole.coefficients),
        (held_out.scale, whole.scale),
        (held_out.inverse_information, whole.inverse_information),
    )
    return RobustFit(*(np.concatenate(pair) for pair in pairs))


def _terms(values: Array, basis: Basis, centre: Array, unit: Array) -> Array:
    """(rows, terms): the conditions from their centre in their units, then the products."""
    scaled = (values - centre) / unit
    place = {term: number for number, term in enumerate(basis.terms)}
    products = [scaled[:, place[a]] * scaled[:, place[b]] for a, b in basis.products]
    return np.column_stack([scaled, *products])


def _square(matrices: Array, lead: tuple[int, int]) -> Array:
    """The matrices by fold and feature, symmetric to the last bit: half of each is stored."""
    even = (matrices + np.swapaxes(matrices, -1, -2)) / 2.0
    return np.asarray(even.reshape(*lead, *matrices.shape[-2:]))


def _weights(group: Group, rows: Numbers, folds: Numbers) -> Array:
    """(folds + 1, features, rows): one per car in sum, nothing for the car's own fold."""
    known = np.isfinite(group.values[rows]) & np.isfinite(group.uncertainties[rows])
    counts = np.zeros((int(group.vehicles.max()) + 1, known.shape[1]))
    np.add.at(counts, group.vehicles[rows], known)
    per_test = np.where(known, 1.0 / np.maximum(counts[group.vehicles[rows]], 1.0), 0.0).T
    n_folds = int(folds.max()) + 1
    held_out = folds[None, :] == np.arange(n_folds + 1)[:, None]
    weights: Array = per_test[None, :, :] * ~held_out[:, None, :]
    return weights


def _model_shares(dummies: Array, weights: Array) -> Array:
    """Equal shares of the models that have any value at all, 0 for the others."""
    present = ((weights @ dummies) > 0).astype(float)
    shares: Array = present / np.maximum(present.sum(axis=1, keepdims=True), 1.0)
    return shares


def _between_models(
    fit: RobustFit, shares: Array, features: tuple[JudgedFeature, ...]
) -> tuple[Array, Array]:
    """Standard deviation between models and its degrees of freedom; 0 for a single model.

    The excess of the scatter of the intercepts over their own uncertainty, drawn towards
    the prior as a scaled inverse chi-squared would.
    """
    n_models = shares.shape[1]
    prior = np.tile([f.least_effect for f in features], shares.shape[0] // len(features))
    if n_models == 1:
        return np.zeros(len(prior)), np.full(len(prior), np.inf)
    intercepts = fit.coefficients[:, :n_models]
    mean = (shares * intercepts).sum(axis=1, keepdims=True)
    seen = (shares > 0).sum(axis=1)
    scatter = ((shares > 0) * (intercepts - mean) ** 2).sum(axis=1)
    own = np.diagonal(fit.inverse_information, axis1=1, axis2=2)[:, :n_models]
    noise = (shares * own).sum(axis=1) * fit.scale**2
    freedom = np.maximum(seen - 1, 0)
    excess = np.maximum(scatter - freedom * noise, 0.0)
    variance = (_PRIOR_MODELS * prior**2 + excess) / (_PRIOR_MODELS + freedom)
    return np.sqrt(variance), _PRIOR_MODELS + freedom


def _ranges(conditions: Array, weights: Array) -> tuple[Array, Array]:
    """Lowest and highest value of every condition behind each fit; +-inf where none."""
    used = weights > 0
    lowest = np.empty((len(weights), conditions.shape[1]))
    highest = np.empty_like(lowest)
    for place, column in enumerate(conditions.T):
        usable = used & np.isfinite(column)
        lowest[:, place] = np.where(usable, column, np.inf).min(axis=1)
        highest[:, place] = np.where(usable, column, -np.inf).max(axis=1)
    return lowest, highest


def expect(
    group: Group, fits: Fits, rows: Numbers, folds: Numbers, settings: AssessmentSettings
) -> Expectation:
    """What was to be expected of `rows`, by fits that their cars had no part in.

    `folds` (rows,) is the fold that holds out the car of each; any number beyond the last
    stands for a car that had no part in any.
    """
    fold = np.minimum(folds, fits.coefficients.shape[0] - 1)
    contrast = _contrast(group, fits, rows, fold)
    expected = np.einsum("ifp,ifp->if", contrast, fits.coefficients[fold])
    of_fit = np.einsum("ifp,ifpq,ifq->if", contrast, fits.covariance[fold], contrast)
    seen = np.maximum((fits.shares[fold] > 0).sum(axis=2), 1)
    of_models = fits.between_models[fold] ** 2 * (1.0 + 1.0 / seen)
    own = group.uncertainties[rows] ** 2
    of_cars = np.maximum(fits.scale[fold] ** 2 - fits.typical_variance[fold], 0.0)
    floor = np.array([feature.least_spread for feature in group.features])
    spread = np.sqrt(np.maximum(of_cars + own, floor**2) + of_fit + of_models)
    freedom = _degrees_of_freedom(fits, fold, (of_cars + of_fit, of_models, spread))
    reasons = _reasons(group, fits, rows, fold, settings)
    outside = _is_outside(group, fits, rows, fold)
    outside |= _has_leverage(fits, fold, contrast, settings)
    reasons[(reasons == 0) & outside] = NUMBER[NotAssessable.OUTSIDE_RANGE_SEEN]
    return Expectation(expected, spread, freedom, fits.vehicles[fold], reasons)


def _has_leverage(fits: Fits, fold: Numbers, contrast: Array, settings: AssessmentSettings) -> Mask:
    """True where the conditions together lie outside what was seen.

    Products of conditions are no conditions of their own and have no part in it: what they
    make uncertain widens the spread.
    """
    inverse_information = fits.plain_inverse[fold]
    plain = contrast[:, :, : inverse_information.shape[-1]]
    leverage = np.einsum("ifp,ifpq,ifq->if", plain, inverse_information, plain)
    mean = (1 + len(fits.basis.terms)) / np.maximum(fits.vehicles[fold], 1.0)
    has_leverage: Mask = leverage > settings.leverage_limit * mean
    return has_leverage


def _contrast(group: Group, fits: Fits, rows: Numbers, fold: Numbers) -> Array:
    """(rows, features, p): the combination of coefficients that gives the expected value."""
    values = group.conditions[rows][:, list(fits.basis.terms)]
    terms = _terms(values, fits.basis, fits.centre, fits.unit)
    n_features = len(group.features)
    repeated = np.repeat(terms[:, None, :], n_features, axis=1)
    return np.concatenate([fits.shares[fold], repeated], axis=2)


def _degrees_of_freedom(fits: Fits, fold: Numbers, parts: tuple[Array, Array, Array]) -> Array:
    """Degrees of freedom of the spread itself, small for small baselines.

    The parts of the spread are combined as Welch and Satterthwaite do.
    """
    of_cars, of_models, spread = parts
    terms = 1 + fits.basis.n_terms
    of_scale = np.maximum(SCALE_EFFICIENCY * (fits.vehicles[fold] - terms), 1.0)
    share = of_cars**2 / of_scale + of_models**2 / fits.between_freedom[fold]
    return np.asarray(np.maximum(spread, _TINY) ** 4 / np.maximum(share, _TINY))


def _reasons(
    group: Group, fits: Fits, rows: Numbers, fold: Numbers, settings: AssessmentSettings
) -> Numbers:
    needed = max(
        settings.least_vehicles,
        settings.least_vehicles_per_term * (1 + fits.basis.n_terms),
    )
    reasons = np.zeros((len(rows), len(group.features)), dtype=np.int64)
    reasons[fits.vehicles[fold] < needed] = NUMBER[NotAssessable.BASELINE_TOO_SMALL]
    for place, feature in enumerate(group.features):
        if not feature.roles <= fits.basis.roles:
            reasons[:, place] = NUMBER[NotAssessable.CONDITIONS_MISSING]
    return reasons


def _is_outside(group: Group, fits: Fits, rows: Numbers, fold: Numbers) -> Mask:
    """True where a known condition lies beyond what the other cars have seen, and margin."""
    outside = np.zeros((len(rows), len(group.features)), dtype=bool)
    for place, condition in enumerate(CONDITIONS):
        value = group.conditions[rows, place][:, None]
        low, high = fits.lowest[fold][:, :, place], fits.highest[fold][:, :, place]
        known = np.isfinite(value) & np.isfinite(low)
        beyond = (value < low - condition.margin) | (value > high + condition.margin)
        outside |= known & beyond
    return outside
