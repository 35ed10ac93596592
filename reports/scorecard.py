"""The page of a scorecard: figures asked for, charts and tables, as one file without scripts.

Takes a `ScorecardSummary` in which every number is computed, gives HTML. It serves one
decision: whether what this program says of cars may be acted on. Does not belong here: the
scoring (`pipeline.score_fleet`), drawing (`scorecard_charts`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from reports.pages import render
from reports.scorecard_charts import LINE_STYLES, detection_svg, loss_svg, rank_svg
from reports.single_page import style_only_policy
from reports.site import asset_text

if TYPE_CHECKING:
    from reports.claim_page import Part
    from reports.pages import Foot
    from reports.scorecard_charts import DetectionChart, LossChart, RankLine


@dataclass(frozen=True)
class AskedFigure:
    """One figure, what is asked of it and the answer, in words; both may be ""."""

    words: str
    figure: str
    asked: str
    answer: str


@dataclass(frozen=True)
class ScorecardSummary:
    """All that the page says."""

    lead: str
    sentences: tuple[str, ...]
    figures: tuple[AskedFigure, ...]
    detections: tuple[DetectionChart, ...]
    ranks: tuple[RankLine, ...]
    losses: tuple[LossChart, ...]
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class _Drawn:
    title: str
    note: str
    svg: Markup
    keys: tuple[tuple[str, str], ...] = ()


def scorecard_page(summary: ScorecardSummary, foot: Foot) -> str:
    """The page as HTML."""
    style = asset_text("site.css")
    return render(
        "scorecard.html",
        summary=summary,
        detections=[_detection(chart) for chart in summary.detections],
        ranks=_ranks(summary.ranks),
        losses=[_loss(chart) for chart in summary.losses],
        foot=foot,
        root="",
        content_policy=style_only_policy(style),
        style=Markup(style),  # noqa: S704 - a file of ours
    )


def _detection(chart: DetectionChart) -> _Drawn:
    n_tests = sum(point.n_tests for point in chart.points)
    return _Drawn(chart.title, f"{n_tests} tests", detection_svg(chart))


def _ranks(lines: tuple[RankLine, ...]) -> list[_Drawn]:
    if not lines:
        return []
    keys = tuple(
        (LINE_STYLES[place % len(LINE_STYLES)], line.name) for place, line in enumerate(lines)
    )
    note = "Point: the threshold at which each is customarily used."
    return [_Drawn("Affected tests flagged", note, rank_svg(lines), keys)]


def _loss(chart: LossChart) -> _Drawn:
    keys = (("a", "still flagged"), ("turned", "turned into in band"))
    return _Drawn(chart.title, "", loss_svg(chart), keys)
