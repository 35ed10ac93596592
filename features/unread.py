"""Why nothing was read in a test: which condition for a window it never met.

A test without a window has only rates to offer, and the reader is owed the reason: it ran
too short, an event came every minute, or a channel, which is named, never settled. Takes
blocks, what was judged of them and the windows found; gives one row per test without a
window. Does not belong here: finding windows (`windows`), readings not trusted
(`screening`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.regime_reasons import Reason
from features.regimes import CONTINUOUS, Regime
from features.settling import KEYS, LEAST_KEY_CHANNELS, Key, Settling
from features.steadiness import fit_trailing_line
from features.tables import Column, Table

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.settings import DerivationSettings

    Booleans = NDArray[np.bool_]


class Obstacle(Enum):
    """What kept a test from being read; the value is the sentence, with its numbers."""

    RUNNING_NOT_KNOWN = (
        "it cannot be told whether the compressor ran: neither its command nor both pressures "
        "are known"
    )
    NEVER_RAN = (
        "the compressor never ran: its command stayed off, or the high side never stood above "
        "{ratio:g} times the low side"
    )
    ASKED_IN_VAIN = (
        "the car was asked to cool for {asked_s:g} s, but the high side never stood above "
        "{top:.2f} times the low side: the compressor does not turn or does not pump, or the "
        "circuit is empty"
    )
    STILL_PULLING_DOWN = (
        "the air was still being pulled down, by {fall:.1f} K/min at the last; values are read "
        "when it holds its level: let the car run longer"
    )
    RAN_TOO_SHORT = (
        "the compressor ran for {ran_s:g} s at most; values are read from {settle_s:g} s after "
        "it starts (or the log begins), over {window_s:g} s: log at least {minutes} min of running"
    )
    CYCLES_UNEVEN = (
        "the compressor cycled, but its cycles were too uneven, or drifted too much, for means "
        "over whole cycles"
    )
    EVENTS_TOO_CLOSE = (
        "fan or compressor events, changes of the control state or gaps in the log left no "
        "stretch of {free_s:g} s, and came too unevenly for means over whole cycles"
    )
    TOO_FEW_CHANNELS = "fewer than {least} of {channels} are known while the car was settled"
    NEVER_SETTLED = "never settled: {motions}"
    NEVER_TOGETHER = (
        "every channel settled at some time, but never all at once; least often the {words}, in "
        "{share:.0%} of the possible windows"
    )

    @property
    def code(self) -> str:
        """The code in the table: `ran_too_short`."""
        return self.name.lower()


UNREAD = Table(
    "unread",
    "one row per test without a window",
    ("test_id",),
    (
        Column("test_id", pl.String(), "", "the test"),
        Column("reason_code", pl.String(), "", "the obstacle of features.unread"),
        Column("channel", pl.String(), "", "the channel furthest from settling, where one is"),
        Column("sentence", pl.String(), "", "the reason in words, with numbers"),
    ),
)

_CONTINUOUS = [regime.value for regime in CONTINUOUS]
_RUNNING = [regime.value for regime in Regime if regime is not Regime.OFF]


def describe_unread(
    blocks: pl.DataFrame,
    settling: Settling,
    windows: pl.DataFrame,
    settings: DerivationSettings,
    block_s: float,
) -> pl.DataFrame:
    """One row per test of the blocks that has no row in `windows` (frame of `UNREAD`).

    `blocks` needs test_id, regime and the channels, row for row as judged in `settling`.
    """
    flags, read = _flags(blocks), set(windows["test_id"].unique())
    reasons = [
        (test_id, *_reason(_Test(blocks[span], _of(flags, span), cut, settings, block_s)))
        for test_id, span in _spans(blocks)
        if test_id is not None and test_id not in read
        for cut in (_cut(settling, span),)
    ]
    return pl.DataFrame(reasons, schema=UNREAD.schema, orient="row")


def _flags(blocks: pl.DataFrame) -> dict[str, Booleans]:
    """What is asked of the regimes of the blocks, worked out for all tests at once."""
    regime = pl.col("regime")
    found = blocks.select(
        is_known=regime.is_not_null(),
        is_running=regime.is_in(_RUNNING),
        is_continuous=regime.is_in(_CONTINUOUS),
        is_settled=regime.is_in(_CONTINUOUS) & pl.col("is_past_start"),
        is_cycling=regime == Regime.CYCLING.value,
        # the air still falls when windows might begin
        falls_late=(regime == Regime.PULL_DOWN.value) & pl.col("is_past_start"),
        asked_in_vain=pl.col("regime_reason") == Reason.NEVER_RAN.code,
    ).fill_null(value=False)
    return {column.name: column.to_numpy() for column in found}


def _spans(blocks: pl.DataFrame) -> list[tuple[str | None, slice]]:
    """Each test with its place in the blocks, which are ordered by test."""
    first = np.flatnonzero(np.diff(blocks["test_number"].to_numpy(), prepend=-1))
    past = np.append(first[1:], blocks.height)
    ids = blocks["test_id"].gather(first)
    return [(ids[n], slice(int(first[n]), int(past[n]))) for n in range(first.size)]


def _of(flags: dict[str, Booleans], span: slice) -> dict[str, Booleans]:
    return {name: values[span] for name, values in flags.items()}


def _cut(settling: Settling, span: slice) -> Settling:
    return Settling(
        settling.length,
        settling.has_room[span],
        tuple(present[span] for present in settling.present),
        tuple(steady[span] for steady in settling.steady),
    )


@dataclass(frozen=True)
class _Test:
    """One test without a window, with what was judged of it."""

    blocks: pl.DataFrame
    flags: dict[str, Booleans]
    settling: Settling
    settings: DerivationSettings
    block_s: float

    def longest_s(self, flag: str) -> float:
        """Longest time on end for which a flag holds."""
        return _longest_run(self.flags[flag]) * self.block_s

    @property
    def usable(self) -> Booleans:
        """True means: a window could end here if its channels held still."""
        return self.settling.has_room & (self.settling.n_present >= LEAST_KEY_CHANNELS)


def _reason(test: _Test) -> tuple[str, str | None, str]:
    """Code, channel and sentence of the first condition that was not met."""
    obstacle = _obstacle(test)
    if obstacle is not None:
        return obstacle.code, None, obstacle.value.format(**_figures(test))
    return _unsettled(test)


def _obstacle(test: _Test) -> Obstacle | None:
    """What left no room for a window; None when there was room."""
    flags, window_s = test.flags, test.settling.length * test.block_s
    settled_s = test.longest_s("is_settled")
    is_cycling = flags["is_cycling"].sum() > flags["is_continuous"].sum()
    conditions = (
        (Obstacle.RUNNING_NOT_KNOWN, not flags["is_known"].any()),
        (Obstacle.ASKED_IN_VAIN, flags["asked_in_vain"].any()),
        (Obstacle.NEVER_RAN, not flags["is_running"].any()),
        (Obstacle.CYCLES_UNEVEN, is_cycling),
        (Obstacle.STILL_PULLING_DOWN, flags["falls_late"].any() and settled_s < window_s),
        (Obstacle.RAN_TOO_SHORT, settled_s < window_s),
        (Obstacle.EVENTS_TOO_CLOSE, not test.settling.has_room.any()),
        (Obstacle.TOO_FEW_CHANNELS, not test.usable.any()),
    )
    return next((obstacle for obstacle, is_met in conditions if is_met), None)


def _figures(test: _Test) -> dict[str, object]:
    """The numbers that the sentences quote."""
    settings = test.settings
    needed_s = settings.settle_after_start_s + settings.window_s
    return {
        "ratio": settings.running_pressure_ratio,
        "asked_s": test.blocks["asked_s"].max(),
        "top": test.blocks["top_ratio"].max() or 0.0,
        "fall": _last(test.blocks.filter(regime=Regime.PULL_DOWN.value)["fall_per_min"]),
        "ran_s": test.longest_s("is_running"),
        "settle_s": settings.settle_after_start_s,
        "window_s": settings.window_s,
        "free_s": settings.settle_after_event_s + settings.window_s,
        # blocks cut at even times can cost a block at either end
        "minutes": math.ceil((needed_s + 2 * test.block_s) / 60.0),
        "least": LEAST_KEY_CHANNELS,
        "channels": ", ".join(key.words for key in KEYS if key.counts),
    }


def _last(values: pl.Series) -> float:
    """The last value known; 0 where none is."""
    known = values.drop_nulls()
    return float(known[-1]) if known.len() else 0.0


def _unsettled(test: _Test) -> tuple[str, str | None, str]:
    """Which channels never held still, or held still but never together."""
    shares = {
        place: float(test.settling.steady[place][test.usable & present].mean())
        for place, present in enumerate(test.settling.present)
        if (test.usable & present).any()
    }
    worst = min(shares, key=lambda place: (shares[place], place))
    key = KEYS[worst]
    channel = key.logged(test.blocks)[0]
    never = [KEYS[place] for place, share in shares.items() if share == 0.0]
    if never:
        motions = "; ".join(_motion(one, test) for one in never)
        obstacle, told = Obstacle.NEVER_SETTLED, {"motions": motions}
        return obstacle.code, channel, obstacle.value.format(**told)
    obstacle = Obstacle.NEVER_TOGETHER
    return obstacle.code, channel, obstacle.value.format(words=key.words, share=shares[worst])


def _motion(key: Key, test: _Test) -> str:
    """For example: suction line swings by 2.9 K, 1 sd (0.8 allowed)."""
    values = test.blocks.select(pl.coalesce(key.logged(test.blocks))).to_series().to_numpy()
    fit = fit_trailing_line(values, test.settling.length)
    limits = key.limits(test.settings, test.block_s)
    known = test.usable & np.isfinite(fit.slope)
    if not known.any():
        return f"the {key.words} has holes in every possible window"
    per_min = 60.0 / test.block_s
    slope = float(np.median(np.abs(fit.slope[known])))
    spread = float(np.median(fit.spread[known]))
    if spread / limits.spread >= slope / limits.slope_per_block:
        allowed = f"({limits.spread:g} allowed)"
        return f"the {key.words} swings by {spread:.3g} {key.unit}, 1 sd {allowed}"
    allowed = f"({limits.slope_per_block * per_min:.3g} allowed)"
    return f"the {key.words} drifts by {slope * per_min:.3g} {key.unit}/min {allowed}"


def _longest_run(flags: Booleans) -> int:
    """Length of the longest run of True."""
    place = np.arange(flags.size)
    last_false = np.maximum.accumulate(np.where(flags, -1, place))
    return int(np.max(np.where(flags, place - last_false, 0), initial=0))
