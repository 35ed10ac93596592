"""The judgement beside two simpler detectors on the same tests: ROC, and customary thresholds.

Takes the truth per test and a score per test of each method, gives `RivalScore` records. A test
that a method says nothing of is no alarm of it, so that all are counted over the same tests.
Does not belong here: the detectors (`models.rivals`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from models.rivals import CUSTOMARY_SPREADS, forest_scores, mean_spread_scores, standardised
from pipeline.score_fleet import ALARMS
from pipeline.shares import Share
from pipeline.true_effects import AFFECTED, HEALTHY

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

OURS = "chillroster"
MEAN_SPREAD = "mean and standard deviation"
FOREST = "isolation forest"
_POINTS = 60


@dataclass(frozen=True)
class Method:
    """A detector: test_id and score, and what it calls an alarm at its customary threshold."""

    name: str
    scores: pl.DataFrame
    alarms: frozenset[str]


@dataclass(frozen=True)
class RivalScore:
    """One method: at its customary threshold, and at no more false alarms than the judgement.

    `curve` holds (share of healthy tests alarmed, share of affected ones detected); `area`
    under it is the chance that an affected test scores higher than a healthy one.
    """

    name: str
    detected: Share
    false_alarms: Share
    detected_at_our_rate: Share
    area: float | None
    curve: tuple[tuple[float, float], ...]


def score_methods(truth: pl.DataFrame, methods: tuple[Method, ...]) -> tuple[RivalScore, ...]:
    """The methods over the healthy and affected tests; the first is the one to hold against."""
    tests = truth.filter(pl.col("standing").is_in([HEALTHY, AFFECTED]))
    allowed = _alarms(tests, methods[0], HEALTHY).n_hits
    return tuple(_rival_score(tests, method, allowed) for method in methods)


def methods_of(
    assessments: pl.DataFrame, features: pl.DataFrame, context: pl.DataFrame, *, seed: int
) -> tuple[Method, ...]:
    """The judgement, and the two simpler detectors on the features that it judges."""
    rows = standardised(features, context)
    ours = assessments.filter(pl.col("p_value").is_not_null()).select(
        "test_id", score=-pl.col("p_value").clip(1e-300).log()
    )
    flagged = assessments.filter(pl.col("verdict_code").is_in(ALARMS))["test_id"].to_list()
    spread, forest = mean_spread_scores(rows), forest_scores(rows, seed=seed)
    return (
        Method(OURS, ours, frozenset(flagged)),
        Method(MEAN_SPREAD, spread, _above(spread, CUSTOMARY_SPREADS)),
        Method(FOREST, forest, _above(forest, 0.0)),
    )


def _above(scores: pl.DataFrame, threshold: float) -> frozenset[str]:
    return frozenset(scores.filter(pl.col("score") > threshold)["test_id"].to_list())


def _alarms(tests: pl.DataFrame, method: Method, standing: str) -> Share:
    part = tests.filter(standing=standing)["test_id"].to_list()
    return Share(sum(test_id in method.alarms for test_id in part), len(part))


def _rival_score(tests: pl.DataFrame, method: Method, allowed: int) -> RivalScore:
    scored = tests.join(method.scores, on="test_id", how="left").with_columns(
        pl.col("score").fill_null(-np.inf)
    )
    healthy = np.sort(scored.filter(standing=HEALTHY)["score"].to_numpy())
    affected = np.sort(scored.filter(standing=AFFECTED)["score"].to_numpy())
    return RivalScore(
        name=method.name,
        detected=_alarms(tests, method, AFFECTED),
        false_alarms=_alarms(tests, method, HEALTHY),
        detected_at_our_rate=Share(_detected_at(healthy, affected, allowed), affected.size),
        area=_area(healthy, affected),
        curve=_curve(healthy, affected),
    )


def _detected_at(healthy: Floats, affected: Floats, allowed: int) -> int:
    """Affected tests above the threshold that no more than `allowed` healthy ones exceed."""
    if allowed >= healthy.size:
        return int(affected.size)
    return int((affected > healthy[healthy.size - 1 - allowed]).sum())


def _area(healthy: Floats, affected: Floats) -> float | None:
    """Mann and Whitney's share of pairs in the right order, equal ones counting half."""
    if not healthy.size or not affected.size:
        return None
    below = np.searchsorted(healthy, affected, "left") + np.searchsorted(healthy, affected, "right")
    return float(below.sum() / 2.0 / healthy.size / affected.size)


def _curve(healthy: Floats, affected: Floats) -> tuple[tuple[float, float], ...]:
    """Points at false alarm shares that lie close together where they are small."""
    if not healthy.size or not affected.size:
        return ()
    shares = np.linspace(0.0, 1.0, _POINTS) ** 2
    counts = np.unique(np.floor(shares * healthy.size).astype(int))
    return tuple(
        (float(count / healthy.size), _detected_at(healthy, affected, int(count)) / affected.size)
        for count in counts
    )
