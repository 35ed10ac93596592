"""The charts of the scorecard, drawn here and now as SVG: the page runs no script.

Holds the records that the charts take, with every number computed, and gives SVG text. Colours
are custom properties of the style sheet, as in `charts`. Does not belong here: tables and words
(`scorecard`), any counting.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import altair as alt
import vl_convert
from markupsafe import Markup

from reports.charts import LOOK, STYLES

if TYPE_CHECKING:
    from reports.charts import Layers

# narrow enough for a phone, so that nothing on it shrinks
WIDTH_PX, HEIGHT_PX = 280, 170
LINE_STYLES = ("a", "c", "d")


@dataclass(frozen=True)
class SizePoint:
    """Tests of a fault of about one size: the share detected with its interval."""

    size: float
    share: float
    low: float
    high: float
    n_tests: int


@dataclass(frozen=True)
class DetectionChart:
    """One fault: points, and the curve through them as (size, share)."""

    title: str
    axis: str
    points: tuple[SizePoint, ...]
    curve: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class RankLine:
    """One method: (share of false alarms, share detected), and where it is customarily used."""

    name: str
    points: tuple[tuple[float, float], ...]
    used_at: tuple[float, float] | None


@dataclass(frozen=True)
class LossPoint:
    """A share of data lost: flags that stayed, and those that became `in band`."""

    lost: float
    kept: float
    in_band: float


@dataclass(frozen=True)
class LossChart:
    """One kind of data that is lost."""

    title: str
    points: tuple[LossPoint, ...]


def detection_svg(chart: DetectionChart) -> Markup:
    """Share detected against size."""
    points = [vars(point) for point in chart.points]
    curve = [{"size": size, "share": share} for size, share in chart.curve]
    size = alt.X("size:Q", title=chart.axis, axis=alt.Axis(grid=False, tickCount=5))
    bars = _mark(points).mark_rule(color="var(--curve-a)", strokeWidth=1.4)
    dots = _mark(points).mark_point(color="var(--curve-a)", filled=True, opacity=1, size=50)
    line = _mark(curve).mark_line(color="var(--curve-ink)", strokeDash=[5, 2], strokeWidth=1.6)
    return _svg(
        alt.layer(
            line.encode(x=size, y=_share("share")),
            bars.encode(x=size, y=_share("low"), y2="high:Q"),
            dots.encode(x=size, y=_share("share")),
        )
    )


def rank_svg(lines: tuple[RankLine, ...]) -> Markup:
    """Detections against false alarms, false alarms up to a third."""
    rows = [
        {"name": line.name, "alarms": alarms, "share": share}
        for line in lines
        for alarms, share in line.points
    ]
    used = [
        {"name": line.name, "alarms": line.used_at[0], "share": line.used_at[1]}
        for line in lines
        if line.used_at is not None
    ]
    alarms = alt.X(
        "alarms:Q",
        title="healthy tests flagged",
        scale=alt.Scale(domain=[0.0, 0.35], nice=False),
        axis=alt.Axis(grid=False, format="%", tickCount=4),
    )
    names = [line.name for line in lines]
    styles = [STYLES[LINE_STYLES[place % len(LINE_STYLES)]] for place in range(len(lines))]
    colour = alt.Color(
        "name:N", legend=None, scale=alt.Scale(domain=names, range=[style[0] for style in styles])
    )
    dash = alt.StrokeDash(
        "name:N", legend=None, scale=alt.Scale(domain=names, range=[style[1] for style in styles])
    )
    ways = _mark(rows).mark_line(strokeWidth=1.8, clip=True)
    dots = _mark(used).mark_point(filled=True, opacity=1, size=80, clip=True)
    return _svg(
        alt.layer(
            ways.encode(x=alarms, y=_share("share"), color=colour, strokeDash=dash),
            dots.encode(x=alarms, y=_share("share"), color=colour),
        )
    )


def loss_svg(chart: LossChart) -> Markup:
    """Flags that stayed, and that became `in band`, against the share of data lost."""
    rows = [vars(point) for point in chart.points]
    lost = alt.X("lost:Q", title="lost", axis=alt.Axis(grid=False, format="%", tickCount=5))
    kept = _mark(rows).mark_line(color="var(--curve-a)", strokeWidth=1.8, point=True)
    turned = _mark(rows).mark_line(color="var(--service)", strokeDash=[5, 2], strokeWidth=1.8)
    return _svg(
        alt.layer(kept.encode(x=lost, y=_share("kept")), turned.encode(x=lost, y=_share("in_band")))
    )


def _mark(rows: list[dict[str, Any]]) -> Any:
    """A chart of rows; untyped because the library is."""
    return alt.Chart.from_dict({"data": {"values": rows}, "mark": "point"})


def _share(field: str) -> alt.Y:
    return alt.Y(
        f"{field}:Q",
        title=None,
        scale=alt.Scale(domain=[0.0, 1.0]),
        axis=alt.Axis(format="%", tickCount=4, minExtent=36),
    )


def _svg(chart: Layers) -> Markup:
    sized = chart.properties(width=WIDTH_PX, height=HEIGHT_PX, background="transparent")
    text = vl_convert.vegalite_to_svg(sized.to_dict() | {"config": LOOK})
    return Markup(text)  # noqa: S704 - drawn here, from numbers and names of ours
