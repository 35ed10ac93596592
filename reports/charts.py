"""The chart grammar: two Vega-Lite templates that the pages' script fills with data.

Holds the curve template (one panel over the time of a test) and the history template
(one quantity over the tests of a car), built once with Altair. Colours are custom
properties of the style sheet, so that light, dark and print need no second drawing.
Does not belong here: data, and titles and keys, which are HTML (`figures`, templates).
"""

from __future__ import annotations

import json
from typing import Any

import altair as alt

STYLES: dict[str, tuple[str, list[int]]] = {
    "saturation": ("var(--saturation)", [7, 4]),
    "a": ("var(--curve-a)", [1, 0]),
    "b": ("var(--curve-b)", [1, 0]),
    "c": ("var(--curve-c)", [5, 2]),
    "d": ("var(--curve-d)", [2, 2]),
    "e": ("var(--curve-e)", [8, 2, 2, 2]),
    "f": ("var(--curve-a)", [2, 2]),
    "g": ("var(--curve-c)", [8, 2, 2, 2]),
    "h": ("var(--curve-d)", [5, 2]),
    "ink": ("var(--curve-ink)", [1, 0]),
}

Layers = alt.LayerChart | alt.FacetChart

_FONT = 'system-ui, -apple-system, "Segoe UI", Roboto, "Noto Sans", sans-serif'
LOOK: dict[str, Any] = {
    "font": _FONT,
    "view": {"stroke": None},
    "axis": {
        "gridColor": "var(--grid)",
        "domainColor": "var(--rule)",
        "tickColor": "var(--rule)",
        "labelColor": "var(--ink-soft)",
        "titleColor": "var(--ink-soft)",
        "labelFontSize": 11,
        "titleFontSize": 11,
        "titleFontWeight": "normal",
        "labelFlush": True,
    },
}
_TOP = alt.value(0)
_FOOT = alt.value("height")
# whole minutes as they are, others with their seconds
_CLOCK = (
    "datum.value % 1 ? floor(datum.value) + ':' + "
    "format(round(60 * (datum.value - floor(datum.value))), '02d') : format(datum.value, 'd')"
)


def chart_templates() -> dict[str, Any]:
    """Both templates as plain Vega-Lite JSON, by the name that the script knows."""
    return {"curves": _finish(_curves()), "history": _finish(_history())}


def template_script() -> str:
    """The templates as a script: a page opened from a disk cannot fetch a JSON file."""
    text = json.dumps(chart_templates(), sort_keys=True, separators=(",", ":"))
    return f"window.chillrosterTemplates={text};\n"


def _finish(chart: Layers) -> dict[str, Any]:
    wide = chart.properties(width="container", background="transparent")
    return wide.to_dict() | {"config": LOOK}


def _encode(mark: Any, **channels: Any) -> alt.Chart:
    """The mark with its channels, typed where the library is not."""
    drawn: alt.Chart = mark.encode(**channels)
    return drawn


def _curves() -> Layers:
    """One panel: judged stretches behind, the shaded distance, events, lines, what is distrusted.

    Of another test laid over it the lines are thin and pale.
    """
    layers = alt.layer(
        _stretches(), _hatching(), _band(), _event_rules(), _lines("overlay", 1.0, 0.55),
        _lines("lines", 1.6, 1.0), _distrusted_marks(),
    )  # fmt: skip
    names = ("first_minute", "last_minute", "lowest", "highest", "event_opacity")
    return layers.add_params(*(alt.param(name=name, value=1) for name in names))


def _minutes(field: str = "minute") -> alt.X:
    return alt.X(
        f"{field}:Q",
        title=None,
        scale=alt.Scale(
            domain=[alt.ExprRef("first_minute"), alt.ExprRef("last_minute")], nice=False
        ),
        axis=alt.Axis(
            grid=False, tickCount=8, tickMinStep=0.25, labelExpr=_CLOCK, labelOverlap=True
        ),
    )


def _level(field: str) -> alt.Y:
    domain = [alt.ExprRef("lowest"), alt.ExprRef("highest")]
    return _value(field, scale=alt.Scale(domain=domain, nice=True))


def _value(field: str, *, scale: alt.Scale | None = None) -> alt.Y:
    return alt.Y(
        f"{field}:Q",
        title=None,
        scale=alt.Scale(zero=False, nice=True) if scale is None else scale,
        axis=alt.Axis(tickCount=4, minExtent=40, maxExtent=40),
    )


def _stretches() -> alt.Chart:
    mark = alt.Chart(alt.NamedData("stretches")).mark_rect(
        aria=False, fill="var(--window)", stroke="var(--window-edge)", strokeWidth=0.5, clip=True
    )
    return _encode(mark, x=_minutes("from"), x2="to:Q", y=_TOP, y2=_FOOT)


def _hatching() -> alt.Chart:
    """Where readings are not trusted; the pattern is one of the page's shapes."""
    mark = alt.Chart(alt.NamedData("hatched")).mark_rect(
        aria=False, fill="url(#hatching)", stroke="var(--distrusted)", strokeWidth=0.5, clip=True
    )
    return _encode(mark, x=_minutes("from"), x2="to:Q", y=_TOP, y2=_FOOT)


def _band() -> alt.Chart:
    mark = alt.Chart(alt.NamedData("band")).mark_area(aria=False, color="var(--band)", clip=True)
    return _encode(mark, x=_minutes(), y=_level("lower"), y2="upper:Q")


def _event_rules() -> alt.Chart:
    mark = alt.Chart(alt.NamedData("events")).mark_rule(
        aria=False,
        color="var(--event)",
        strokeWidth=1,
        strokeDash=[1, 2],
        strokeOpacity=alt.ExprRef("event_opacity"),
        clip=True,
    )
    return _encode(mark, x=_minutes(), y=_TOP, y2=_FOOT)


def _lines(data: str, width: float, opacity: float) -> alt.Chart:
    keys = list(STYLES)
    mark = alt.Chart(alt.NamedData(data)).mark_line(
        aria=False, strokeWidth=width, opacity=opacity, strokeJoin="round", interpolate="linear",
        clip=True,
    )  # fmt: skip
    return _encode(
        mark,
        x=_minutes(),
        y=_level("value"),
        detail="name:N",
        color=alt.Color(
            "style:N",
            legend=None,
            scale=alt.Scale(domain=keys, range=[STYLES[key][0] for key in keys]),
        ),
        strokeDash=alt.StrokeDash(
            "style:N",
            legend=None,
            scale=alt.Scale(domain=keys, range=[STYLES[key][1] for key in keys]),
        ),
    )


def _distrusted_marks() -> alt.Chart:
    mark = alt.Chart(alt.NamedData("distrusted")).mark_text(
        aria=False,
        text="\N{MULTIPLICATION SIGN}",
        color="var(--distrusted)",
        fontSize=13,
        clip=True,
    )
    return _encode(mark, x=_minutes(), y=_level("value"))


def _history() -> Layers:
    """One quantity: expected bands and ticks, observed points, repairs as marks."""
    return alt.layer(
        _repair_rules(), _bands(), _expected(), _observed_line(), _observed(), _repair_glyphs()
    ).properties(height=150)


def _instant() -> alt.X:
    return alt.X(
        "at:T",
        title=None,
        scale=alt.Scale(type="utc", padding=16),
        axis=alt.Axis(grid=False, tickCount=5, format="%Y-%m-%d", labelOverlap=True),
    )


def _bands() -> alt.Chart:
    mark = alt.Chart(alt.NamedData("points")).mark_rule(
        aria=False, color="var(--band)", strokeWidth=14
    )
    return _encode(mark, x=_instant(), y=_value("low"), y2="high:Q")


def _expected() -> alt.Chart:
    mark = alt.Chart(alt.NamedData("points")).mark_tick(
        aria=False, color="var(--saturation)", thickness=1.5, size=14, orient="horizontal"
    )
    return _encode(mark, x=_instant(), y=_value("expected"))


def _observed_line() -> alt.Chart:
    mark = alt.Chart(alt.NamedData("points")).mark_line(
        aria=False, color="var(--curve-a)", strokeWidth=1, opacity=0.6
    )
    return _encode(mark, x=_instant(), y=_value("observed"))


def _observed() -> alt.Chart:
    outside = alt.datum.outside
    mark = alt.Chart(alt.NamedData("points")).mark_point(
        aria=False, filled=True, opacity=1, stroke="var(--paper)", strokeWidth=1
    )
    return _encode(
        mark,
        x=_instant(),
        y=_value("observed"),
        shape=alt.condition(outside, alt.value("diamond"), alt.value("circle")),
        size=alt.condition(outside, alt.value(130), alt.value(60)),
        color=alt.condition(outside, alt.value("var(--service)"), alt.value("var(--curve-a)")),
    )


def _repair_rules() -> alt.Chart:
    mark = alt.Chart(alt.NamedData("repairs")).mark_rule(
        aria=False, color="var(--event)", strokeWidth=1, strokeDash=[4, 3]
    )
    return _encode(mark, x=_instant(), y=_TOP, y2=_FOOT)


def _repair_glyphs() -> alt.Chart:
    mark = alt.Chart(alt.NamedData("repairs")).mark_text(
        aria=False, text="R", color="var(--event)", fontSize=11, fontWeight="bold",
        baseline="bottom",
    )  # fmt: skip
    return _encode(mark, x=_instant(), y=alt.value(-2))
