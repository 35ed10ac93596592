"""Pressures written in another unit than the header says: the factor, from the standing car.

Holds `unit_slips`: for each side the factor by which its readings are off, where no factor
of 1 but that of two common units makes the standing pressure one that the car can have. A
circuit that has lost its charge also stands at a small pressure; a slip that makes readings
small is only told when the machine cools at work. bar and kgf/cm2 differ by 2 %, which no
gauge shows. Does not belong here: gauge and absolute (`pressures`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from features.units import UNITS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from features.trust.pressure_evidence import PressureEvidence

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

_SCALES = ("psi", "kPa", "bar", "MPa", "kgf/cm2")
# A standing pressure is nearer to saturation than this in a car that cools, and a wrong unit
# puts it further off (tuning value).
_FAR_FACTOR = 2.0
# what a slip may leave over once it is set right
_LEFT_OVER = float(np.log(1.5))
_SAME_FACTOR = 0.03
# at work a side stands at so many times what it has at rest, mostly (tuning values); where it
# does not, a factor must explain the rest so much better
_USUAL_MOVE = {"low_side_kpa": (0.2, 0.85), "high_side_kpa": (1.25, 4.0)}
_ODD_MOVE = 0.4
_ATMOSPHERE_WITHIN_KPA = 1.5
_NO_SHARE = 1e-9


class UnitSlip(NamedTuple):
    """One side of some tests: readings are `factor` times what they should be."""

    channel: str
    is_hit: Booleans
    factor: float
    pairs: str


def unit_slips(evidence: PressureEvidence) -> Iterator[UnitSlip]:
    """Every side and factor with the tests that show it."""
    factors = _factors()
    sides = {"low_side_kpa": evidence.low_kpa, "high_side_kpa": evidence.high_kpa}
    left = {side: _left_over(read, evidence, factors) for side, read in sides.items()}
    odd = {side: _odd_moves(side, read, evidence, factors) for side, read in sides.items()}
    fine = {side: _is_fine(read, evidence) for side, read in sides.items()}
    absent = {side: ~np.isfinite(read) for side, read in sides.items()}
    charged = {side: over + odd[side] for side, over in left.items()}
    best = {side: np.argmin(np.min(each, axis=0), axis=0) for side, each in charged.items()}
    # a low side falls at work; a high side that stood hot rises but little, so that how it moves
    # chooses among its factors and rejects none
    explains = {"low_side_kpa": charged["low_side_kpa"], "high_side_kpa": left["high_side_kpa"]}
    could = {side: np.min(each, axis=(0, 1)) < _LEFT_OVER for side, each in explains.items()}
    for side, other in (("low_side_kpa", "high_side_kpa"), ("high_side_kpa", "low_side_kpa")):
        # both sides of a standing car must make sense, one as read or both set right
        is_off = (
            evidence.stands
            & could[side]
            & ~fine[side]
            & (fine[other] | could[other] | absent[other])
        )
        for number, (factor, pairs) in enumerate(factors):
            is_hit = is_off & (best[side] == number)
            if factor < 1.0:
                is_hit &= evidence.cools
            if is_hit.any():
                yield UnitSlip(side, is_hit, factor, pairs)


def _factors() -> list[tuple[float, str]]:
    """The factors between any two of the common units, with the pairs that have them."""
    found: dict[float, list[str]] = {}
    for written in _SCALES:
        for said in _SCALES:
            factor = _scale_kpa(said) / _scale_kpa(written)
            if max(factor, 1.0 / factor) < _FAR_FACTOR:
                continue
            known = next((each for each in found if abs(each / factor - 1.0) < _SAME_FACTOR), None)
            found.setdefault(factor if known is None else known, []).append(f"{written} as {said}")
    return [(factor, " or ".join(pairs)) for factor, pairs in sorted(found.items())]


def _scale_kpa(unit: str) -> float:
    return UNITS[f"{unit} absolute"].factor


def _is_fine(read: Floats, evidence: PressureEvidence) -> Booleans:
    share = read / evidence.saturated_kpa
    return np.asarray((share > 1.0 / _FAR_FACTOR) & (share < _FAR_FACTOR))


def _left_over(
    read: Floats, evidence: PressureEvidence, factors: list[tuple[float, str]]
) -> Floats:
    """How far off saturation each factor leaves a pressure: |ln ratio|.

    By reference (absolute, gauge), factor and test.
    """
    atmospheric = evidence.standing.atmospheric_kpa
    absolute, gauge = [], []
    for factor, _ in factors:
        absolute.append(np.abs(_ln_share(read / factor, evidence)))
        # a gauge pressure made small is little more than the atmosphere, which is known so well
        least, most = (
            _ln_share((read + by_kpa - atmospheric) / factor + atmospheric, evidence)
            for by_kpa in (-_ATMOSPHERE_WITHIN_KPA, _ATMOSPHERE_WITHIN_KPA)
        )
        off = np.where((least < 0.0) & (most > 0.0), 0.0, np.fmin(abs(least), abs(most)))
        gauge.append(off)
    return np.array([absolute, gauge])


def _odd_moves(
    side: str, read: Floats, evidence: PressureEvidence, factors: list[tuple[float, str]]
) -> Floats:
    """What each factor is charged where it makes the side move as sides seldom do.

    Shaped as what `_left_over` gives.
    """
    late, usual = evidence.standing.at_work(side), _USUAL_MOVE[side]
    absolute = [_odd_move(late / read, usual) for _ in factors]
    # how far it moved, over what it should be
    gauge = [
        _odd_move(1.0 + (late - read) / factor / evidence.saturated_kpa, usual)
        for factor, _ in factors
    ]
    return np.array([absolute, gauge])


def _odd_move(ratio: Floats, usual: tuple[float, float]) -> Floats:
    """What a ratio of a side at work to itself at rest adds where machines seldom have it."""
    is_usual = (ratio > usual[0]) & (ratio < usual[1])
    return np.where(is_usual | ~np.isfinite(ratio), 0.0, _ODD_MOVE)


def _ln_share(pressure: Floats, evidence: PressureEvidence) -> Floats:
    """Logarithm of a pressure over saturation, far below zero where there is no pressure."""
    share = pressure / evidence.saturated_kpa
    is_known = np.isfinite(share)
    ln_share = np.log(np.where(is_known & (share > 0.0), share, _NO_SHARE))
    return np.asarray(np.where(is_known, ln_share, np.inf))
