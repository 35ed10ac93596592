"""From standardised deviations to p-values: which cars say how far a healthy car strays.

Takes the arrays of a fleet and its normal scores, gives p-values of every quantity and of
every adverse direction, each with how it was found and from how many cars. Cars of its own
model serve where they are enough, else cars of its architecture, else all in the same
regime; halves that stray differently (warm or cool air, small or large baselines) are kept
apart. Does not belong here: the counting itself (`mirror`), q values (`flags`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr
from scipy.stats import mannwhitneyu

from models.mirror import Side, Tail, both_sides, healthy_side, p_values, tail_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.conditions import Array, Mask, Numbers

    Texts = NDArray[np.object_]

# How a p-value was found, in the order of their numbers.
CODES = (None, "exact", "pooled", "tail_model", "approximate")
_EXACT, _POOLED, _TAIL_MODEL, _APPROXIMATE = 1, 2, 3, 4
# Halves are kept apart when chance makes so large a difference between them this rarely.
_STRATA_SIGNIFICANCE = 0.01


@dataclass(frozen=True)
class Calibrated:
    """P-values (n, columns), how each was found (numbers of `CODES`), and from how many cars."""

    p_values: Array
    codes: Numbers
    vehicles: Numbers


@dataclass(frozen=True)
class Kinship:
    """Who may calibrate whom, for the n rows of a fleet, and who stands for a car.

    `model`, `pool` and `kind` number the units, the nearest first (-1 is none); `kind` are
    rows in the same control state, compared on the same level. `is_latest` (n,) picks one row
    per car and unit of kind. `strata` (n, s) are truth values that may matter.
    """

    model: Numbers
    pool: Numbers
    kind: Numbers
    is_latest: Mask
    strata: Mask


@dataclass(frozen=True)
class _Unit:
    rows: Numbers
    code: int
    side: Side
    n_vehicles: int
    half: int


def calibrate(scores: Array, sides: Numbers, kinship: Kinship, least_vehicles: int) -> Calibrated:
    """P-values of normal scores.

    Parameters
    ----------
    scores : (n, columns)
        NaN where not judged.
    sides : (columns,)
        1 or -1: the one adverse side; 0: adverse on both.
    kinship : Kinship
    least_vehicles : int
        Cars that a unit needs; rows without such a unit keep the tail of their scores.
    """
    result = Calibrated(
        stated_p_values(scores, sides),
        np.where(np.isfinite(scores), _APPROXIMATE, 0),
        np.zeros(scores.shape, dtype=np.int64),
    )
    for column, side in enumerate(sides.tolist()):
        turned = scores[:, column] * (side or 1)
        for kind in _groups(kinship.kind, np.isfinite(turned)):
            units = _units(turned, side, kind, kinship, least_vehicles)
            for half in {unit.half for unit in units}:
                alike = [unit for unit in units if unit.half == half]
                tail = tail_of([unit.side for unit in alike])
                for unit in alike:
                    _enter(result, column, turned, unit, tail)
    return result


def stated_p_values(scores: Array, sides: Numbers) -> Array:
    """P-values where the scores are taken to be normal: the tail as it is stated."""
    both = 2.0 * ndtr(-np.abs(scores))
    return np.asarray(np.where(sides == 0, both, ndtr(-scores * sides)))


def _enter(result: Calibrated, column: int, turned: Array, unit: _Unit, tail: Tail) -> None:
    mine = turned[unit.rows]
    p, is_far = p_values(np.abs(mine) if unit.side.share == 1.0 else mine, unit.side, tail)
    result.p_values[unit.rows, column] = p
    result.codes[unit.rows, column] = np.where(is_far, _TAIL_MODEL, unit.code)
    result.vehicles[unit.rows, column] = unit.n_vehicles


def _units(turned: Array, side: int, kind: Numbers, kinship: Kinship, least: int) -> list[_Unit]:
    """The rows of a kind in units that are large enough, the nearest that is."""
    units: list[_Unit] = []
    left = kind
    for numbers, code in ((kinship.model, _EXACT), (kinship.pool, _POOLED), (None, _POOLED)):
        parts = [left] if numbers is None else _parts(left, numbers[left])
        taken = []
        for part in parts:
            everyone = kind if numbers is None else kind[numbers[kind] == numbers[part[0]]]
            cars = everyone[kinship.is_latest[everyone]]
            if cars.size >= least and part.size:
                taken.append(part)
                units += _in_strata(turned, side, (part, cars, code), kinship.strata, least)
        left = np.setdiff1d(left, np.concatenate(taken)) if taken else left
    return units


def _in_strata(
    turned: Array, side: int, unit: tuple[Numbers, Numbers, int], strata: Mask, least: int
) -> list[_Unit]:
    """One unit, or its two halves by the first stratum in which cars stray differently."""
    rows, cars, code = unit
    for number, stratum in enumerate(strata.T):
        is_in: Mask = stratum[cars]
        halves = cars[is_in], cars[~is_in]
        if min(half.size for half in halves) < least:
            continue
        chance = mannwhitneyu(*(np.abs(turned[half]) for half in halves)).pvalue
        if chance < _STRATA_SIGNIFICANCE:
            of_rows = rows[stratum[rows]], rows[~stratum[rows]]
            return [
                _unit(turned, side, (part, cars_of_half, code), 1 + 2 * number + place)
                for place, (part, cars_of_half) in enumerate(zip(of_rows, halves, strict=True))
            ]
    return [_unit(turned, side, unit, 0)]


def _unit(turned: Array, side: int, unit: tuple[Numbers, Numbers, int], half: int) -> _Unit:
    """A unit ready to count among; only units of equal `half` share a tail."""
    rows, cars, code = unit
    build = healthy_side if side else both_sides
    return _Unit(rows, code, build(turned[cars]), cars.size, half)


def _groups(numbers: Numbers, usable: Mask) -> list[Numbers]:
    places = np.flatnonzero(usable & (numbers >= 0))
    return _parts(places, numbers[places])


def _parts(places: Numbers, numbers: Numbers) -> list[Numbers]:
    """The places by their number, those without one (-1) left out."""
    order = np.argsort(numbers, kind="stable")
    order = order[numbers[order] >= 0]
    if order.size == 0:
        return []
    ends = np.flatnonzero(np.diff(numbers[order])) + 1
    return list(np.split(places[order], ends))
