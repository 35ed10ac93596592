"""From summaries to HTML and JSON text: the templates, the escaping, the JSON twins.

Takes frozen summaries and figures, gives text. Templates are strict (an unknown name is
an error), escape everything and compute nothing. Does not belong here: writing files
(`site`), wording (`wording`).
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from reports.cautions import CAUTIONS, INDICATION
from reports.charts import STYLES
from reports.display import unit_choices
from reports.drawing import drawing_data
from reports.figures import curve_figures, history_figures
from reports.wording import EVENT_WORDS, STATES

if TYPE_CHECKING:
    from reports.curves import Curves
    from reports.figures import Figure
    from reports.fleet import FleetSummary
    from reports.settings import ReportSettings
    from reports.vehicle import LatestTest, VehicleSummary

# Scripts and styles only from files beside the page; nothing is fetched, framed or sent.
CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "base-uri 'none'; form-action 'none'"
)


@dataclass(frozen=True)
class Foot:
    """What stands at the foot of every page and in its head."""

    title: str
    code_version: str
    difference_note: str


_DIFFERENCE_NOTES = {
    "degC": "K after a number is a difference of temperatures: one K is as much as one °C.",
    "degF": "Differences of temperatures are in degrees Fahrenheit as well.",
}


def foot_of(settings: ReportSettings, code_version: str) -> Foot:
    """The foot under these settings."""
    return Foot(settings.title, code_version, _DIFFERENCE_NOTES[settings.temperature_unit])


def fleet_page(summary: FleetSummary, foot: Foot) -> str:
    """The index page."""
    return _template("index.html").render(summary=summary, foot=foot, root="")


def vehicle_page(
    summary: VehicleSummary, curves: Curves | None, settings: ReportSettings, foot: Foot
) -> str:
    """The page of one vehicle."""
    return render("vehicle.html", **vehicle_parts(summary, curves, settings, foot))


def vehicle_parts(
    summary: VehicleSummary, curves: Curves | None, settings: ReportSettings, foot: Foot
) -> dict[str, Any]:
    """What the template of a vehicle's page names."""
    test = summary.latest
    figures: tuple[Figure, ...] = ()
    if curves is not None and test is not None:
        figures = curve_figures(curves, test.set_aside, settings)
    return {
        "summary": summary,
        "curve_figures": figures,
        "history_figures": history_figures(summary),
        "drawing": script_json(drawing_data(summary, curves, figures, settings)),
        "event_keys": () if test is None else _event_keys(test),
        "unit_choices": unit_choices(),
        "last_second": curves.seconds[-1] if curves is not None and curves.seconds else 0,
        "has_set_aside": curves is not None and bool(curves.distrusted),
        "n_samples": 0 if curves is None else curves.n_samples,
        "is_thinned": curves is not None and curves.n_samples > len(curves.seconds),
        "foot": foot,
        "root": "../",
    }


def render(name: str, **parts: Any) -> str:
    """A template with its parts; a name that it lacks is an error."""
    return _template(name).render(**parts)


def _event_keys(test: LatestTest) -> tuple[tuple[str, str], ...]:
    """Glyph and words of the kinds of event that the charts mark."""
    kinds = {event.kind_code for event in test.events}
    return tuple(key for kind, key in EVENT_WORDS.items() if kind in kinds)


def json_twin(summary: FleetSummary | VehicleSummary) -> str:
    """The summary as JSON, for those who would rather compute than read."""
    return json.dumps(asdict(summary), ensure_ascii=False, allow_nan=False) + "\n"


def script_json(value: Any) -> Markup:
    """JSON that is safe inside a script element: no character can end or open a tag."""
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    for character in "<>&":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return Markup(text)  # noqa: S704 - every character with a meaning in HTML is escaped above


@cache
def _template(name: str) -> Template:
    return _environment().get_template(name)


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("reports"),
        undefined=StrictUndefined,
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.globals.update(
        content_policy=CONTENT_POLICY,
        cautions=CAUTIONS,
        indication=INDICATION,
        states=STATES,
        styles=STYLES,
    )
    return environment
