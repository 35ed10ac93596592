"""How sure an event is: a number from 0 to 1 by what stands behind it.

The number says which share of such events are what they are called. A logged command is
sure, and surer where the high side answered as it must. An event read off the pressures is
the surer, the further its bend exceeds the least bend that counts: 1 - a / strength^b, with a
and b by family set on simulated cars whose events are known (starts and stops are rarely
mistaken, a change of stroke often is). Does not belong here: finding events.
"""

from __future__ import annotations

import polars as pl

from features.event_kinds import EVENT_KINDS

# Less sure than this an event is not told at all; from here on it is taken to have been.
LEAST_TOLD, LIKELY = 0.25, 0.5
# A logged command whose answer was seen, could not be seen, or went the other way.
_COMMAND_ANSWERED, _COMMAND_ALONE = 0.99, 0.95
_OF_A_RULE = 0.9
# Share of mistakes at the least bend, and how fast it falls with the strength, by family.
_MISTAKEN = {"compressor": (0.2, 3.0), "fan": (1.0, 4.0), "displacement": (1.0, 1.5)}
# Beyond this nothing inferred is believed (tuning value).
_MOST_INFERRED = 0.98
_ANSWER_KPA = 15.0


def add_confidence(events: pl.DataFrame) -> pl.DataFrame:
    """The events with `confidence`; needs source_code, strength and the swing."""
    has_answered = (pl.col("high_side_swing_kpa").abs() >= _ANSWER_KPA).fill_null(value=False)
    command = pl.when(has_answered).then(_COMMAND_ANSWERED).otherwise(_COMMAND_ALONE)
    return events.with_columns(
        confidence=pl.when(pl.col("source_code") == "command")
        .then(command)
        .when(pl.col("source_code") == "pressure")
        .then(_inferred().clip(0.0, _MOST_INFERRED))
        .otherwise(_OF_A_RULE)
    )


def _inferred() -> pl.Expr:
    """Confidence in an event that only the pressures show."""
    family = pl.col("kind_code").replace_strict({k.code: k.family for k in EVENT_KINDS})
    share = family.replace_strict({k: a for k, (a, _) in _MISTAKEN.items()}, default=1.0)
    power = family.replace_strict({k: b for k, (_, b) in _MISTAKEN.items()}, default=1.0)
    return 1.0 - share / pl.col("strength") ** power
