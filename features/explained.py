"""Explained variation: how much of a test's movement its causes account for, and what is left.

Healthy cars swing: a fan stage, the control, hotter intake air move both pressures and the
duct by amounts that a snapshot reader calls a fault. Takes blocks with their regime and the
events; gives per test the values of `explained_records`, and per cause its effect. Does not
belong here: the causes and their signs (`explained_causes`), the regression
(`explained_fit`), effects (`explained_effects`), words (`story`).

What is looked at is the running time from two minutes after a start on: before, a car pulls
down, which the transient features describe.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.block_grids import Grid, lay_grids
from features.explained_causes import CAUSE_CHANNELS, CAUSES, COMPRESSOR, cause_courses
from features.explained_effects import Terms, effects_frame, effects_of
from features.explained_fit import (
    Bounds,
    Explained,
    explain_responses,
    gather_series,
)
from features.explained_lags import CHAINS_S, MEAN_LAG_S, behind_lags
from features.explained_records import EXPLAINED_RECORDS, RESPONSES, Response
from features.regimes import Regime

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Booleans = NDArray[np.bool_]
    Rows = dict[str, NDArray[np.generic]]

# The first so many seconds after the regime `starting` still belong to the start.
_AFTER_STARTING_S = 60.0
_LEAST_S = 120.0
_LEAST_COVERAGE = 0.5
# No share is known better, whatever few terms happen to fit (tuning value).
_LEAST_SHARE_ERROR = 0.01
# Left out in turn: stretches of so long, every so-manieth of them together.
_STRETCH_S = 20.0
_FOLDS = 5
_CHANNELS = [response.channel for response in RESPONSES]
_LAID = ("n_samples", "is_run", *_CHANNELS, *CAUSE_CHANNELS)
_VALUES_SCHEMA = {
    "test_number": pl.UInt32(),
    **{name: pl.Float64() for r in EXPLAINED_RECORDS for name in (r.name, r.uncertainty_name)},
}


@dataclass(frozen=True)
class Variation:
    """Per test_number the values of `explained_records`; and effects, with test_number."""

    values: pl.DataFrame
    effects: pl.DataFrame


def explain_variation(blocks: pl.DataFrame, events: pl.DataFrame, block_s: float) -> Variation:
    """What moved each test, and how much of its movement that explains.

    Parameters
    ----------
    blocks
        test_number, block_number, n_samples, regime, and any channels; ordered by both.
    events
        test_number, time_s, kind_code of all tests, any order.
    """
    told = blocks.with_columns(is_run=_is_run(blocks, block_s).cast(pl.Float64))
    parts = [_explain(grid, events) for grid in lay_grids(told, _LAID, block_s)]
    if not parts:
        return Variation(pl.DataFrame(schema=_VALUES_SCHEMA), effects_frame([]))
    values = {
        name: np.concatenate([part.values[name] for part in parts]) for name in _VALUES_SCHEMA
    }
    frame = pl.DataFrame(values, schema=_VALUES_SCHEMA).fill_nan(None).sort("test_number")
    return Variation(frame, effects_frame([rows for part in parts for rows in part.effects]))


def _is_run(blocks: pl.DataFrame, block_s: float) -> pl.Series:
    """True means: running, and the last start lies long enough back."""
    works = pl.col("regime").is_not_null() & (pl.col("regime") != Regime.OFF.value)
    is_start = ~works | (pl.col("regime") == Regime.STARTING.value)
    number = pl.col("block_number")
    last = pl.when(is_start).then(number).forward_fill().over("test_number")
    is_late = ((number - last) * block_s > _AFTER_STARTING_S).fill_null(value=True)
    return blocks.select(works & is_late).to_series()


@dataclass(frozen=True)
class _Laid:
    """Regressors, then responses, of a grid: test by column by block.

    `slots` has per test the place in `CAUSES` of each of its causes; a cause has as many
    regressors as there are chains of lags. `courses` is test by cause by block.
    """

    grid: Grid
    inside: Booleans
    columns: Floats
    slots: Integers
    courses: Floats

    @property
    def n_regressors(self) -> int:
        """Number of regressors."""
        return int(self.slots.shape[1]) * len(CHAINS_S)

    def bounds(self) -> Bounds:
        """What is believed of every regressor's effect on every response."""
        signs = np.array([cause.signs for cause in CAUSES], dtype=np.float64).T
        most = np.array([cause.most for cause in CAUSES]).T
        slots = np.repeat(self.slots, len(CHAINS_S), axis=1)
        return Bounds(signs[:, slots], most[:, slots])


@dataclass(frozen=True)
class _Part:
    """Columns of values, and rows of effects, of the tests of one grid."""

    values: Rows
    effects: list[Rows]


def _explain(grid: Grid, events: pl.DataFrame) -> _Part:
    """Values and effects of the tests of one grid."""
    laid = _lay_out(grid, events)
    fold = (np.arange(grid.n_blocks) // max(round(_STRETCH_S / grid.block_s), 1)) % _FOLDS
    series = gather_series(laid.columns, laid.inside, laid.n_regressors, fold)
    values: Rows = {"test_number": grid.test_number}
    effects = []
    found_of_each = explain_responses(series, laid.bounds())
    for place, (response, found) in enumerate(zip(RESPONSES, found_of_each, strict=True)):
        kept = _terms(laid, place, found)
        values |= _values_of(response, found, kept)
        effects += effects_of(response.channel, kept)
    return _Part(values, effects)


def _lay_out(grid: Grid, events: pl.DataFrame) -> _Laid:
    """The regressors of all tests: every cause that moves, behind every chain of lags."""
    inside = np.nan_to_num(grid.values["is_run"]) > 0
    responses = []
    for name in _CHANNELS:
        value = grid.values.get(name, np.full(inside.shape, np.nan))
        known = np.isfinite(value)
        is_covered = (known & inside).sum(axis=1) > _LEAST_COVERAGE * inside.sum(axis=1)
        inside = inside & (known | ~is_covered[:, None])
        responses.append(np.where(known & is_covered[:, None], value, 0.0))
    inside = inside & (inside.sum(axis=1) * grid.block_s >= _LEAST_S)[:, None]
    courses = cause_courses(grid, events).transpose(1, 0, 2)
    rested = _since_shortly_before(courses, inside, grid.block_s)
    slots, is_used = _packed(rested, inside)
    n_tests, n_slots = slots.shape
    columns = np.zeros((n_tests, n_slots * len(CHAINS_S) + len(responses), grid.n_blocks))
    columns[:, n_slots * len(CHAINS_S) :] = np.stack(responses, axis=1)
    regressors = columns[:, : n_slots * len(CHAINS_S)].reshape(
        n_tests, n_slots, len(CHAINS_S), grid.n_blocks
    )
    test, slot = np.nonzero(is_used)
    regressors[test, slot] = behind_lags(rested[test, slots[test, slot]], grid.block_s)
    return _Laid(grid, inside, columns, slots, courses)


def _since_shortly_before(courses: Floats, inside: Booleans, block_s: float) -> Floats:
    """Courses at rest until a minute before the blocks looked at, but for the compressor's own.

    What was switched with the compressor is part of its start; only the start itself may
    reach so far.
    """
    lead = round(_AFTER_STARTING_S / block_s)
    first = np.maximum(np.argmax(inside, axis=1) - lead, 0)[:, None, None]
    at_first = np.take_along_axis(courses, first, axis=2)
    is_before = np.arange(courses.shape[2])[None, None, :] < first
    is_other = np.array([cause.code != COMPRESSOR for cause in CAUSES])[None, :, None]
    return np.where(is_before & is_other, at_first, courses)


def _packed(courses: Floats, inside: Booleans) -> tuple[Integers, Booleans]:
    """Per test the causes that move, first, and which these are.

    As many slots as the busiest test needs.
    """
    moves = np.asarray(np.ptp(courses, axis=2) > 0.0) & np.any(inside, axis=1, keepdims=True)
    order = np.argsort(~moves, axis=1, kind="stable")
    slots = order[:, : max(int(moves.sum(axis=1).max()), 1)]
    return slots, np.take_along_axis(moves, slots, axis=1)


def _terms(laid: _Laid, place: int, found: Explained) -> Terms:
    """What was kept of one response."""
    picks = np.maximum(found.picks, 0)
    tests = np.arange(laid.grid.n_tests)[:, None]
    terms = laid.columns[tests, picks] * found.coefficients[:, :, None]
    read = laid.columns[:, laid.n_regressors + place]
    cause = laid.slots[tests, picks // len(CHAINS_S)]
    return Terms(
        test_number=laid.grid.test_number,
        middle_s=laid.grid.middle_s,
        inside=laid.inside,
        read=read,
        terms=terms,
        cause=np.where(found.picks >= 0, cause, -1),
        lag_s=MEAN_LAG_S[picks % len(CHAINS_S)],
        weight=np.abs(found.coefficients),
        courses=laid.courses,
        share=found.share,
        unexplained=found.unexplained,
        n_effective=found.n_effective,
    )


def _values_of(response: Response, found: Explained, kept: Terms) -> Rows:
    """Movement, explained share and unexplained rest, each with its uncertainty.

    A standard deviation scatters by 1 / sqrt(2 n) of itself; a coefficient of determination
    by (1 - R^2) sqrt(4 R^2 / n + 2 / n^2), of which the second part counts near zero (large
    samples of n independent values; the first part M. G. Kendall, A. Stuart, The Advanced
    Theory of Statistics, vol. 2, from memory).
    """
    n = kept.n_effective
    is_known = kept.inside.any(axis=1) & np.any(kept.read != 0.0, axis=1)
    moves = is_known & (found.movement >= response.least)
    # noise of a block mean depends on the sampling rate: it is no movement of the car
    noise = response.least / 2.0
    rest = np.hypot(found.unexplained / np.sqrt(2.0 * n), noise)
    share = (1.0 - found.share) * np.sqrt(4.0 * found.share / n + 2.0 / n**2)
    size = np.where(found.movement > 0.0, found.movement, 1.0)
    share = np.hypot(share, (noise / size) ** 2 + _LEAST_SHARE_ERROR)
    scatter = np.hypot(found.unexplained**2 / np.sqrt(2.0 * n) / size, noise)
    values = (found.movement, found.share, found.unexplained)
    known = (is_known, moves, is_known)
    records = {record.name: record for record in EXPLAINED_RECORDS}
    out: Rows = {}
    for name, value, error, when in zip(
        response.names, values, (scatter, share, rest), known, strict=True
    ):
        out[name] = np.where(when, value, np.nan)
        out[records[name].uncertainty_name] = np.where(when, error, np.nan)
    return out
