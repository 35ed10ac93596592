"""The rules that ask whether each temperature sensor sits where its channel says.

Holds `find_misplaced_sensors`, which lays the samples on the block grid once and asks all of
them: clamps that left their line, whole-log rules, soak, intake probe, exchanger. Gives flags,
notes and moves. Does not belong here: any of these rules.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.channels import CHANNEL
from features.trust.clamp_early_moves import find_early_moves
from features.trust.clamp_grid import CLAMPS, ClampGrid, make_clamp_grid
from features.trust.clamp_levels import ClampLevels, find_levels
from features.trust.clamp_moves import (
    Departure,
    fallen_sentence,
    find_departures,
    moved_sentence,
)
from features.trust.clamp_soak import (
    biased_sentence,
    find_biased,
    find_slow,
    find_soaks,
    slow_sentence,
)
from features.trust.clamps import (
    Exchanged,
    exchanged_sentence,
    find_exchanged,
    find_hot_liquid,
    find_misplaced,
    hot_liquid_sentence,
)
from features.trust.exchanger import find_imbalances, imbalance_sentence
from features.trust.intake import INTAKE, find_stray_intakes, intake_sentence
from features.trust.rules import Rule
from features.trust.verdicts import Verdicts, flag_name, no_moves, no_notes

if TYPE_CHECKING:
    from features.settings import DerivationSettings
    from features.trust.ordered import Ordered

_BENDING_S = 25.0
# lines are on their way from soak to work for so long; a move to a known line is told sooner
_STARTING_S, _SURE_MOVE_S = 180.0, 90.0
# a clamp cannot have gone to a line whose own clamp stands so far from it
_ELSEWHERE_K = 8.0
_WORDS = {name: CHANNEL[name].meaning.split(",")[0] for name in CLAMPS}


@dataclass(frozen=True)
class _Finding:
    """One note, and from when on the channel is not trusted [s from the start], None: never."""

    test: int
    channel: str
    rule: Rule
    sentence: str
    from_s: float | None = 0.0


def find_misplaced_sensors(
    ordered: Ordered, context: pl.DataFrame, settings: DerivationSettings
) -> Verdicts:
    """Clamps and probes that are not where their channel says, each under its own rule."""
    if ordered.samples.is_empty():
        return Verdicts()
    grid = make_clamp_grid(ordered, context)
    departures = find_departures(grid, ordered)
    levels = find_levels(grid)
    _forget(levels, [each for each in departures if not _is_on_the_way(grid, each)])
    early = _first_of_each(find_early_moves(grid, levels, ordered), departures)
    departures = [*departures, *early]
    # an exchanged clamp bends with the start; one that was moved later is not exchanged
    _forget(levels, [each for each in early if not _is_at_start(grid, each, _BENDING_S)])
    exchanged = find_exchanged(grid, levels)
    # at the start an exchanged clamp goes the way of the other line, which looks like a move
    departures = [
        each
        for each in departures
        if each.test not in exchanged or each.channel not in _both(exchanged[each.test])
    ]
    _forget(levels, departures)
    departed = [_of_departure(grid, departure) for departure in departures]
    off_line = [each for each in find_misplaced(grid, levels)[1] if each.test not in exchanged]
    found = [
        *departed,
        *(
            _Finding(each.test, name, Rule.CLAMPS_EXCHANGED, exchanged_sentence(each, _WORDS))
            for each in exchanged.values()
            for name in _both(each)
        ),
        *(_Finding(x.test, x.channel, Rule.CLAMP_OFF_LINE, x.sentence) for x in off_line),
        *(
            _Finding(x.test, x.channel, Rule.LIQUID_LINE_ABOVE_CONDENSING, hot_liquid_sentence(x))
            for x in find_hot_liquid(grid, levels, settings)
        ),
        *(
            _Finding(x.test, INTAKE, Rule.INTAKE_NOT_REPRESENTATIVE, intake_sentence(x))
            for x in find_stray_intakes(grid, levels)
        ),
        *(
            _Finding(x.test, name, Rule.EXCHANGER_BALANCE_IMPOSSIBLE, imbalance_sentence(x))
            for x in find_imbalances(levels)
            for name in x.channels
        ),
        *_of_soaks(ordered, context, levels),
    ]
    return Verdicts(
        _flags(ordered, found), _notes(ordered, found), _moves(ordered, grid, departures)
    )


def _first_of_each(early: list[Departure], later: list[Departure]) -> list[Departure]:
    """The early departures of clamps that have no other."""
    known = {(each.test, each.channel) for each in later}
    return [each for each in early if (each.test, each.channel) not in known]


def _both(found: Exchanged) -> tuple[str, str]:
    return found.one, found.other


def _of_soaks(ordered: Ordered, context: pl.DataFrame, levels: ClampLevels) -> list[_Finding]:
    biased = find_biased(find_soaks(ordered, context))
    return [
        *(_Finding(x.test, x.channel, Rule.CLAMP_BIAS, biased_sentence(x)) for x in biased),
        *(
            # right in steady windows: told, not distrusted
            _Finding(x.test, x.channel, Rule.CLAMP_LAG, slow_sentence(x), None)
            for x in find_slow(levels)
        ),
    ]


def _forget(levels: ClampLevels, departures: list[Departure]) -> None:
    """Make levels of clamps that left their line meanwhile unknown: those have no one level."""
    for departure in departures:
        levels.level[departure.channel][departure.test] = np.nan


def _is_on_the_way(grid: ClampGrid, departure: Departure) -> bool:
    """Whether a departure may be that of a whole line, which a start takes a while to settle."""
    is_sure = departure.to_channel is not None and not _is_contradicted(grid, departure)
    starting_s = _SURE_MOVE_S if is_sure else _STARTING_S
    return _is_at_start(grid, departure, starting_s)


def _is_contradicted(grid: ClampGrid, departure: Departure) -> bool:
    """Whether the clamp of the line that it would have gone to stands elsewhere."""
    span = slice(int(grid.first[departure.test]), int(grid.first[departure.test + 1]))
    level = grid.of(str(departure.to_channel))[span][grid.start_s[span] > departure.from_s]
    known = level[np.isfinite(level)]
    return known.size > 0 and abs(float(np.median(known)) - departure.after_c) > _ELSEWHERE_K


def _is_at_start(grid: ClampGrid, departure: Departure, starting_s: float) -> bool:
    span = slice(int(grid.first[departure.test]), int(grid.first[departure.test + 1]))
    start_s = grid.start_s[span][np.isfinite(grid.since_start_s[span])]
    return bool(departure.from_s < start_s[0] + starting_s)


def _is_relabelled(grid: ClampGrid, departure: Departure) -> bool:
    """Whether the line it went to has no clamp of its own in this test."""
    to_channel = departure.to_channel
    if not departure.is_certain or to_channel is None:
        return False
    span = slice(int(grid.first[departure.test]), int(grid.first[departure.test + 1]))
    return not np.isfinite(grid.of(to_channel)[span]).any()


def _of_departure(grid: ClampGrid, departure: Departure) -> _Finding:
    if departure.is_moved:
        rule = Rule.CLAMP_MOVED
        sentence = moved_sentence(departure, is_relabelled=_is_relabelled(grid, departure))
    else:
        rule, sentence = Rule.CLAMP_OFF_LINE, fallen_sentence(departure)
    return _Finding(departure.test, departure.channel, rule, sentence, departure.from_s)


def _began_s(ordered: Ordered, test: int) -> float:
    return float(ordered.samples["time_s"][int(ordered.first[test])])


def _flags(ordered: Ordered, found: list[_Finding]) -> pl.DataFrame:
    columns: dict[str, np.ndarray] = {}
    time_s = ordered.samples["time_s"].to_numpy()
    for each in found:
        if each.from_s is None or each.channel not in ordered.samples.columns:
            continue
        name = flag_name(each.channel, each.rule)
        flags = columns.setdefault(name, np.zeros(time_s.size, dtype=np.bool_))
        span = slice(int(ordered.first[each.test]), int(ordered.first[each.test + 1]))
        flags[span] |= ~(time_s[span] < time_s[span.start] + each.from_s)
    return pl.DataFrame(columns)


def _notes(ordered: Ordered, found: list[_Finding]) -> pl.DataFrame:
    ids = ordered.test_ids["test_id"]
    rows = [
        {
            "test_id": ids[each.test],
            "channel": each.channel,
            "rule_code": each.rule.code,
            "sentence": each.sentence,
        }
        for each in found
    ]
    return pl.concat([no_notes(), pl.DataFrame(rows, schema=no_notes().schema)]).unique(
        ("test_id", "channel", "rule_code"), keep="first", maintain_order=True
    )


def _moves(ordered: Ordered, grid: ClampGrid, departures: list[Departure]) -> pl.DataFrame:
    ids = ordered.test_ids["test_id"]
    rows = [
        {
            "test_id": ids[each.test],
            "channel": each.channel,
            "to_channel": each.to_channel,
            "from_s": _began_s(ordered, each.test) + each.from_s,
        }
        for each in departures
        if each.is_moved and _is_relabelled(grid, each)
    ]
    return pl.DataFrame(rows, schema=no_moves().schema)
