"""Rules over the instants of a log: gap, clock jump, time that does not increase.

Each is a function `(Ordered, context, settings) -> Verdicts`. Flags stand under `time_s`.
A clock that was put forward leaves a hole in the times as a pause does; but after a pause
the readings have moved on, and after a jump they have not. Does not belong here: refusing
whole logs for their times, among them those whose clock was put back (the readers do that,
who still see the order of the file).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import polars as pl

from features.channels import CHANNEL
from features.trust.ordered import STEP_S, TEST, Ordered
from features.trust.rules import Rule
from features.trust.verdicts import Verdicts, flag_name, notes_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.settings import DerivationSettings

    Floats = NDArray[np.float64]

_GAP_LEAST_S = 10.0
_GAP_INTERVALS = 5.0
# A hole is held against this many readings on either side, no fewer than the least.
_AROUND_READINGS, _LEAST_AROUND, _LONGEST_LAG = 150, 20, 60
_WIDTHS = (1, 2, 4, 8)
# How much likelier the readings must be without time passing than with it (tuning value)
_LEAST_LN_ODDS = 0.7
# one channel says no more than this: channels of one machine are not independent
_MOST_LN_ODDS = 3.0
# clocks are set by whole minutes, pauses seldom last them: a sixtieth at one second's width
_ROUND_S, _ROUND_WITHIN_S, _ROUND_LN_ODDS = 60.0, 0.6, 3.0


def find_repeated_instants(
    ordered: Ordered, context: pl.DataFrame, settings: DerivationSettings
) -> Verdicts:
    """Rows whose instant is unknown, or stands more often than instants of the test do."""
    del context, settings
    flag = flag_name("time_s", Rule.TIME_NOT_INCREASING)
    return Verdicts(ordered.samples.select(_repeated(ordered.samples).alias(flag)))


def _repeated(samples: pl.DataFrame) -> pl.Expr:
    unknown = ~pl.col("time_s").is_finite().fill_null(value=False)
    if not (samples[STEP_S] == 0.0).any():
        return unknown
    # a clock of whole seconds repeats each instant alike; that is no fault
    rows = pl.len().over(TEST, "time_s")
    return unknown | (rows >= rows.median().over(TEST) + 1.0)


def find_gaps(ordered: Ordered, context: pl.DataFrame, settings: DerivationSettings) -> Verdicts:
    """The first sample after each stretch in which nothing was logged; distrusts none."""
    del context, settings
    flag = flag_name("time_s", Rule.GAP)
    return Verdicts(ordered.samples.select(_after_gap(ordered.samples).alias(flag)))


def _after_gap(samples: pl.DataFrame) -> pl.Expr:
    if not (samples[STEP_S] > _GAP_LEAST_S).any():
        return pl.repeat(value=False, n=pl.len())
    return (pl.col(STEP_S) > longest_step_s().over(TEST)).fill_null(value=False)


def longest_step_s() -> pl.Expr:
    """The longest step [s] between samples of a test that is no gap."""
    return pl.max_horizontal(_GAP_INTERVALS * pl.col(STEP_S).median(), pl.lit(_GAP_LEAST_S))


class _Jump(NamedTuple):
    """A step of the clock in one test: the place of the sample after it, and by how much [s]."""

    place: int
    by_s: float


def find_clock_jumps(
    ordered: Ordered, context: pl.DataFrame, settings: DerivationSettings
) -> Verdicts:
    """Holes in the times over which the readings go on as if no time had passed."""
    del context, settings
    if not (ordered.samples[STEP_S] > _GAP_LEAST_S).any():
        return Verdicts()
    holes = np.flatnonzero(ordered.samples.select(_after_gap(ordered.samples)).to_series())
    names = [name for name in ordered.channels if CHANNEL[name].quantity != "switch"]
    jumps = [jump for place in holes if (jump := _jump_at(ordered, int(place), names))]
    if not jumps:
        return Verdicts()
    flag = np.zeros(ordered.samples.height, dtype=np.bool_)
    flag[[jump.place for jump in jumps]] = True
    name = flag_name("time_s", Rule.CLOCK_JUMP)
    return Verdicts(pl.DataFrame({name: flag}), _jump_notes(ordered, jumps))


def _jump_at(ordered: Ordered, place: int, names: list[str]) -> _Jump | None:
    """The jump before the sample at a place, None where it may as well be a pause."""
    test = int(np.searchsorted(ordered.first, place, side="right")) - 1
    start = max(place - _AROUND_READINGS, int(ordered.first[test]))
    end = min(place + _AROUND_READINGS, int(ordered.first[test + 1]))
    if min(place - start, end - place) < _LEAST_AROUND:
        return None
    around = ordered.samples[start:end]
    time_s = around["time_s"].to_numpy()
    at = place - start
    usual_s = float(np.median(np.diff(time_s)))
    by_s = float(time_s[at] - time_s[at - 1]) - usual_s
    lag = max(2, min(round(by_s / usual_s), at // 2, (end - place) // 2, _LONGEST_LAG))
    odds = sum(
        _ln_odds(around[name].cast(pl.Float64()).fill_null(np.nan).to_numpy(), at, lag)
        for name in names
    )
    if abs(by_s / _ROUND_S - round(by_s / _ROUND_S)) * _ROUND_S < _ROUND_WITHIN_S:
        odds += _ROUND_LN_ODDS
    return _Jump(place, by_s) if odds > _LEAST_LN_ODDS else None


def _ln_odds(values: Floats, at: int, lag: int) -> float:
    """How much likelier a channel's step at the hole is as one of neighbours than of `lag`.

    Steps are taken between means of a few readings, as many as tell the two kinds best apart
    on either side of the hole; their tails are those of Laplace's law.
    """
    best = (1.0, 0.0)
    for width in _WIDTHS:
        sides = (_means(values[:at], width), _means(values[at:], width))
        if min(side.size for side in sides) <= lag + width:
            continue
        near = _spread(sides, width)
        far = _spread(sides, lag + width)
        step = abs(float(sides[1][0] - sides[0][-1]))
        if np.isfinite(step) and near > 0.0 and far / near > best[0]:
            best = (far / near, float(np.log(far / near) - step / near + step / far))
    return min(max(best[1], -_MOST_LN_ODDS), _MOST_LN_ODDS)


def _means(values: Floats, width: int) -> Floats:
    """Means of so many readings in a row, one for each place."""
    sums = np.concatenate(([0.0], np.cumsum(values)))
    return np.asarray((sums[width:] - sums[:-width]) / width)


def _spread(sides: tuple[Floats, Floats], lag: int) -> float:
    """Mean size of the steps over a lag on either side of the hole; 0 where none is known."""
    steps = np.concatenate([np.abs(side[lag:] - side[:-lag]) for side in sides])
    known = steps[np.isfinite(steps)]
    return float(np.mean(known)) if known.size else 0.0


def _jump_notes(ordered: Ordered, jumps: list[_Jump]) -> pl.DataFrame:
    first: dict[str, str] = {}
    times, tests = (ordered.samples[name] for name in ("time_s", "test_id"))
    for place, by_s in jumps:
        first.setdefault(
            str(tests[place]),
            f"after {times[place - 1]:.0f} s the clock goes on by {by_s:.0f} s and the readings go "
            "on as if no time had passed: more likely the clock was set than the log paused; "
            "times after it are late by as much",
        )
    return notes_of(pl.Series(list(first)), "time_s", Rule.CLOCK_JUMP, list(first.values()))
