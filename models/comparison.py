"""Each car compared with its own kind: first with its model, then with its architecture.

Takes the arrays of all tests (`Fleet`), forms the groups by control regime, kind of window
and condenser fan stage, and gives what was expected of every value, on which level of
pooling, and why not where it was not.
Does not belong here: fitting one group on one basis (`baseline`), frames, p-values.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.baseline import Expectation, Fits, Group, expect, fit_basis
from models.conditions import BasisNeeds, choose_bases, lacking
from models.reasons import NUMBER, NotAssessable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.conditions import Array, Mask, Numbers
    from models.findings import JudgedFeature
    from models.settings import AssessmentSettings

    Texts = NDArray[np.object_]

_TOO_SMALL = NUMBER[NotAssessable.BASELINE_TOO_SMALL]
_OUTSIDE = NUMBER[NotAssessable.OUTSIDE_RANGE_SEEN]
_NO_CONDITIONS = NUMBER[NotAssessable.CONDITIONS_MISSING]
# A model with fewer cars says too little about its own centre to help place a pool's.
_LEAST_VEHICLES_OF_A_POOLED_MODEL = 3
_STAGE_WORDS = ", condenser fan stage"
LEVELS = ("none", "model", "architecture")


@dataclass(frozen=True)
class Fleet:
    """All tests of one kind of row (per regime, or of the whole test), in a stable order.

    Text columns are object arrays (n,); `pools` is architecture and refrigerant, empty
    where either is not known; `kinds` is steady, periodic or empty, `stages` the
    fan stage that a steady window held, else empty. Quantities as in `Group`.
    `is_orifice_tube` (n,) is True for cars known to have one.
    """

    vehicle_ids: Texts
    model_ids: Texts
    pools: Texts
    regimes: Texts
    kinds: Texts
    stages: Texts
    conditions: Array
    values: Array
    uncertainties: Array
    is_orifice_tube: Mask
    features: tuple[JudgedFeature, ...]


@dataclass(frozen=True)
class FittedGroup:
    """The fits of one group on one basis, and which group it is."""

    level: str
    label: str
    regime: str
    kind: str
    stage: str
    n_models: int
    fits: Fits
    features: tuple[JudgedFeature, ...]


@dataclass(frozen=True)
class Comparison:
    """Every value of a fleet compared.

    `expectation` over all rows and features; `levels` (n, f) numbers `LEVELS`; `terms` and
    `lacking` (n, f) are texts: the conditions allowed for, and those that the test lacks.
    """

    expectation: Expectation
    levels: Numbers
    terms: Texts
    lacking: Texts
    fitted: tuple[FittedGroup, ...]


@dataclass(frozen=True)
class _GroupComparison:
    expectation: Expectation
    terms: Texts
    lacking: Texts
    fits: tuple[Fits, ...]


def compare(fleet: Fleet, settings: AssessmentSettings) -> Comparison:
    """Every value of the fleet against its own kind, the nearest that suffices.

    First the cars of its model at the same fan stage: the stage sets both the level of the
    high side and how far healthy cars scatter about it. Where these are too few, or never
    saw such conditions, the cars of its model at any stage, the command allowed for by a
    term; last the cars of its architecture.
    """
    shape = fleet.values.shape
    result = _blank(shape)
    levels = np.zeros(shape, dtype=np.int64)
    terms, lacked = np.full(shape, "", dtype=object), np.full(shape, "", dtype=object)
    fitted: list[FittedGroup] = []
    for level, labels, stages, usable in _passes(fleet):
        for rows in _rows_of_groups((fleet.regimes, fleet.kinds, stages, labels), usable):
            n_models = len(set(fleet.model_ids[rows]))
            known: Mask = np.isfinite(fleet.values[rows])
            unsolved: Mask = known & _is_open(result.reasons[rows], level)
            if not np.any(unsolved) or (level > 1 and n_models == 1):
                continue
            found = _compare_group(_group(fleet, rows), _any_of(unsolved), settings)
            solved = found.expectation.reasons != _TOO_SMALL
            _scatter(result, rows, found.expectation, unsolved & (solved | (level == 1)))
            take = unsolved & solved
            named = found.terms + (_STAGE_WORDS if stages[rows[0]] else "")
            for target, source in ((terms, named), (lacked, found.lacking)):
                target[rows] = np.where(take, source[:, None], target[rows])
            levels[rows] = np.where(take, level, levels[rows])
            first = rows[0]
            where = (fleet.regimes[first], fleet.kinds[first], stages[first])
            name = (LEVELS[level], labels[first], *where)
            fitted += [FittedGroup(*name, n_models, fits, fleet.features) for fits in found.fits]
    return Comparison(result, levels, terms, lacked, tuple(fitted))


def _passes(fleet: Fleet) -> list[tuple[int, Texts, Texts, Mask]]:
    """Level, labels, stages and usable rows of the three rounds of comparison."""
    any_stage = np.full(len(fleet.stages), "", dtype=object)
    of_model: Mask = fleet.model_ids != ""
    of_stage: Mask = of_model & (fleet.stages != "")
    of_pool: Mask = fleet.pools != ""
    return [
        (1, fleet.model_ids, fleet.stages, of_stage),
        (1, fleet.model_ids, any_stage, of_model),
        (2, fleet.pools, any_stage, of_pool),
    ]


def _any_of(rows: Mask) -> Mask:
    return np.asarray(np.any(rows, axis=1))


def _is_open(reasons: Numbers, level: int) -> Mask:
    """Not judged yet, and worth another try: a pool of models is no cure for odd conditions."""
    is_open: Mask = (reasons == _TOO_SMALL) | ((reasons == _OUTSIDE) & (level == 1))
    return is_open


def _blank(shape: tuple[int, ...]) -> Expectation:
    unknown = np.full(shape, np.nan)
    reasons = np.full(shape, _TOO_SMALL, dtype=np.int64)
    return Expectation(unknown, unknown.copy(), unknown.copy(), np.zeros(shape), reasons)


def _scatter(target: Expectation, rows: Numbers, source: Expectation, take: Mask) -> None:
    for name in ("expected", "spread", "degrees_of_freedom", "vehicles", "reasons"):
        whole, part = getattr(target, name), getattr(source, name)
        whole[rows] = np.where(take, part, whole[rows])


def _rows_of_groups(parts: tuple[Texts, ...], usable: Mask) -> list[Numbers]:
    """Row numbers of the usable rows, those alike in all parts together, in order.

    The mean over the cycles of a switching system is another quantity than the level of a
    steady one, even in one control state: the two are never compared.
    """
    places = np.flatnonzero(usable)
    if places.size == 0:
        return []
    keys = np.array(["\n".join(key) for key in zip(*(p[places] for p in parts), strict=True)])
    distinct, number = np.unique(keys, return_inverse=True)
    order = np.argsort(number, kind="stable")
    ends = np.cumsum(np.bincount(number, minlength=distinct.size))[:-1]
    return [places[part] for part in np.split(order, ends)]


def _group(fleet: Fleet, rows: Numbers) -> Group:
    vehicle_ids, vehicles = np.unique(fleet.vehicle_ids[rows].astype(str), return_inverse=True)
    _, models = np.unique(fleet.model_ids[rows].astype(str), return_inverse=True)
    return Group(
        vehicles=vehicles,
        vehicle_ids=tuple(vehicle_ids.tolist()),
        models=models,
        conditions=fleet.conditions[rows],
        values=fleet.values[rows],
        uncertainties=fleet.uncertainties[rows],
        features=fleet.features,
    )


def _compare_group(group: Group, wanted: Mask, settings: AssessmentSettings) -> _GroupComparison:
    """One group judged where wanted, each row on the richest basis that it can offer."""
    needs = BasisNeeds(settings.least_vehicles, settings.least_vehicles_per_term)
    bases, chosen = choose_bases(group.conditions, group.vehicles, needs)
    result = _without_basis(group)
    terms = np.full(len(wanted), "", dtype=object)
    all_fits = []
    for number, basis in enumerate(bases):
        rows = np.flatnonzero(wanted & (chosen == number))
        known: Mask = np.isfinite(group.conditions[:, list(basis.required)])
        fit_rows = _rows_to_fit(group, np.all(known, axis=1))
        if rows.size == 0 or fit_rows.size == 0:
            continue
        fits = fit_basis(group, basis, fit_rows, settings)
        everything = np.ones((rows.size, group.values.shape[1]), dtype=bool)
        _scatter(result, rows, expect(group, fits, rows, settings), everything)
        terms[rows] = basis.label
        all_fits.append(fits)
    lacked = np.array(lacking(bases, np.isfinite(group.conditions)), dtype=object)
    return _GroupComparison(result, terms, lacked, tuple(all_fits))


def _without_basis(group: Group) -> Expectation:
    """What stands before any fit: too few cars, with their number, or no conditions."""
    result = _blank(group.values.shape)
    known = np.isfinite(group.values)
    has_value = np.zeros((int(group.vehicles.max()) + 1, known.shape[1]), dtype=bool)
    np.logical_or.at(has_value, group.vehicles, known)
    result.vehicles[:] = has_value.sum(axis=0) - has_value[group.vehicles]
    has_condition = np.isfinite(group.conditions).any(axis=1)
    result.reasons[~has_condition] = _NO_CONDITIONS
    return result


def _rows_to_fit(group: Group, usable: Mask) -> Numbers:
    """The usable rows; in a pool of models, those of models with more than a car or two."""
    n_models = int(group.models.max()) + 1
    if n_models == 1:
        return np.flatnonzero(usable)
    cars = [np.unique(group.vehicles[usable & (group.models == m)]).size for m in range(n_models)]
    enough = np.array(cars) >= _LEAST_VEHICLES_OF_A_POOLED_MODEL
    return np.flatnonzero(usable & enough[group.models])
