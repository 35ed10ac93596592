"""The verdict on one test as one HTML page that needs no file beside it.

Takes the summary of the car with this test as its latest, the curves and what the test says
alone, gives HTML in which style and scripts stand. The policy of the page names each script
by its hash, so that nothing else runs. Does not belong here: summaries (`vehicle`), files.
"""

from __future__ import annotations

import hashlib
from base64 import b64encode
from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from reports.pages import render, vehicle_parts
from reports.site import asset_text, charting_bundle

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.curves import Curves
    from reports.pages import Foot
    from reports.settings import ReportSettings
    from reports.vehicle import VehicleSummary


@dataclass(frozen=True)
class Alone:
    """What one test says by itself, in words; `compared` with what, `not_stored` the caution."""

    verdict: str
    reason: str
    next_steps: tuple[str, ...]
    compared: str
    not_stored: str


def verdict_page(
    summary: VehicleSummary,
    curves: Curves | None,
    alone: Alone,
    settings: ReportSettings,
    foot: Foot,
) -> str:
    """The page of one test."""
    style = asset_text("site.css")
    scripts = [_inside_an_element(text) for text in (charting_bundle(), *_own_scripts())]
    parts = vehicle_parts(summary, curves, settings, foot)
    return render(
        "verdict.html",
        **parts
        | {
            "content_policy": _policy(style, scripts),
            "alone": alone,
            "style": Markup(style),  # noqa: S704 - a file of ours
            "page_scripts": [Markup(script) for script in scripts],  # noqa: S704 - files of ours
        },
    )


def _own_scripts() -> tuple[str, ...]:
    return (asset_text("chart-templates.js"), asset_text("vehicle.js"))


def _inside_an_element(script: str) -> str:
    """The script with nothing in it that an HTML parser takes for the end of its element."""
    return script.replace("</script", "<\\/script").replace("<!--", "<\\!--")


def _policy(style: str, scripts: Sequence[str]) -> str:
    allowed = " ".join(_hash(script) for script in scripts)
    return (
        f"default-src 'none'; script-src {allowed}; style-src {_hash(style)}; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )


def style_only_policy(style: str) -> str:
    """The policy of a page with this style, in which no script runs and nothing is loaded."""
    return (
        f"default-src 'none'; style-src {_hash(style)}; img-src data:; base-uri 'none'; "
        "form-action 'none'"
    )


def _hash(text: str) -> str:
    return f"'sha256-{b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
