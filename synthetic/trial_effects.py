"""What a mishap did to one log: how far its readings are off, and whether anybody could tell.

Takes the true curves of a test, those read without the mishap and those read with it. Does not
belong here: which mishaps look like a car (`untellable`), writing trials (`trust_trials`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from synthetic.mishaps import MISHAP
from synthetic.plant.placement import PRESSURES
from synthetic.untellable import UNTELLABLE, Case

if TYPE_CHECKING:
    from synthetic.befalling import Drawn
    from synthetic.plant.curves import Curves

_Row = dict[str, Any]
# a pressure off by so much weighs as a temperature off by 1 K (chosen)
_KPA_LIKE_A_KELVIN = 10.0
_LEAST_RUNNING_S = 120.0


@dataclass(frozen=True)
class BatchCurves:
    """Curves of a batch: true, as read with care, as read with what befell; second by test."""

    truth: Curves
    careful: Curves
    read: Curves


@dataclass(frozen=True)
class Effect:
    """What a mishap did.

    `share` of the watched instants in which readings were off enough; `size` how far they
    were off in the middle; `running_s`; `exempt_because` nobody could find it, or None.
    """

    share: float
    size: float
    running_s: float
    exempt_because: str | None


def effect_of(row: _Row, test: int, curves: BatchCurves) -> Effect:
    """The effect of what befell one test of a batch."""
    n_logged = int(row["true_logged_s"])
    runs = curves.truth["compressor_on"][:n_logged, test] > 0.5
    running_s = float(runs.sum())
    drawn: Drawn | None = row["drawn"]
    if drawn is None:
        return Effect(1.0, 0.0, running_s, None)
    share, size = _off(row, drawn, curves, (test, runs))
    case = Case(
        row=row,
        drawn=drawn,
        runs=runs,
        truth={name: curve[:n_logged, test] for name, curve in curves.truth.items()},
        read={name: curve[:n_logged, test] for name, curve in curves.read.items()},
    )
    return Effect(share, size, running_s, _exempt_because(case, share, running_s))


def _off(
    row: _Row, drawn: Drawn, curves: BatchCurves, at: tuple[int, np.ndarray]
) -> tuple[float, float]:
    """Share of the watched instants in which readings were off enough, and how far."""
    test, runs = at
    if drawn.channels == ("time_s",):
        return 1.0, 0.0
    kind = MISHAP[row["true_mishap"]]
    clock = np.arange(len(runs))
    since = (drawn.moment_s or 0.0) + kind.settles_s
    watched = runs & (clock >= since) & (clock < since + kind.watch_s)
    if not watched.any():
        return 0.0, 0.0
    shares, sizes = [], []
    for name in drawn.channels:
        read, careful = (each[name][: len(runs), test] for each in (curves.read, curves.careful))
        off = np.abs(read - careful)[watched]
        off = off[np.isfinite(off)]
        least = kind.least_effect_k * (_KPA_LIKE_A_KELVIN if name in PRESSURES else 1.0)
        shares.append(float(np.mean(off >= least)) if off.size else 0.0)
        sizes.append(float(np.median(off)) if off.size else 0.0)
    return max(shares), max(sizes)


def _exempt_because(case: Case, share: float, running_s: float) -> str | None:
    """Why nobody could find this mishap in this log, or None."""
    row, kind = case.row, MISHAP[case.row["true_mishap"]]
    is_long, is_hot = row["log"].endswith(".parquet"), row["fit_standing_hot_k"] > 0.0
    reasons = (
        (bool(kind.exempt_because), kind.exempt_because),
        (is_long and not kind.shows_in_long_form, "the long form holds each instant once anyway"),
        (is_hot and kind.needs_cool_engine, "lines at a hot engine stand at unlike temperatures"),
        (running_s < _LEAST_RUNNING_S, "the compressor ran for less than two minutes"),
        (share < kind.share, "the readings were off by too little to matter"),
    )
    plain = next((reason for applies, reason in reasons if applies), None)
    if plain is not None or kind.code not in UNTELLABLE:
        return plain
    return UNTELLABLE[kind.code](case) or None
