"""Each car compared with its own kind: first with its model, then with its architecture.

Takes the arrays of tests (`Fleet`), forms the groups by control regime, kind of window and
condenser fan stage, and gives what was expected of every value, on which level of pooling,
and why not where it was not. Fitting and judging are two walks over the same groups:
`fit_groups` fits each that it comes to, `compare` looks up what was fitted before.
Does not belong here: one group (`fitted_groups`), frames, p-values.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.baseline import Expectation, Group, expect
from models.conditions import lacking
from models.fitted_groups import GroupKey, blank, fit_group, nothing_fitted
from models.reasons import NUMBER, NotAssessable

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from models.conditions import Array, Mask, Numbers
    from models.findings import JudgedFeature
    from models.fitted_groups import FittedGroup
    from models.settings import AssessmentSettings

    Texts = NDArray[np.object_]
    FittedGroups = dict[GroupKey, FittedGroup]

_TOO_SMALL = NUMBER[NotAssessable.BASELINE_TOO_SMALL]
_OUTSIDE = NUMBER[NotAssessable.OUTSIDE_RANGE_SEEN]
_STAGE_WORDS = ", condenser fan stage"
LEVELS = ("none", "model", "architecture")
_MODEL = LEVELS[1]


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
class Comparison:
    """Every value of a fleet compared.

    `expectation` over all rows and features; `levels` (n, f) numbers `LEVELS`; `terms` and
    `lacking` (n, f) are texts: the conditions allowed for, and those that the test lacks.
    """

    expectation: Expectation
    levels: Numbers
    terms: Texts
    lacking: Texts


@dataclass(frozen=True)
class _GroupComparison:
    expectation: Expectation
    terms: Texts
    lacking: Texts


def fit_groups(fleet: Fleet, settings: AssessmentSettings) -> tuple[FittedGroups, Comparison]:
    """The fits that this fleet needs to be compared, and the fleet compared by them."""
    fitted: FittedGroups = {}

    def fitting(key: GroupKey, group: Group) -> FittedGroup | None:
        if key.level != _MODEL and int(group.models.max()) == 0:
            return None
        fitted[key] = fit_group(group, settings)
        return fitted[key]

    return fitted, _walk(fleet, fitting, settings)


def compare(fleet: Fleet, fitted: FittedGroups, settings: AssessmentSettings) -> Comparison:
    """Every value of the fleet against its own kind as it was fitted, the nearest that suffices.

    First the cars of its model at the same fan stage: the stage sets both the level of the
    high side and how far healthy cars scatter about it. Where these are too few, or never
    saw such conditions, the cars of its model at any stage, the command allowed for by a
    term; last the cars of its architecture.
    """

    def known(key: GroupKey, group: Group) -> FittedGroup | None:
        found = fitted.get(key)
        return nothing_fitted(group) if found is None and key.level == _MODEL else found

    return _walk(fleet, known, settings)


def _walk(
    fleet: Fleet,
    fitted_of: Callable[[GroupKey, Group], FittedGroup | None],
    settings: AssessmentSettings,
) -> Comparison:
    """The rounds of comparison, each asking for the fits of the groups that it comes to."""
    shape = fleet.values.shape
    result = blank(shape)
    levels = np.zeros(shape, dtype=np.int64)
    terms, lacked = np.full(shape, "", dtype=object), np.full(shape, "", dtype=object)
    for level, labels, stages, usable in _passes(fleet):
        for rows in _rows_of_groups((fleet.regimes, fleet.kinds, stages, labels), usable):
            known: Mask = np.isfinite(fleet.values[rows])
            unsolved: Mask = known & _is_open(result.reasons[rows], level)
            if not np.any(unsolved):
                continue
            first = rows[0]
            where = (fleet.regimes[first], fleet.kinds[first], stages[first])
            group = _group(fleet, rows)
            fitted = fitted_of(GroupKey(LEVELS[level], labels[first], *where), group)
            if fitted is None:
                continue
            found = _compare_group(group, fitted, _any_of(unsolved), settings)
            solved = found.expectation.reasons != _TOO_SMALL
            _scatter(result, rows, found.expectation, unsolved & (solved | (level == 1)))
            take = unsolved & solved
            named = found.terms + (_STAGE_WORDS if stages[first] else "")
            for target, source in ((terms, named), (lacked, found.lacking)):
                target[rows] = np.where(take, source[:, None], target[rows])
            levels[rows] = np.where(take, level, levels[rows])
    return Comparison(result, levels, terms, lacked)


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


def _compare_group(
    group: Group, fitted: FittedGroup, wanted: Mask, settings: AssessmentSettings
) -> _GroupComparison:
    """One group judged where wanted, each row on the richest basis that it can offer."""
    known = np.isfinite(group.conditions)
    chosen = fitted.choice.of(known)
    folds = fitted.folds_of(group.vehicle_ids)[group.vehicles]
    result = fitted.without_basis(group)
    terms = np.full(len(wanted), "", dtype=object)
    for number, fits in enumerate(fitted.fits):
        rows = np.flatnonzero(wanted & (chosen == number))
        if rows.size == 0 or fits is None:
            continue
        everything = np.ones((rows.size, group.values.shape[1]), dtype=bool)
        expectation = expect(group, fits, rows, folds[rows], settings)
        _scatter(result, rows, expectation, everything)
        terms[rows] = fits.basis.label
    lacked = np.array(lacking(fitted.choice.bases, known), dtype=object)
    return _GroupComparison(result, terms, lacked)
