"""What a trust rule hands back: flags, notes, moves.

A rule is a function `(Ordered, context, settings) -> Verdicts`. Holds that record, the
names of flag columns, and the joining of many verdicts into one. Does not belong here: any
rule, and what becomes of distrusted readings (`features.screening`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from features.trust.ordered import Ordered
    from features.trust.rules import Rule

_NOTES = {
    "test_id": pl.String(),
    "channel": pl.String(),
    "rule_code": pl.String(),
    "sentence": pl.String(),
}
_MOVES = {
    "test_id": pl.String(),
    "channel": pl.String(),
    "to_channel": pl.String(),
    "from_s": pl.Float64(),
}


def no_flags() -> pl.DataFrame:
    """A frame of flags without columns: nothing is distrusted."""
    return pl.DataFrame()


def no_notes() -> pl.DataFrame:
    """A frame of notes without rows."""
    return pl.DataFrame(schema=_NOTES)


def no_moves() -> pl.DataFrame:
    """A frame of moves without rows."""
    return pl.DataFrame(schema=_MOVES)


@dataclass(frozen=True)
class Verdicts:
    """What one rule, or several, found.

    `flags`: boolean columns `{channel}__{rule_code}`, one row per ordered sample, no nulls,
    True = do not trust it; a column that is absent is False throughout. Flags under
    `time_s` are of the row rules.
    `notes`: test_id, channel, rule_code, sentence: what was found with numbers, and what to
    do; stands in TRUST in place of the count of readings. A note without a flag is told and
    distrusts nothing.
    `moves`: test_id, channel, to_channel, from_s: from then on the readings of `channel`
    are those of `to_channel`; they go there wherever that channel has none of its own, and
    their old place is left to the flags.
    """

    flags: pl.DataFrame = field(default_factory=no_flags)
    notes: pl.DataFrame = field(default_factory=no_notes)
    moves: pl.DataFrame = field(default_factory=no_moves)


def flag_name(channel: str, rule: Rule) -> str:
    """The name of a flag column."""
    return f"{channel}__{rule.code}"


def join_verdicts(verdicts: Iterable[Verdicts]) -> Verdicts:
    """All verdicts as one; no two may speak of the same channel under the same rule."""
    every = tuple(verdicts)
    flags = [series for verdict in every for series in verdict.flags.iter_columns()]
    return Verdicts(
        pl.DataFrame(flags),
        pl.concat([no_notes(), *(verdict.notes for verdict in every)]),
        pl.concat([no_moves(), *(verdict.moves for verdict in every)]),
    )


def notes_of(
    test_ids: pl.Series, channel: str, rule: Rule, sentences: Sequence[str]
) -> pl.DataFrame:
    """Notes on one channel under one rule, a sentence per test."""
    return pl.DataFrame(
        {
            "test_id": test_ids,
            "channel": [channel] * test_ids.len(),
            "rule_code": [rule.code] * test_ids.len(),
            "sentence": list(sentences),
        },
        schema=_NOTES,
    )


def of_whole_tests(
    ordered: Ordered, channel: str, rule: Rule, test_numbers: Sequence[int]
) -> pl.Series:
    """The flag of a channel that is not trusted throughout the tests of these numbers."""
    is_hit = np.zeros(ordered.first.size - 1, dtype=np.bool_)
    is_hit[list(test_numbers)] = True
    return pl.Series(flag_name(channel, rule), np.repeat(is_hit, np.diff(ordered.first)))
