"""The readable page of a bundle of evidence: one HTML page with nothing to load.

Takes the words and rows of a claim, gives HTML in which the style stands and no script runs.
Does not belong here: what belongs to a claim (`pipeline.bundle`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from reports.pages import render
from reports.single_page import style_only_policy
from reports.site import asset_text

if TYPE_CHECKING:
    from reports.pages import Foot


@dataclass(frozen=True)
class Part:
    """One section: sentences, then a table if there is one."""

    title: str
    sentences: tuple[str, ...] = ()
    head: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True)
class BundledFile:
    """A file beside the page: its name, its rows, what it holds."""

    name: str
    rows: int
    meaning: str


@dataclass(frozen=True)
class ClaimPage:
    """What the page says."""

    title: str
    lead: str
    parts: tuple[Part, ...]
    files: tuple[BundledFile, ...]


def claim_page(claim: ClaimPage, foot: Foot) -> str:
    """The page as HTML."""
    style = asset_text("site.css")
    return render(
        "claim.html",
        claim=claim,
        foot=foot,
        root="",
        content_policy=style_only_policy(style),
        style=Markup(style),  # noqa: S704 - a file of ours
    )
