"""One group of cars fitted: what is kept of it so that any test can be judged by it later.

Takes the arrays of a group (`baseline.Group`), gives its fits on every basis that enough of
its cars were logged with, and which car had a part in which of them. Does not belong here:
which groups there are (`comparison`), the fits themselves (`baseline`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from models.baseline import Expectation, assign_folds, fit_basis
from models.conditions import CONDITIONS, BasisNeeds, Choice, choose_bases
from models.reasons import NUMBER, NotAssessable

if TYPE_CHECKING:
    from models.baseline import Fits, Group
    from models.conditions import Basis, Mask, Numbers
    from models.findings import JudgedFeature
    from models.settings import AssessmentSettings

# A model with fewer cars says too little about its own centre to help place a pool's.
_LEAST_VEHICLES_OF_A_POOLED_MODEL = 3
# The fold of a car that had no part in a fit: beyond all there are.
_NO_FOLD = np.iinfo(np.int32).max


class GroupKey(NamedTuple):
    """Which group: level of pooling, model or pool, control state, window kind, fan stage."""

    level: str
    label: str
    regime: str
    kind: str
    stage: str


@dataclass(frozen=True)
class FittedGroup:
    """The fits of one group.

    `fits` stand in the order of the bases of `choice`, None where no row carries one. `cars`
    gives, by vehicle, its fold and the features that it has any value of (bits); `n_known`
    (f,) counts the cars with a value.
    """

    choice: Choice
    fits: tuple[Fits | None, ...]
    cars: dict[str, tuple[int, int]]
    n_known: Numbers
    n_models: int
    features: tuple[JudgedFeature, ...]

    def folds_of(self, vehicle_ids: tuple[str, ...]) -> Numbers:
        """The fold that holds out each car; beyond all folds where it had no part."""
        nobody = (_NO_FOLD, 0)
        return np.array([self.cars.get(v, nobody)[0] for v in vehicle_ids], dtype=np.int64)

    def without_basis(self, group: Group) -> Expectation:
        """What stands before any fit: too few cars, with their number, or no conditions."""
        result = blank(group.values.shape)
        nobody = (_NO_FOLD, 0)
        bits = np.array([self.cars.get(v, nobody)[1] for v in group.vehicle_ids], dtype=np.int64)
        own = (bits[:, None] >> np.arange(len(self.features))) & 1
        result.vehicles[:] = self.n_known - own[group.vehicles]
        has_condition = np.isfinite(group.conditions).any(axis=1)
        result.reasons[~has_condition] = NUMBER[NotAssessable.CONDITIONS_MISSING]
        return result


def blank(shape: tuple[int, ...]) -> Expectation:
    """Nothing expected of anything: too few cars."""
    unknown = np.full(shape, np.nan)
    reasons = np.full(shape, NUMBER[NotAssessable.BASELINE_TOO_SMALL], dtype=np.int64)
    return Expectation(unknown, unknown.copy(), unknown.copy(), np.zeros(shape), reasons)


def fit_group(group: Group, settings: AssessmentSettings) -> FittedGroup:
    """The group fitted on every basis that enough of its cars were logged with."""
    needs = BasisNeeds(settings.least_vehicles, settings.least_vehicles_per_term)
    choice = choose_bases(group.conditions, group.vehicles, needs)
    folds = assign_folds(group.vehicle_ids, settings)
    has_value = _has_value(group)
    bits = has_value @ (1 << np.arange(has_value.shape[1]))
    cars = zip(folds.tolist(), bits.tolist(), strict=True)
    return FittedGroup(
        choice=choice,
        fits=tuple(_fit(group, basis, folds) for basis in choice.bases),
        cars=dict(zip(group.vehicle_ids, cars, strict=True)),
        n_known=has_value.sum(axis=0),
        n_models=int(group.models.max()) + 1,
        features=group.features,
    )


def nothing_fitted(group: Group) -> FittedGroup:
    """What stands for a group that nobody was known of when baselines were fitted."""
    n_features = group.values.shape[1]
    nothing = Choice((), np.zeros(len(CONDITIONS), dtype=bool))
    return FittedGroup(nothing, (), {}, np.zeros(n_features, dtype=np.int64), 0, group.features)


def _has_value(group: Group) -> Numbers:
    """(cars, features): 1 where the car has any value."""
    has_value = np.zeros((len(group.vehicle_ids), group.values.shape[1]), dtype=bool)
    np.logical_or.at(has_value, group.vehicles, np.isfinite(group.values))
    return has_value.astype(np.int64)


def _fit(group: Group, basis: Basis, folds: Numbers) -> Fits | None:
    known: Mask = np.isfinite(group.conditions[:, list(basis.required)])
    rows = _rows_to_fit(group, np.all(known, axis=1))
    return fit_basis(group, basis, rows, folds) if rows.size else None


def _rows_to_fit(group: Group, usable: Mask) -> Numbers:
    """The usable rows; in a pool of models, those of models with more than a car or two."""
    n_models = int(group.models.max()) + 1
    if n_models == 1:
        return np.flatnonzero(usable)
    cars = [np.unique(group.vehicles[usable & (group.models == m)]).size for m in range(n_models)]
    enough = np.array(cars) >= _LEAST_VEHICLES_OF_A_POOLED_MODEL
    return np.flatnonzero(usable & enough[group.models])
