"""Temperatures that come late against the pressures: the rule `second_clock`.

When the compressor starts, the sides part at once; gas reaches the clamps and cold air the
ducts within seconds, and a clamp follows within 5 to 15 s (common practice). Where every
temperature waits far longer for the same start, they come from a second device whose clock is
off, or from one that is slow as a whole. One slow clamp is another matter (`clamp_soak`). Takes
ordered samples; gives notes alone, since in steady windows late readings are right. Does not
belong here: jumps of the one clock of a log (`instants`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.trust.clamp_grid import CLAMPS, DUCTS
from features.trust.ordered import PRESSURES, TEST
from features.trust.rules import Rule
from features.trust.verdicts import Verdicts, no_notes, notes_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.settings import DerivationSettings
    from features.trust.ordered import Ordered

    Floats = NDArray[np.float64]

# seconds of the soak that are the level before, and of the start that are watched
_BEFORE_S, _QUIET_S, _AFTER_S = 25, 4, 60
_FEWEST_BEFORE = 5
# a reading stands for an instant no longer than this [s]
_LONGEST_STEP_S, _LEAST_SHARE = 2.5, 0.8
# A channel sets out when it has gone this share of its way; it must go so far [K], [kPa].
_SHARE, _LEAST_K, _LEAST_KPA, _LEAST_PART = 0.15, 4.0, 60.0, 0.25
_FEWEST_CHANNELS = 3
# The middle temperature of clean simulated logs sets out 4 to 13.5 s after the pressures (755
# logs of two seeds, common lag of clamps 8 s); above this they are late (tuning value).
_LATEST_S, _USUAL_S = 13.8, 8.0


def find_second_clocks(
    ordered: Ordered, context: pl.DataFrame, settings: DerivationSettings
) -> Verdicts:
    """Tests whose temperatures all answer the start too late; told, not distrusted."""
    del context, settings
    clamps = [name for name in CLAMPS if name in ordered.channels]
    pressures = [name for name in PRESSURES if name in ordered.channels]
    if ordered.samples.is_empty() or ordered.soak.is_empty() or not (clamps and pressures):
        return Verdicts()
    starts = _starts(ordered)
    set_out = np.array([starts.set_out_s(ordered.readings(name), _LEAST_KPA) for name in pressures])
    led = np.min(np.where(np.isfinite(set_out), set_out, np.inf), axis=0)
    temperatures = [*clamps, *(name for name in DUCTS if name in ordered.channels)]
    late_s = np.array(
        [starts.set_out_s(ordered.readings(name), _LEAST_K) for name in temperatures]
    ) - np.where(np.isfinite(led), led, np.nan)
    middle_s = _middle(late_s)
    late = np.flatnonzero(middle_s > _LATEST_S)
    ids = ordered.test_ids["test_id"].gather(starts.tests[late])
    sentences = [_sentence(float(middle_s[test])) for test in late]
    notes = [notes_of(ids, name, Rule.SECOND_CLOCK, sentences) for name in clamps]
    return Verdicts(notes=pl.concat([no_notes(), *notes])) if late.size else Verdicts()


@dataclass(frozen=True)
class _Starts:
    """Where the readings of each start stand, second by second; -1 where there is none.

    `tests`: the number of each start's test; `places`: start by second.
    """

    tests: NDArray[np.int64]
    places: NDArray[np.int64]

    def set_out_s(self, readings: Floats, least: float) -> Floats:
        """When a channel has left its level before each start [s]; NaN where it hardly does."""
        seen = np.where(self.places >= 0, readings[self.places], np.nan)
        before = seen[:, : _BEFORE_S - _QUIET_S]
        known = np.isfinite(before)
        count = known.sum(axis=1)
        level = np.sum(np.where(known, before, 0.0), axis=1) / np.maximum(count, 1)
        gone = np.abs(seen[:, _BEFORE_S - _QUIET_S :] - level[:, None])
        gone = np.where(np.isfinite(gone), gone, 0.0)
        furthest = gone.max(axis=1)
        has_gone = gone >= np.maximum(_SHARE * furthest, _LEAST_PART * least)[:, None]
        is_told = (furthest >= least) & (count >= _FEWEST_BEFORE)
        return np.where(is_told, np.argmax(has_gone, axis=1).astype(np.float64), np.nan)


def _starts(ordered: Ordered) -> _Starts:
    """The starts that end a soak, in logs that write often enough."""
    tests = ordered.soak[TEST].to_numpy().astype(np.int64)
    time_s = ordered.samples["time_s"].to_numpy()
    seconds = np.arange(-_BEFORE_S, _AFTER_S, dtype=np.float64)
    asked = ordered.soak["to_s"].to_numpy()[:, None] + seconds
    places = np.full(asked.shape, -1, dtype=np.int64)
    for row, test in enumerate(tests.tolist()):
        own = time_s[ordered.first[test] : ordered.first[test + 1]]
        found = np.searchsorted(own, asked[row], side="right") - 1
        is_fresh = (found >= 0) & (asked[row] - own[found] <= _LONGEST_STEP_S)
        is_fresh &= np.mean(is_fresh[_BEFORE_S:]) >= _LEAST_SHARE
        places[row] = np.where(is_fresh, found + ordered.first[test], -1)
    return _Starts(tests, places)


def _middle(values: Floats) -> Floats:
    """Median of each column, NaN with fewer than three known."""
    ordered = np.sort(values, axis=0)
    known = np.isfinite(ordered).sum(axis=0)
    columns = np.arange(values.shape[1])
    lower = ordered[np.maximum((known - 1) // 2, 0), columns]
    upper = ordered[np.minimum(known // 2, values.shape[0] - 1), columns]
    return np.where(known >= _FEWEST_CHANNELS, (lower + upper) / 2.0, np.nan)


def _sentence(middle_s: float) -> str:
    return (
        f"when the compressor started, the temperatures set out {middle_s:.0f} s after the "
        f"pressures, where clamps on a pipe take {_USUAL_S:.0f} s or so: they come from a device "
        f"whose clock is late by about {middle_s - _USUAL_S:.0f} s, or from a slow one. Right in "
        "steady windows; set both clocks alike before judging events and transients"
    )
