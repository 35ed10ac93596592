"""Writes the site: pages, JSON twins, style sheet and scripts into one folder.

Takes a `SiteContent` and a folder, gives a `SiteResult`. Only files whose bytes change
are written; pages of vehicles that are gone are removed, and nothing that this module
did not write is touched. Does not belong here: what the pages say.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING

import polars as pl
import vl_convert

from reports.charts import template_script
from reports.curves import Curves, read_curves
from reports.fleet import summarise_fleet
from reports.ledger import open_ledger
from reports.pages import fleet_page, foot_of, json_twin, vehicle_page
from reports.vehicle import VehicleSummary, summarise_vehicle

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from reports.content import SiteContent

ASSETS = ("site.css", "fleet.js", "vehicle.js")
VEHICLES_AT_A_TIME = 50  # samples of so many tests are held in memory together
_MANIFEST = "manifest.json"
_VEHICLE_FILE = re.compile(r"vehicles/[a-z0-9_-]+\.(html|json)")


@dataclass(frozen=True)
class SiteResult:
    """What was done to the folder."""

    n_pages_written: int
    n_pages_unchanged: int
    n_files_removed: int
    index_path: Path


def write_site(
    content: SiteContent, folder: Path, *, advance: Callable[[int], None] | None = None
) -> SiteResult:
    """The folder brought up to date with the content.

    Parameters
    ----------
    content
        What the site shows.
    folder
        Made if it does not exist. Files in it that are not the site's stay as they are.
    advance
        Called with the number of vehicle pages done since the last call.

    Returns
    -------
    SiteResult
        Counts of HTML pages written and found unchanged, and of files removed.
    """
    earlier = _read_manifest(folder)
    names: list[str] = []
    changed = 0
    for name, text in _files(content, advance):
        has_changed = _write_if_changed(folder / name, text.encode("utf-8", "replace"))
        changed += has_changed and name.endswith(".html")
        names.append(name)
    removed = _remove(folder, earlier - set(names))
    _write_if_changed(folder / _MANIFEST, (json.dumps(sorted(names), indent=0) + "\n").encode())
    n_pages = sum(name.endswith(".html") for name in names)
    return SiteResult(changed, n_pages - changed, removed, folder / "index.html")


def _files(
    content: SiteContent, advance: Callable[[int], None] | None
) -> Iterator[tuple[str, str]]:
    """Every file of the site with its text, the index last: its links then lead somewhere."""
    yield from _assets()
    yield from _vehicle_files(content, advance)
    summary = summarise_fleet(content)
    yield "index.json", json_twin(summary)
    yield "index.html", fleet_page(summary, foot_of(content.settings, content.code_version))


def _assets() -> Iterator[tuple[str, str]]:
    folder = resources.files("reports") / "assets"
    for name in ASSETS:
        yield f"assets/{name}", (folder / name).read_text(encoding="utf-8")
    yield "assets/chart-templates.js", template_script()
    yield "assets/charting.js", _charting_bundle()


@cache
def _charting_bundle() -> str:
    """Vega, Vega-Lite and the embedding script with its expression interpreter, in one."""
    return vl_convert.javascript_bundle("window.vegaEmbed=vegaEmbed;")


def _vehicle_files(
    content: SiteContent, advance: Callable[[int], None] | None
) -> Iterator[tuple[str, str]]:
    ledger = open_ledger(content)
    foot = foot_of(content.settings, content.code_version)
    vehicles = sorted(ledger.states)
    for start in range(0, len(vehicles), VEHICLES_AT_A_TIME):
        part = [
            summarise_vehicle(vehicle_id, ledger, content.settings)
            for vehicle_id in vehicles[start : start + VEHICLES_AT_A_TIME]
        ]
        curves = _curves_of(part, content)
        for summary in part:
            drawn = None if summary.latest is None else curves.get(summary.latest.test_id)
            stem = f"vehicles/{summary.file_stem}"
            yield f"{stem}.html", vehicle_page(summary, drawn, content.settings, foot)
            yield f"{stem}.json", json_twin(summary)
        if advance is not None:
            advance(len(part))


def _curves_of(summaries: Sequence[VehicleSummary], content: SiteContent) -> dict[str, Curves]:
    tests = [summary.latest.test_id for summary in summaries if summary.latest is not None]
    frames = [frame for frame in map(content.read_samples, tests) if not frame.is_empty()]
    if not frames:
        return {}
    samples = pl.concat(frames, how="diagonal")
    context = content.context.filter(pl.col("test_id").is_in(tests))
    return read_curves(samples, context, content.settings)


def _write_if_changed(path: Path, data: bytes) -> bool:
    """True when the file was written; readers see the old bytes or the new, never a part."""
    if path.is_file() and path.read_bytes() == data:
        return False
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_name(f".{path.name}.new")
    fresh.write_bytes(data)
    fresh.replace(path)
    return True


def _read_manifest(folder: Path) -> set[str]:
    """Vehicle files written by an earlier run; a damaged list removes nothing."""
    try:
        listed = json.loads((folder / _MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return set()
    if not isinstance(listed, list):
        return set()
    return {name for name in listed if isinstance(name, str) and _VEHICLE_FILE.fullmatch(name)}


def _remove(folder: Path, names: set[str]) -> int:
    present = [folder / name for name in sorted(names) if (folder / name).is_file()]
    for path in present:
        path.unlink()
    return len(present)
