"""Effects of single causes on duct and pressures, with numbers: the table `EFFECTS`.

Takes the terms that a regression kept of a response, gives one row per cause with the
largest change that it explains and when that was. Does not belong here: the regression
(`explained_fit`), words (`story`).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.explained_causes import CAUSES
from features.tables import Column, Table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Booleans = NDArray[np.bool_]
    Rows = dict[str, NDArray[np.generic]]

_ITS_UNIT = "the response's unit"
EFFECTS = Table(
    "effects",
    "one row per test, response and cause that moved it",
    ("test_id", "response", "cause_code"),
    (
        Column("test_id", pl.String(), "", "the test"),
        Column("response", pl.String(), "", "what moved: duct_air_c, low_side_kpa, high_side_kpa"),
        Column("cause_code", pl.String(), "", "what moved it, by features.explained_causes"),
        Column("part_share", pl.Float64(), "1", "its part of the response's squared movement"),
        Column("swing", pl.Float64(), _ITS_UNIT, "largest change that the cause explains"),
        Column("swing_uncertainty", pl.Float64(), _ITS_UNIT, "standard uncertainty of the swing"),
        Column("response_change", pl.Float64(), _ITS_UNIT, "what was read to change meanwhile"),
        Column("cause_change", pl.Float64(), "the cause's unit", "change of the cause meanwhile"),
        Column("time_constant_s", pl.Float64(), "s", "mean time by which the response lags"),
        Column("from_s", pl.Float64(), "s", "when that change began, since the start of the log"),
        Column("to_s", pl.Float64(), "s", "when it was complete"),
    ),
)
WORKING_SCHEMA = {"test_number": pl.UInt32(), **EFFECTS.schema}
del WORKING_SCHEMA["test_id"]


@dataclass(frozen=True)
class Terms:
    """What was kept of one response of some tests.

    Attributes
    ----------
    test_number, middle_s
        By test; time of the blocks, test by block.
    inside, read
        Blocks looked at, and what was read in them about its mean (0 elsewhere).
    terms, cause, lag_s, weight
        Test by term: its course over the blocks about its mean (0 elsewhere), place of its
        cause (-1: no term), mean lag and size of its coefficient.
    courses
        Course of every cause, test by cause by block, in steps.
    share, unexplained, n_effective
        By test.
    """

    test_number: Integers
    middle_s: Floats
    inside: Booleans
    read: Floats
    terms: Floats
    cause: Integers
    lag_s: Floats
    weight: Floats
    courses: Floats
    share: Floats
    unexplained: Floats
    n_effective: Floats


def effects_of(response: str, kept: Terms) -> list[Rows]:
    """Per cause, columns of `WORKING_SCHEMA`: a row per test of which it explains a part."""
    total = _parts(kept, kept.terms.sum(axis=1))
    return [
        _effect(response, place, _of_tests(kept, mine), total[mine])
        for place in range(len(CAUSES))
        if (mine := np.flatnonzero(((kept.cause == place) & (kept.weight > 0.0)).any(axis=1))).size
    ]


def effects_frame(found: Sequence[Rows]) -> pl.DataFrame:
    """All rows as one frame of `WORKING_SCHEMA`, ordered."""
    if not found:
        return pl.DataFrame(schema=WORKING_SCHEMA)
    columns = {name: np.concatenate([rows[name] for rows in found]) for name in WORKING_SCHEMA}
    frame = pl.DataFrame(columns, schema=WORKING_SCHEMA)
    return frame.sort("test_number", "response", "cause_code")


def _of_tests(kept: Terms, tests: Integers) -> Terms:
    return Terms(**{field.name: getattr(kept, field.name)[tests] for field in fields(kept)})


def _parts(kept: Terms, course: Floats) -> Floats:
    """Part of the squared movement that goes along with a course (Pratt's measure).

    `read` has no mean over the blocks inside, and is 0 elsewhere.
    """
    square = (kept.read**2).sum(axis=1)
    return np.asarray((kept.read * course).sum(axis=1) / np.where(square > 0, square, 1.0))


def _effect(response: str, place: int, kept: Terms, total: Floats) -> Rows:
    """Rows of the tests in which one cause explains something."""
    weight = np.where(kept.cause == place, kept.weight, 0.0)
    course = (np.where(weight > 0.0, 1.0, 0.0)[:, None, :] @ kept.terms)[:, 0]
    tests = np.arange(course.shape[0])
    lowest = np.argmin(np.where(kept.inside, course, np.inf), axis=1)
    highest = np.argmax(np.where(kept.inside, course, -np.inf), axis=1)
    first, last = np.minimum(lowest, highest), np.maximum(lowest, highest)
    swing = course[tests, last] - course[tests, first]
    spread = np.sqrt((course**2).sum(axis=1) / np.maximum(kept.inside.sum(axis=1), 1))
    relative = kept.unexplained / np.where(spread > 0, spread, 1.0) / np.sqrt(kept.n_effective)
    steps = kept.courses[tests, place, last] - kept.courses[tests, place, first]
    half_s = (kept.middle_s[:, 1] - kept.middle_s[:, 0]) / 2.0
    rows: Rows = {
        "test_number": kept.test_number,
        "response": np.full(tests.size, response),
        "cause_code": np.full(tests.size, CAUSES[place].code),
        "part_share": _parts(kept, course) * kept.share / np.where(total > 0, total, 1.0),
        "swing": swing,
        "swing_uncertainty": np.abs(swing) * relative,
        "response_change": kept.read[tests, last] - kept.read[tests, first],
        "cause_change": steps * CAUSES[place].scale,
        "time_constant_s": (weight * kept.lag_s).sum(axis=1) / weight.sum(axis=1),
        "from_s": kept.middle_s[tests, first] - half_s,
        "to_s": kept.middle_s[tests, last] + half_s,
    }
    is_real = (spread > 0) & (kept.share > 0)
    return {name: column[is_real] for name, column in rows.items()}
