"""From standardised deviations to p-values: which cars say how far a healthy car strays.

Takes the arrays of a fleet and its normal scores, gives the units that cars are counted among
(`learn_units`) and, by units learned now or earlier, p-values of every quantity and adverse
direction, each with how it was found and from how many cars (`calibrate`). Cars of its own
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

    Names = NDArray[np.str_]

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

    `model`, `pool` and `kind` name the units, the nearest first (empty is none); `kind` are
    rows in the same control state, compared on the same level. `is_latest` (n,) picks one row
    per car and unit of kind. `strata` (n, s) are truth values that may matter.
    """

    model: Names
    pool: Names
    kind: Names
    is_latest: Mask
    strata: Mask


@dataclass(frozen=True)
class CalibrationUnit:
    """The healthy side of the cars that some rows are counted among, and their tail.

    Which rows: those of `kind`, in `column`, whose name on `level` (model, pool or kind) is
    `label`. `half` is 0 for all of them; else 1 + 2 s for those in stratum s, one more for
    those that are not. `code` numbers `CODES`.
    """

    column: int
    kind: str
    level: str
    label: str
    half: int
    code: int
    side: Side
    n_vehicles: int
    tail: Tail


@dataclass(frozen=True)
class _Part:
    """Rows to be judged by a unit of a level, and the cars that would make it."""

    rows: Numbers
    cars: Numbers
    level: str
    label: str


_LEVELS = (("model", _EXACT), ("pool", _POOLED), ("kind", _POOLED))
_CODE_OF = dict(_LEVELS)


def learn_units(
    scores: Array, sides: Numbers, kinship: Kinship, least_vehicles: int
) -> tuple[CalibrationUnit, ...]:
    """The units that the rows of a fleet are counted among.

    Parameters
    ----------
    scores : (n, columns)
        Normal scores, NaN where not judged.
    sides : (columns,)
        1 or -1: the one adverse side; 0: adverse on both.
    kinship : Kinship
    least_vehicles : int
        Cars that a unit needs; rows without such a unit keep the tail of their scores.
    """
    kin = _Numbered(kinship)
    found: list[CalibrationUnit] = []
    for column, side in enumerate(sides.tolist()):
        turned = scores[:, column] * (side or 1)
        for kind in kin.kinds(np.isfinite(turned)):
            places = (column, kin.name("kind", kind[0]))
            units = [
                (part, half, cars)
                for part in _large_parts(kind, kin, least_vehicles)
                for half, cars in _halves(turned, part.cars, kinship.strata, least_vehicles)
            ]
            built = [(p, h, _side_of(turned[cars], side), cars.size) for p, h, cars in units]
            tails = {
                half: tail_of([one for _, other, one, _ in built if other == half])
                for half in {half for _, half, _, _ in built}
            }
            found += [
                CalibrationUnit(
                    *places, part.level, part.label, half, _CODE_OF[part.level], healthy, n,
                    tails[half],
                )
                for part, half, healthy, n in built
            ]  # fmt: skip
    return tuple(found)


def calibrate(
    scores: Array, sides: Numbers, kinship: Kinship, units: tuple[CalibrationUnit, ...]
) -> Calibrated:
    """P-values of normal scores, counted among the cars of the nearest unit that there is.

    Parameters as in `learn_units`; the rows need not be those that the units were learned of.
    """
    result = Calibrated(
        stated_p_values(scores, sides),
        np.where(np.isfinite(scores), _APPROXIMATE, 0),
        np.zeros(scores.shape, dtype=np.int64),
    )
    known: dict[tuple[int, str, str, str], list[CalibrationUnit]] = {}
    for unit in units:
        known.setdefault((unit.column, unit.kind, unit.level, unit.label), []).append(unit)
    kin = _Numbered(kinship)
    for column, side in enumerate(sides.tolist()):
        turned = scores[:, column] * (side or 1)
        for kind in kin.kinds(np.isfinite(turned)):
            left = kind
            for level, _ in _LEVELS:
                taken = []
                for rows, label in kin.parts(level, left):
                    place = (column, kin.name("kind", kind[0]), level, label)
                    for unit in known.get(place, []):
                        mine = _rows_of_half(rows, unit.half, kinship.strata)
                        _enter(result, turned, mine, unit)
                        taken.append(mine)
                left = np.setdiff1d(left, np.concatenate(taken)) if taken else left
    return result


def stated_p_values(scores: Array, sides: Numbers) -> Array:
    """P-values where the scores are taken to be normal: the tail as it is stated."""
    both = 2.0 * ndtr(-np.abs(scores))
    return np.asarray(np.where(sides == 0, both, ndtr(-scores * sides)))


def _enter(result: Calibrated, turned: Array, rows: Numbers, unit: CalibrationUnit) -> None:
    mine = turned[rows]
    scores = np.abs(mine) if unit.side.share == 1.0 else mine
    p, is_far = p_values(scores, unit.side, unit.tail)
    result.p_values[rows, unit.column] = p
    result.codes[rows, unit.column] = np.where(is_far, _TAIL_MODEL, unit.code)
    result.vehicles[rows, unit.column] = unit.n_vehicles


def _large_parts(kind: Numbers, kin: _Numbered, least: int) -> list[_Part]:
    """The rows of a kind in parts whose cars are enough, the nearest that are."""
    found: list[_Part] = []
    left = kind
    for level, _ in _LEVELS:
        everyone = {label: rows for rows, label in kin.parts(level, kind)}
        taken = []
        for rows, label in kin.parts(level, left):
            cars = everyone[label][kin.is_latest[everyone[label]]]
            if cars.size >= least:
                found.append(_Part(rows, cars, level, label))
                taken.append(rows)
        left = np.setdiff1d(left, np.concatenate(taken)) if taken else left
    return found


def _halves(turned: Array, cars: Numbers, strata: Mask, least: int) -> list[tuple[int, Numbers]]:
    """All cars, or two halves by the first stratum in which cars stray differently."""
    for number, stratum in enumerate(strata.T):
        is_in: Mask = stratum[cars]
        halves = cars[is_in], cars[~is_in]
        if min(half.size for half in halves) < least:
            continue
        chance = mannwhitneyu(*(np.abs(turned[half]) for half in halves)).pvalue
        if chance < _STRATA_SIGNIFICANCE:
            return [(1 + 2 * number + place, half) for place, half in enumerate(halves)]
    return [(0, cars)]


def _rows_of_half(rows: Numbers, half: int, strata: Mask) -> Numbers:
    if half == 0:
        return rows
    number, is_outside = divmod(half - 1, 2)
    is_in: Mask = strata[rows, number]
    return rows[~is_in] if is_outside else rows[is_in]


def _side_of(scores: Array, side: int) -> Side:
    return healthy_side(scores) if side else both_sides(scores)


class _Numbered:
    """A kinship with its names numbered once, so that rows are grouped by numbers."""

    def __init__(self, kinship: Kinship) -> None:
        self.is_latest = kinship.is_latest
        self._names: dict[str, Names] = {}
        self._numbers: dict[str, Numbers] = {}
        for level, _ in _LEVELS:
            names, numbers = np.unique(getattr(kinship, level), return_inverse=True)
            self._names[level] = names
            self._numbers[level] = np.where(names == "", -1, np.arange(names.size))[numbers]

    def name(self, level: str, row: int) -> str:
        """The name of a row on a level."""
        return str(self._names[level][self._numbers[level][row]])

    def kinds(self, usable: Mask) -> list[Numbers]:
        """The usable rows by kind."""
        return [rows for rows, _ in self.parts("kind", np.flatnonzero(usable), is_named=True)]

    def parts(
        self, level: str, rows: Numbers, *, is_named: bool = False
    ) -> list[tuple[Numbers, str]]:
        """The rows by their name on a level, those without one left out.

        The rows handed in below the level of kind are of one kind, which has no label.
        """
        if level == "kind" and not is_named:
            return [(rows, "")] if rows.size else []
        parts = _parts(rows, self._numbers[level][rows])
        return [(part, self.name(level, part[0])) for part in parts]


def _parts(places: Numbers, numbers: Numbers) -> list[Numbers]:
    """The places by their number, those without one (-1) left out."""
    order = np.argsort(numbers, kind="stable")
    order = order[numbers[order] >= 0]
    if order.size == 0:
        return []
    ends = np.flatnonzero(np.diff(numbers[order])) + 1
    return list(np.split(places[order], ends))
