"""The page of a scorecard: its numbers put into what the page takes, one file written.

Takes a `Scorecard`. Does not belong here: layout (`reports.scorecard`), words
(`fleet_score_measures`, `fleet_score_words`), arithmetic (`score_fleet`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.detection_curves import chance_of_detection
from pipeline.fingerprints import code_version
from pipeline.fleet_score_measures import measures
from pipeline.fleet_score_words import intro, parts, spoken
from reports.pages import foot_of
from reports.scorecard import AskedFigure, ScorecardSummary, scorecard_page
from reports.scorecard_charts import DetectionChart, LossChart, LossPoint, RankLine, SizePoint
from reports.settings import ReportSettings

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.detection_curves import Detection
    from pipeline.score_fleet import Scorecard
    from pipeline.score_rivals import RivalScore

LEAST_TESTS = 8
"""Faults with fewer tests have no chart: its intervals would fill it."""
_CURVE_POINTS = 40


def write_scorecard_page(score: Scorecard, path: Path) -> None:
    """The page written; readers see the old bytes or the new, never a part."""
    path.parent.mkdir(parents=True, exist_ok=True)
    foot = foot_of(ReportSettings(), code_version())
    fresh = path.with_name(f".{path.name}.new")
    fresh.write_bytes(scorecard_page(page_summary(score), foot).encode("utf-8"))
    fresh.replace(path)


def page_summary(score: Scorecard) -> ScorecardSummary:
    """All that the page says."""
    lead, *sentences = intro(score)
    return ScorecardSummary(
        lead=lead,
        sentences=tuple(sentences),
        figures=tuple(AskedFigure(**vars(each)) for each in measures(score)),
        detections=tuple(
            _detection_chart(each)
            for each in score.detections
            if each.detected.n_all >= LEAST_TESTS
        ),
        ranks=tuple(_rank_line(each) for each in score.rivals),
        losses=_loss_charts(score),
        parts=parts(score),
    )


def _detection_chart(each: Detection) -> DetectionChart:
    points = tuple(
        SizePoint(size, share.value, *share.interval, share.n_all)
        for size, share in zip(each.mean_sizes, each.by_size, strict=True)
        if size is not None and share.value is not None
    )
    sizes = np.linspace(min(p.size for p in points), max(p.size for p in points), _CURVE_POINTS)
    shares = chance_of_detection(sizes / each.scale.whole, each.curve)
    axis = "g beyond the reserve" if each.scale.unit else "severity"
    curve = tuple(zip(sizes.tolist(), shares.tolist(), strict=True))
    return DetectionChart(spoken(each.fault).capitalize(), axis, points, curve)


def _rank_line(each: RivalScore) -> RankLine:
    alarms, detected = each.false_alarms.value, each.detected.value
    used_at = None if alarms is None or detected is None else (alarms, detected)
    return RankLine(each.name, each.curve, used_at)


def _loss_charts(score: Scorecard) -> tuple[LossChart, ...]:
    kinds = dict.fromkeys(each.kind for each in score.dropouts)
    charts = []
    for kind in kinds:
        points = tuple(
            LossPoint(each.share, each.flags_kept.value, each.in_band.value or 0.0)
            for each in score.dropouts
            if each.kind == kind and each.flags_kept.value is not None
        )
        if points:
            charts.append(LossChart(f"{kind.capitalize()} lost", points))
    return tuple(charts)
