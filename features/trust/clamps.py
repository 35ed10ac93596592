"""Clamps that were wrong from the first reading: off their line, exchanged, touching hot gas.

Holds the whole-log rules `clamp_off_line`, `clamps_exchanged` and
`liquid_line_above_condensing`, on the levels of `clamp_levels`. Lines of a circuit stand in an
order that no fault of a car undoes: hot gas above condensing, liquid between condensing and
ambient, suction gas below ambient, and what flows on towards the compressor never colder. A
log that breaks it has a clamp in the wrong place. Which one, is decided by which exchange, or
which clamp left out, restores the order. Does not belong here: clamps that leave their line
while logging (`clamp_moves`).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, product
from typing import TYPE_CHECKING

import numpy as np

from features.refrigerant import (
    RefrigerantError,
    bubble_temperature_slope_k_per_kpa,
    resolve_refrigerant,
)
from features.trust.clamp_grid import CLAMPS
from features.trust.clamp_levels import REFERENCE
from features.trust.clamp_steps import BESIDE
from features.trust.half_in_air import half_in_air_sentence, is_half_in_air

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from features.settings import DerivationSettings
    from features.trust.clamp_grid import ClampGrid
    from features.trust.clamp_levels import ClampLevels

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

SUCTION, DISCHARGE, CONDENSER, EXPANSION, EVAPORATOR, REAR = CLAMPS
LIQUID = (CONDENSER, EXPANSION)
COLD = (SUCTION, EVAPORATOR, REAR)
# Margins of the order [K]: what contact and accuracy of two clamps, line drops and faults of a
# car leave (tuned on simulated fleets in which half of the cars have a fault).
_HOT_GAS_BELOW_K = 3.0
_LIQUID_ABOVE_K = 3.5
_COLD_OVER_AMBIENT_K = 5.0
_COLD_BELOW_K = 3.5
_SUCTION_BELOW_EVAPORATOR_K = 4.0
_SUCTION_BELOW_REAR_K = 8.0
_SUCTION_OVER_EVAPORATOR_K = 28.0
_EXPANSION_OVER_CONDENSER_K = 5.0
_EXPANSION_OVER_CONDENSER_EXCHANGER_K = 2.5
_EXPANSION_UNDER_CONDENSER_K = 22.0
_EXPANSION_UNDER_AMBIENT_K = 18.0
_CONDENSER_UNDER_AMBIENT_K = 3.0
_COMPRESSED_LEAST_K = 8.0
# Hot gas rises over the suction line by at least 0.9 of the way from evaporating to condensing,
# if compressed without loss (R-134a and R-1234yf, 2 to 55 degC, dry suction); less a clamp's share.
_COMPRESSED_SHARE = 0.78
# no compressor is without loss: of a clamp that also warms as slowly as air this much is asked
_WITHOUT_LOSS = 1.0
# gas that starts to flow cools the whole suction line when it cools the clamp beside by so much;
# a clamp that stays within the first limit is not on it
_NO_DIP_K, _DIP_BESIDE_K = -3.0, -12.0
# gas sucked in dry, so far over evaporating, comes out over condensing by more than this
_DRY_K, _HOT_GAS_OVER_K = 6.0, 2.0
_COLDER_AT_FIRST_K = 3.0
# a clamp in the air goes its way slower than the pressures, and to the warm side
_PACE_OF_AIR = 0.36
_AIR_RISE_K = 2.5
# refrigerant that starts to flow cools every line for a moment, air under the hood none
_LEAST_DIP_K = -1.1
# air under the hood over ambient air (SAE 2015-01-1689 reports up to 18 K before the condenser)
_HOOD_OVER_AMBIENT_K = (2.0, 45.0)
_EXPLAINED_K = 0.5
# one clamp in the air leaves less to be explained than two exchanged ones; what that weighs
_LONE_COST, _SLOW_WEIGHS = 4.0, 3.0
# at the start a liquid line cools by no more than the suction line; by so much more two clamps of
# common lag never tell it
_LIQUID_COOLS_MORE_K, _LEAST_GAIN, _USUAL = 8.0, 5.0, 22.0


@dataclass(frozen=True)
class OffLine:
    """A clamp that never sat on its line: test number, channel, why."""

    test: int
    channel: str
    sentence: str


@dataclass(frozen=True)
class Exchanged:
    """Two clamps on each other's lines throughout: test number, channels, levels [degC]."""

    test: int
    one: str
    other: str
    levels_c: tuple[float, float]


def broken_order_k(at: Mapping[str, Floats], has_exchanger: Booleans) -> Floats:
    """By how much levels break the order of the lines, summed [K]; unknown levels break none.

    Parameters
    ----------
    at
        Levels [degC] by clamp, and `ambient_c`, `condensing_c`, `evaporating_c`.
    has_exchanger
        Whether an internal heat exchanger cools the liquid.
    """
    warmer = np.where(
        has_exchanger, _EXPANSION_OVER_CONDENSER_EXCHANGER_K, _EXPANSION_OVER_CONDENSER_K
    )
    hot, suction, ambient = at[DISCHARGE], at[SUCTION], at["ambient_c"]
    condensing, evaporating = at["condensing_c"], at["evaporating_c"]
    is_dry = suction - evaporating > _DRY_K
    excess = [
        condensing + np.where(is_dry, _HOT_GAS_OVER_K, -_HOT_GAS_BELOW_K) - hot,
        suction
        + np.fmax(_COMPRESSED_LEAST_K, _COMPRESSED_SHARE * (condensing - evaporating))
        - hot,
        *(at[name] - condensing - _LIQUID_ABOVE_K for name in LIQUID),
        *(evaporating - _COLD_BELOW_K - at[name] for name in COLD),
        *(at[name] - ambient - _COLD_OVER_AMBIENT_K for name in (EVAPORATOR, REAR)),
        at[EVAPORATOR] - _SUCTION_BELOW_EVAPORATOR_K - suction,
        at[REAR] - _SUCTION_BELOW_REAR_K - suction,
        suction - at[EVAPORATOR] - _SUCTION_OVER_EVAPORATOR_K,
        at[EXPANSION] - at[CONDENSER] - warmer,
        at[CONDENSER] - at[EXPANSION] - _EXPANSION_UNDER_CONDENSER_K,
        ambient - _EXPANSION_UNDER_AMBIENT_K - at[EXPANSION],
        ambient - _CONDENSER_UNDER_AMBIENT_K - at[CONDENSER],
    ]
    return np.asarray(np.sum([np.fmax(np.nan_to_num(each), 0.0) for each in excess], axis=0))


def _strangeness(at: Mapping[str, Floats], has_exchanger: Booleans) -> Floats:
    """How far levels lie from where such lines usually stand; sum of squares, each at most 9."""
    gain = np.where(has_exchanger, 13.0, 3.0)
    drop = np.where(has_exchanger, 7.0, 0.0)
    off = [
        (at[EVAPORATOR] - at["evaporating_c"] - 8.0) / 5.0,
        (at[REAR] - at["evaporating_c"] - 8.0) / 5.0,
        (at[SUCTION] - at["evaporating_c"] - 8.0 - gain) / 6.0,
        (at[CONDENSER] - at["condensing_c"] + 9.0) / 5.0,
        (at[EXPANSION] - at["condensing_c"] + 9.0 + drop) / 6.0,
        (at[DISCHARGE] - at["condensing_c"] - 22.0) / 10.0,
        (at[SUCTION] - at[EVAPORATOR] - gain) / 4.0,
        (at[CONDENSER] - at[EXPANSION] - drop) / 3.0,
    ]
    return np.asarray(np.sum([np.fmin(np.nan_to_num(each) ** 2, 9.0) for each in off], axis=0))


def find_misplaced(
    grid: ClampGrid, levels: ClampLevels
) -> tuple[dict[int, Exchanged], list[OffLine]]:
    """Clamps exchanged, by test, and clamps that never sat on their line."""
    ambient_c = levels.ambient_c(grid.noted("ambient_c"))
    at = {name: levels.of(name) for name in (*CLAMPS, "condensing_c", "evaporating_c")}
    at["ambient_c"] = ambient_c
    off = _by_their_way(levels, ambient_c)
    # what a clamp known to hang in the air does to the order needs no second explanation
    without = {name: values.copy() for name, values in at.items()}
    for each in off:
        without[each.channel][each.test] = np.nan
    is_broken = broken_order_k(without, levels.has_exchanger) > _EXPLAINED_K
    exchanged, left_out = _best_explanations(at, levels, np.flatnonzero(is_broken))
    exchanged = _by_their_start(levels, at, ~is_broken) | exchanged
    judged = {each.test for each in left_out} | set(exchanged)
    return exchanged, [each for each in off if each.test not in judged] + left_out


def find_exchanged(grid: ClampGrid, levels: ClampLevels) -> dict[int, Exchanged]:
    """Clamps exchanged, by test."""
    return find_misplaced(grid, levels)[0]


def _by_their_start(
    levels: ClampLevels, at: dict[str, Floats], is_asked: Booleans
) -> dict[int, Exchanged]:
    """Suction and liquid lines exchanged although their levels break no order.

    As the low side falls, the suction line cools at once and a liquid line little or not; where
    the column of the liquid line cools by more, and the exchange puts both where such lines
    usually stand, they are exchanged.
    """
    found = {}
    for one, other in product(COLD, LIQUID):
        cools_more = levels.dip[one] - levels.dip[other] > _LIQUID_COOLS_MORE_K
        asked = np.flatnonzero(is_asked & cools_more)
        own, exchanger = {k: v[asked] for k, v in at.items()}, levels.has_exchanger[asked]
        swapped = own | {one: own[other], other: own[one]}
        strange = _strangeness(swapped, exchanger)
        is_so = (
            (_strangeness(own, exchanger) - strange > _LEAST_GAIN)
            & (strange < _USUAL)
            & (broken_order_k(swapped, exchanger) <= _EXPLAINED_K)
        )
        for place in np.flatnonzero(is_so).tolist():
            both_c = (float(own[one][place]), float(own[other][place]))
            found[int(asked[place])] = Exchanged(int(asked[place]), one, other, both_c)
    return found


def _by_their_way(levels: ClampLevels, ambient_c: Floats) -> list[OffLine]:
    """Clamps that went from soak to their level like air: slowly, and warmer."""
    found = []
    between = levels.of("condensing_c") - levels.of("evaporating_c")
    rise_of_hot = (levels.of(DISCHARGE) - levels.of(SUCTION)) / between
    is_like_hood = {name: levels.of(name) > ambient_c + _HOOD_OVER_AMBIENT_K[0] for name in CLAMPS}
    told = {
        DISCHARGE: (levels.of(DISCHARGE) - levels.of("condensing_c") < 6.0)
        & (rise_of_hot < _WITHOUT_LOSS),
        **{name: levels.rise(name) > _AIR_RISE_K for name in COLD},
        **{
            name: (levels.rise(name) > 4.0 * _AIR_RISE_K) & (levels.pace(name) < 0.4)
            for name in LIQUID
        },
    }
    for name, beside in BESIDE.items():
        # two clamps that go the same slow way tell of the circuit
        is_alone = ~(levels.early[beside] < _PACE_OF_AIR) if name in LIQUID else True
        slow = is_alone & (levels.early[name] < _PACE_OF_AIR) & ~(levels.dip[name] < _LEAST_DIP_K)
        is_off = slow & told[name] & is_like_hood[name]
        found += [
            OffLine(test, name, _way_sentence(levels, name, test))
            for test in np.flatnonzero(is_off).tolist()
        ]
        never_cooled = _never_cooled(levels, name) & ~is_off
        found += [
            OffLine(test, name, _warm_sentence(levels, name, test))
            for test in np.flatnonzero(never_cooled).tolist()
        ]
    off = {each.test for each in found if each.channel == SUCTION}
    half = np.flatnonzero(is_half_in_air(levels, ambient_c)).tolist()
    air = [OffLine(t, SUCTION, half_in_air_sentence(levels, t)) for t in half if t not in off]
    return found + air


def _never_cooled(levels: ClampLevels, name: str) -> Booleans:
    """Whether a clamp on the suction line stayed warm while gas cooled the one beside it."""
    if name not in (SUCTION, EVAPORATOR):
        return np.zeros(levels.has_exchanger.size, dtype=np.bool_)
    stays = (levels.dip[name] > _NO_DIP_K) & (levels.rise(name) > _NO_DIP_K)
    return np.asarray(stays & (levels.dip[BESIDE[name]] < _DIP_BESIDE_K))


def _warm_sentence(levels: ClampLevels, name: str, test: int) -> str:
    beside = BESIDE[name]
    return (
        f"stayed at {levels.of(name)[test]:.1f} degC after {levels.soak[name][test]:.1f} degC at "
        f"rest, while the clamp beside it cooled by {-levels.dip[beside][test]:.0f} K within two "
        "minutes of the start: the gas that cools one cools the other, so it never sat on its "
        "line. Clamp it on clean pipe, insulate it, and repeat the test"
    )


def _way_sentence(levels: ClampLevels, name: str, test: int) -> str:
    return (
        f"went from {levels.soak[name][test]:.1f} to {levels.of(name)[test]:.1f} degC like air "
        f"under the hood: {100.0 * max(levels.early[name][test], 0.0):.0f} % of the way within a "
        "minute of the start, while its pressure had gone "
        f"{100.0 * levels.early[REFERENCE[name]][test]:.0f} %; it never sat on its line. "
        "Clamp it on clean pipe, insulate it, and repeat the test"
    )


def _best_explanations(
    at: dict[str, Floats], levels: ClampLevels, suspects: NDArray[np.int64]
) -> tuple[dict[int, Exchanged], list[OffLine]]:
    """Which exchange, or which clamp in the air, restores the order of each suspect."""
    own = {name: values[suspects] for name, values in at.items()}
    exchanger = levels.has_exchanger[suspects]
    pairs = list(combinations(CLAMPS, 2))
    swaps = [own | {one: own[other], other: own[one]} for one, other in pairs]
    gone = [own | {name: np.full(suspects.size, np.nan)} for name in CLAMPS]
    swap_cost = _costs(swaps, exchanger, is_known=[own[a] + own[b] for a, b in pairs])
    begun = {name: levels.on_its_way(name)[suspects] for name in LIQUID}
    is_no_swap = exchanger & (begun[EXPANSION] < begun[CONDENSER] - _COLDER_AT_FIRST_K)
    swap_cost[pairs.index(LIQUID), is_no_swap] = np.inf
    gone_cost = _costs(gone, exchanger, is_known=[_in_air(own, name) for name in CLAMPS])
    # of two clamps either of which would do, the one that went its way like air
    is_like_air = np.array([levels.early[name][suspects] < _PACE_OF_AIR for name in CLAMPS])
    gone_cost = gone_cost - _SLOW_WEIGHS * is_like_air
    now = _strangeness(own, exchanger)
    exchanged: dict[int, Exchanged] = {}
    off: list[OffLine] = []
    for place, test in enumerate(suspects.tolist()):
        swap, lone = int(np.argmin(swap_cost[:, place])), int(np.argmin(gone_cost[:, place]))
        if swap_cost[swap, place] < min(gone_cost[lone, place] + _LONE_COST, now[place] - 1.0):
            one, other = pairs[swap]
            exchanged[test] = Exchanged(
                test, one, other, (float(own[one][place]), float(own[other][place]))
            )
        elif np.isfinite(gone_cost[lone, place]) and not _is_hot_liquid(own, CLAMPS[lone], place):
            name = CLAMPS[lone]
            off.append(OffLine(test, name, _place_sentence(own, name, place)))
    return exchanged, off


def _is_hot_liquid(own: dict[str, Floats], name: str, place: int) -> bool:
    """Whether the clamp is on the liquid line and above condensing, which is a rule of its own."""
    return name in LIQUID and bool(own[name][place] > own["condensing_c"][place] + _LIQUID_ABOVE_K)


def _costs(
    hypotheses: list[dict[str, Floats]], exchanger: Booleans, is_known: list[Floats]
) -> Floats:
    """Strangeness of each hypothesis where it restores the order, else infinite."""
    return np.array(
        [
            np.where(
                np.isfinite(known) & (broken_order_k(at, exchanger) <= _EXPLAINED_K),
                _strangeness(at, exchanger),
                np.inf,
            )
            for at, known in zip(hypotheses, is_known, strict=True)
        ]
    )


def _in_air(own: dict[str, Floats], name: str) -> Floats:
    """The level of a clamp where air under the hood could have it, NaN elsewhere."""
    over = own[name] - own["ambient_c"]
    low, high = _HOOD_OVER_AMBIENT_K
    return np.where((over > low) & (over < high), own[name], np.nan)


def _place_sentence(own: dict[str, Floats], name: str, place: int) -> str:
    return (
        f"{own[name][place]:.1f} degC while running, between evaporating at "
        f"{own['evaporating_c'][place]:.1f} and condensing at {own['condensing_c'][place]:.1f} "
        "degC: no fault of a car puts this line there beside the other clamps, air under the "
        "hood would. Clamp it on clean pipe, insulate it, and repeat the test"
    )


def exchanged_sentence(found: Exchanged, words: Mapping[str, str]) -> str:
    """What the note says."""
    one, other = found.levels_c
    return (
        f"exchanged throughout: {words[found.one]} shows {one:.1f} degC and {words[found.other]} "
        f"{other:.1f} degC, an order that no circuit takes and that the exchange restores. "
        "Correct the header or the clamps; neither is used until then"
    )


@dataclass(frozen=True)
class HotLiquid:
    """A liquid line above condensing: test number, channel, how far over, how far allowed [K]."""

    test: int
    channel: str
    over_k: float
    allowed_k: float


def find_hot_liquid(
    grid: ClampGrid, levels: ClampLevels, settings: DerivationSettings
) -> list[HotLiquid]:
    """Liquid lines warmer than condensing by more than clamp and gauge allow at 95 %."""
    allowed = np.hypot(
        settings.pipe_temperature_accuracy_k, settings.high_side_accuracy_kpa * _slopes(grid)
    )
    found = []
    for name in LIQUID:
        over = levels.of(name) - levels.of("condensing_c")
        found += [
            HotLiquid(int(test), name, float(over[test]), float(allowed[test]))
            for test in np.flatnonzero(over > allowed)
        ]
    return found


def _slopes(grid: ClampGrid) -> Floats:
    """Rise of the condensing temperature per pressure in each test [K/kPa]."""
    high_kpa = grid.medians(("high_side_kpa",), grid.is_running)["high_side_kpa"]
    slopes = np.full(grid.n_tests, np.nan)
    names = grid.context["refrigerant"]
    for name in names.drop_nulls().unique():
        try:
            refrigerant = resolve_refrigerant(name)
        except RefrigerantError:
            continue
        own = (names == name).fill_null(value=False).to_numpy()
        slopes[own] = bubble_temperature_slope_k_per_kpa(high_kpa[own], refrigerant)
    return slopes


def hot_liquid_sentence(found: HotLiquid) -> str:
    """What the note of a liquid line above condensing says."""
    return (
        f"{found.over_k:.1f} K above condensing, where clamp and gauge allow "
        f"{found.allowed_k:.1f} K: liquid cannot be, unless there is another refrigerant than "
        "on record. Keep the clamp clear of hot gas line and engine, check gauge and refrigerant, "
        "and repeat the test"
    )
