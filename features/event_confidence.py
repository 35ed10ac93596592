"""How sure an event is: a number from 0 to 1 by what stands behind it.

The number says which share of such events are what they are called. A logged command is
sure, and surer where the high side answered as it must; an event read off the pressures is
as sure as its bend is larger than the least bend that counts: half at that bend, and the rest
shrinks with the square of the strength. The scale was set on simulated cars with known
events (`docs/events.md` states what came out). Does not belong here: finding events.
"""

from __future__ import annotations

import polars as pl

# A logged command whose answer was seen, could not be seen, or went the other way.
_COMMAND_ANSWERED, _COMMAND_ALONE = 0.99, 0.95
_OF_A_RULE = 0.9
_AT_LEAST_BEND = 0.5
# Beyond this nothing inferred is believed (tuning value).
_MOST_INFERRED = 0.98
_ANSWER_KPA = 15.0


def add_confidence(events: pl.DataFrame) -> pl.DataFrame:
    """The events with `confidence`; needs source_code, strength and the swing."""
    has_answered = (pl.col("high_side_swing_kpa").abs() >= _ANSWER_KPA).fill_null(value=False)
    command = pl.when(has_answered).then(_COMMAND_ANSWERED).otherwise(_COMMAND_ALONE)
    inferred = 1.0 - (1.0 - _AT_LEAST_BEND) / pl.col("strength") ** 2
    return events.with_columns(
        confidence=pl.when(pl.col("source_code") == "command")
        .then(command)
        .when(pl.col("source_code") == "pressure")
        .then(inferred.clip(0.0, _MOST_INFERRED).fill_null(_AT_LEAST_BEND))
        .otherwise(_OF_A_RULE)
    )
