"""What the page's script draws from: one dictionary of plain JSON values.

Takes the summary of a vehicle, its `Curves` and figures. Numbers are in the units of the
settings; the script turns them into the units that a reader chooses, by the table `units`.
Does not belong here: the chart grammar (`charts`), titles and tables (`figures`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reports.display import display_unit, unit_choices
from reports.figures import TABLE_ROWS, evenly, panels_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.curves import Curves
    from reports.figures import Figure
    from reports.history import HistoryPanel, RepairMark
    from reports.panels import Panel
    from reports.settings import ReportSettings
    from reports.vehicle import Event, LatestTest, VehicleSummary


def drawing_data(
    summary: VehicleSummary,
    curves: Curves | None,
    figures: Sequence[Figure],
    settings: ReportSettings,
) -> dict[str, Any]:
    """All that the page's script draws; `figures` are of the curves."""
    test = summary.latest
    drawn = None
    if curves is not None and test is not None:
        drawn = _drawn(curves, test, figures, settings)
    return {
        "vehicle": summary.file_stem,
        "units": _units(settings),
        "curves": drawn,
        "history": [
            _drawn_history(f"history-{number}", panel, summary.repairs)
            for number, panel in enumerate(summary.history, start=1)
        ],
    }


def _units(settings: ReportSettings) -> dict[str, Any]:
    """By kind: the unit that the numbers stand in, and how each choice is printed."""
    temperature = settings.temperature_unit
    written = {
        "pressure": settings.pressure_unit,
        "temperature": temperature,
        "difference": temperature,
    }
    return {
        kind: {
            "written": written[kind],
            "choices": {
                name: {
                    "scale": unit.scale,
                    "offset": unit.offset,
                    "decimals": unit.decimals,
                    "label": unit.label,
                    "difference": unit.difference_label,
                }
                for name, unit in choices.items()
            },
        }
        for kind, choices in unit_choices().items()
    }


def _drawn(
    curves: Curves, test: LatestTest, figures: Sequence[Figure], settings: ReportSettings
) -> dict[str, Any]:
    return {
        "seconds": _short(curves.seconds),
        "values": {name: _short(values) for name, values in curves.values.items()},
        "distrusted": curves.distrusted,
        "hatched": curves.hatched,
        "rules": _rules(test),
        "stretches": [(stretch.start_s, stretch.end_s) for stretch in test.stretches],
        "regimes": [(span.start_s, span.end_s, span.words, span.sentence) for span in test.regimes],
        "events": [
            (event.time_s, event.kind_code, event.glyph, event_told(event)) for event in test.events
        ],
        "panels": [
            _drawn_panel(panel, curves, figure, settings)
            for panel, figure in zip(panels_of(curves), figures, strict=True)
        ],
    }


def _rules(test: LatestTest) -> dict[str, str]:
    """By channel why readings of it are not trusted."""
    told: dict[str, str] = {}
    for one in test.set_aside:
        told[one.channel_name] = f"{told.get(one.channel_name, '')} {one.sentence}".strip()
    return told


def event_told(event: Event) -> str:
    """An event in one line: what happened, what both sides did, how it is known."""
    effect = f": {event.effect}" if event.effect else ""
    return f"{event.words}{effect} ({event.source})"


def _drawn_panel(
    panel: Panel, curves: Curves, figure: Figure, settings: ReportSettings
) -> dict[str, Any]:
    unit = display_unit(panel.quantity, settings)
    return {
        "key": panel.key,
        "kind": figure.kind,
        "height": panel.height_px,
        "rows": evenly(len(curves.seconds), TABLE_ROWS),
        "lowest": None if figure.axis is None else figure.axis.lowest,
        "highest": None if figure.axis is None else figure.axis.highest,
        "decimals": unit.decimals,
        "unit": unit.label,
        "description": figure.description,
        "series": [(line.name, line.style) for line in panel.series],
        "bands": [(band.upper, band.lower) for band in panel.bands],
    }


def _drawn_history(key: str, panel: HistoryPanel, repairs: Sequence[RepairMark]) -> dict[str, Any]:
    return {
        "key": key,
        "kind": panel.kind,
        "decimals": panel.decimals,
        "description": f"{panel.quantity}, {panel.regime}, over the tests of this vehicle",
        "points": [
            {
                "at": point.tested_at,
                "observed": point.observed,
                "expected": point.expected,
                "low": point.band_low,
                "high": point.band_high,
                "outside": point.is_finding,
            }
            for point in panel.points
        ],
        "repairs": [{"at": repair.performed_on, "words": repair.words} for repair in repairs],
    }


def _short(values: Sequence[float | None]) -> list[float | int | None]:
    """Whole numbers without a trailing ".0": a tenth of the page's bytes."""
    return [value if value is None or value % 1 else int(value) for value in values]
