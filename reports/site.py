"""Writes the site: pages, JSON twins, style sheet and scripts into one folder.

Takes a `SiteContent` and a folder, gives a `SiteResult`. Pages whose inputs are those of
the last writing are not made again, and only files whose bytes change are written; pages
of vehicles that are gone are removed, and nothing that this module did not write is
touched. Does not belong here: what the pages say.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING

import polars as pl
import vl_convert

from reports.charts import template_script
from reports.curves import Curves, read_curves
from reports.display import file_stem
from reports.fleet import summarise_fleet
from reports.inputs import code_hash, vehicle_inputs_hash
from reports.ledger import Ledger, open_ledger
from reports.manifest import NAME, Entry, Manifest, content_hash, read_manifest
from reports.pages import fleet_page, foot_of, json_twin, vehicle_page
from reports.vehicle import VehicleSummary, summarise_vehicle

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from reports.content import SiteContent

# in the order in which a page loads them
VEHICLE_SCRIPTS = ("choice.js", "playback.js", "vehicle.js")
ASSETS = ("site.css", "fleet.js", *VEHICLE_SCRIPTS)
CHART_TEMPLATES = "chart-templates.js"
VEHICLES_AT_A_TIME = 50  # samples of so many tests are held in memory together
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
    earlier = read_manifest(folder)
    entries: dict[str, Entry] = {}
    n_pages = n_changed = 0
    for file in _files(content, earlier, advance):
        has_changed = file.text is not None and _write_if_changed(folder / file.name, file.data)
        stands = earlier.entries[file.name] if file.text is None else file.entry
        entries[file.name] = stands
        n_pages += file.name.endswith(".html")
        n_changed += has_changed and file.name.endswith(".html")
    removed = _remove(folder, _vehicle_files_of(earlier) - set(entries))
    _write_if_changed(folder / NAME, Manifest(folder, entries).to_json().encode())
    return SiteResult(n_changed, n_pages - n_changed, removed, folder / "index.html")


@dataclass(frozen=True)
class _File:
    """A file of the site; without a text it stays as it stands."""

    name: str
    text: str | None
    inputs_hash: str | None = None

    @property
    def data(self) -> bytes:
        return (self.text or "").encode("utf-8", "replace")

    @property
    def entry(self) -> Entry:
        return Entry(content_hash(self.data), self.inputs_hash)


def _files(
    content: SiteContent, earlier: Manifest, advance: Callable[[int], None] | None
) -> Iterator[_File]:
    """Every file of the site, the index last: its links then lead somewhere."""
    yield from _assets(earlier)
    yield from _vehicle_files(content, earlier, advance)
    summary = summarise_fleet(content)
    yield _File("index.json", json_twin(summary))
    foot = foot_of(content.settings, content.code_version)
    yield _File("index.html", fleet_page(summary, foot))


def _assets(earlier: Manifest) -> Iterator[_File]:
    for name in (*ASSETS, CHART_TEMPLATES):
        yield _File(f"assets/{name}", asset_text(name))
    bundle = "assets/charting.js"
    is_fresh = earlier.is_fresh(bundle, code_hash())
    yield _File(bundle, None if is_fresh else charting_bundle(), code_hash())


def asset_text(name: str) -> str:
    """A style sheet or script of the pages, by the name of its file."""
    if name == CHART_TEMPLATES:
        return template_script()
    return (resources.files("reports") / "assets" / name).read_text(encoding="utf-8")


@cache
def charting_bundle() -> str:
    """Vega, Vega-Lite and the embedding script with its expression interpreter, in one."""
    return vl_convert.javascript_bundle("window.vegaEmbed=vegaEmbed;")


def _vehicle_files(
    content: SiteContent, earlier: Manifest, advance: Callable[[int], None] | None
) -> Iterator[_File]:
    ledger = open_ledger(content)
    vehicles = sorted(ledger.states)
    for start in range(0, len(vehicles), VEHICLES_AT_A_TIME):
        part = vehicles[start : start + VEHICLES_AT_A_TIME]
        hashes = {one: vehicle_inputs_hash(one, ledger, content) for one in part}
        stale = []
        for vehicle_id in part:
            names = _names_of(vehicle_id)
            if all(earlier.is_fresh(name, hashes[vehicle_id]) for name in names):
                yield from (_File(name, None) for name in names)
            else:
                stale.append(vehicle_id)
        for vehicle_id, texts in _texts(stale, ledger, content):
            for name, text in zip(_names_of(vehicle_id), texts, strict=True):
                yield _File(name, text, hashes[vehicle_id])
        if advance is not None:
            advance(len(part))


def _names_of(vehicle_id: str) -> tuple[str, str]:
    stem = f"vehicles/{file_stem(vehicle_id)}"
    return (f"{stem}.html", f"{stem}.json")


def _texts(
    vehicles: Sequence[str], ledger: Ledger, content: SiteContent
) -> Iterator[tuple[str, tuple[str, str]]]:
    """Page and twin of the vehicles, their samples read together."""
    summaries = [summarise_vehicle(one, ledger, content.settings) for one in vehicles]
    curves = _curves_of(summaries, content)
    foot = foot_of(content.settings, content.code_version)
    for summary in summaries:
        drawn = None if summary.latest is None else curves.get(summary.latest.test_id)
        page = vehicle_page(summary, drawn, content.settings, foot)
        yield summary.vehicle_id, (page, json_twin(summary))


def _curves_of(summaries: Sequence[VehicleSummary], content: SiteContent) -> dict[str, Curves]:
    tests = [summary.latest.test_id for summary in summaries if summary.latest is not None]
    if not tests:
        return {}
    samples = content.read_samples(tests)
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


def _vehicle_files_of(earlier: Manifest) -> set[str]:
    """Vehicle files written by an earlier run; whatever else a manifest names stays."""
    return {name for name in earlier.entries if _VEHICLE_FILE.fullmatch(name)}


def _remove(folder: Path, names: set[str]) -> int:
    present = [folder / name for name in sorted(names) if (folder / name).is_file()]
    for path in present:
        path.unlink()
    return len(present)
