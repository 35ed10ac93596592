"""Figures of a vehicle page: each panel with its key, its description and its data table.

Takes `Curves`, the summary of the latest test and the history, gives frozen records for
the template and one plain dictionary that the page's script draws from. Does not belong
here: the chart grammar (`charts`), choice of panels (`panels`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from reports.axes import Axis, axis_of
from reports.display import clock_text, display_unit, number_text, with_unit
from reports.panels import Panel, panels_for
from reports.wording import quantity_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.curves import Curves
    from reports.history import HistoryPanel, RepairMark
    from reports.settings import ReportSettings
    from reports.vehicle import LatestTest, VehicleSummary

MOST_GLYPHS = 24  # more would lie on each other on a phone; a cycling car has a hundred
TABLE_ROWS = 21  # instants told in the table beside a chart, evenly over the test


@dataclass(frozen=True)
class Key:
    """One entry of a figure's key: a curve, or the shaded distance between two."""

    name: str
    style: str
    words: str


@dataclass(frozen=True)
class TableRow:
    """One row of a figure's data table."""

    head: str
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Figure:
    """One chart as the page holds it; `key` names it in links and in the script.

    `axis` is the range of a curve panel; a history takes the range of its points.
    """

    key: str
    title: str
    unit: str
    note: str
    description: str
    keys: tuple[Key, ...]
    head: tuple[str, ...]
    rows: tuple[TableRow, ...]
    axis: Axis | None = None


def curve_figures(curves: Curves, settings: ReportSettings) -> tuple[Figure, ...]:
    """The figures that a test can fill, in the order of the page."""
    return tuple(_curve_figure(panel, curves, settings) for panel in panels_of(curves))


def panels_of(curves: Curves) -> tuple[Panel, ...]:
    """Panels with something to show: trusted readings or readings set aside."""
    return panels_for(set(curves.values) | set(curves.distrusted))


def _curve_figure(panel: Panel, curves: Curves, settings: ReportSettings) -> Figure:
    unit = display_unit(panel.quantity, settings)
    names = [line.name for line in panel.series]
    keys = [Key(line.name, line.style, quantity_words(line.name)) for line in panel.series]
    keys += [Key("band", "band", band.words) for band in panel.bands]
    axis = axis_of(panel, curves, settings)
    return Figure(
        key=panel.key,
        title=panel.title,
        unit=unit.label,
        note=" ".join(note for note in (panel.note, axis.note) if note),
        description=_describe(panel, curves, settings),
        keys=tuple(keys),
        head=("time", *(quantity_words(name) for name in names)),
        rows=_curve_rows(names, curves, settings),
        axis=axis,
    )


def _describe(panel: Panel, curves: Curves, settings: ReportSettings) -> str:
    """What a reader who cannot see the chart should know of it."""
    unit = display_unit(panel.quantity, settings)
    parts = []
    for line in panel.series:
        known = [value for value in curves.values.get(line.name, ()) if value is not None]
        if not known:
            parts.append(f"{quantity_words(line.name)} not trusted throughout")
            continue
        low, high = (number_text(value, unit.decimals) for value in (min(known), max(known)))
        parts.append(f"{quantity_words(line.name)} from {low} to {with_unit(high, unit.label)}")
    span = clock_text(curves.seconds[-1]) if curves.seconds else "0:00"
    return f"{panel.title} over {span} minutes: {'; '.join(parts)}."


def _curve_rows(
    names: Sequence[str], curves: Curves, settings: ReportSettings
) -> tuple[TableRow, ...]:
    decimals = {name: display_unit(name, settings).decimals for name in names}
    nothing = (None,) * len(curves.seconds)
    columns = {name: curves.values.get(name, nothing) for name in names}
    return tuple(
        TableRow(
            clock_text(curves.seconds[row]),
            tuple(_cell(columns[name][row], decimals[name]) for name in names),
        )
        for row in evenly(len(curves.seconds), TABLE_ROWS)
    )


def evenly(count: int, most: int) -> list[int]:
    """At most `most` indices from first to last, evenly apart."""
    if count <= most:
        return list(range(count))
    return [round(step * (count - 1) / (most - 1)) for step in range(most)]


def _cell(value: float | None, decimals: int) -> str:
    return "" if value is None else number_text(value, decimals)


def history_figures(summary: VehicleSummary) -> tuple[Figure, ...]:
    """The figures of the history, one per quantity and regime."""
    return tuple(
        _history_figure(f"history-{number}", panel)
        for number, panel in enumerate(summary.history, start=1)
    )


def _history_figure(key: str, panel: HistoryPanel) -> Figure:
    rows = tuple(
        TableRow(
            point.tested_at.replace("T", " "),
            (
                _cell(point.observed, panel.decimals),
                _cell(point.expected, panel.decimals),
                _cell(point.band_low, panel.decimals),
                _cell(point.band_high, panel.decimals),
                "outside" if point.is_finding else "",
            ),
        )
        for point in panel.points
    )
    n_outside = sum(point.is_finding for point in panel.points)
    return Figure(
        key=key,
        title=f"{panel.quantity[:1].upper()}{panel.quantity[1:]}, {panel.regime}",
        unit=panel.unit,
        note="",
        description=(
            f"{panel.quantity}, {panel.regime}, over {len(panel.points)} tests: "
            f"{n_outside} outside the expected band."
        ),
        keys=(),
        head=("test", "observed", "expected", "band from", "band to", "finding"),
        rows=rows,
    )


def drawing_data(
    summary: VehicleSummary,
    curves: Curves | None,
    figures: Sequence[Figure],
    settings: ReportSettings,
) -> dict[str, Any]:
    """All that the page's script draws, as plain JSON values; `figures` are of the curves."""
    test = summary.latest
    drawn = None
    if curves is not None and test is not None:
        drawn = _drawn(curves, test, figures, settings)
    return {
        "curves": drawn,
        "history": [
            _drawn_history(f"history-{number}", panel, summary.repairs)
            for number, panel in enumerate(summary.history, start=1)
        ],
    }


def _drawn(
    curves: Curves, test: LatestTest, figures: Sequence[Figure], settings: ReportSettings
) -> dict[str, Any]:
    return {
        "seconds": _short(curves.seconds),
        "values": {name: _short(values) for name, values in curves.values.items()},
        "distrusted": curves.distrusted,
        "stretches": [(stretch.start_s, stretch.end_s) for stretch in test.stretches],
        "events": [(event.time_s, event.kind_code, event.glyph) for event in test.events],
        "hasGlyphs": has_glyphs(test),
        "panels": [
            _drawn_panel(panel, figure, settings)
            for panel, figure in zip(panels_of(curves), figures, strict=True)
        ],
    }


def has_glyphs(test: LatestTest) -> bool:
    """True when the events are few enough to stand above the first chart as glyphs."""
    return len(test.events) <= MOST_GLYPHS


def _drawn_panel(panel: Panel, figure: Figure, settings: ReportSettings) -> dict[str, Any]:
    unit = display_unit(panel.quantity, settings)
    return {
        "key": panel.key,
        "height": panel.height_px,
        "lowest": None if figure.axis is None else figure.axis.lowest,
        "highest": None if figure.axis is None else figure.axis.highest,
        "decimals": unit.decimals,
        "differenceUnit": unit.difference_label,
        "description": figure.description,
        "series": [(line.name, line.style) for line in panel.series],
        "bands": [(band.upper, band.lower) for band in panel.bands],
    }


def _drawn_history(key: str, panel: HistoryPanel, repairs: Sequence[RepairMark]) -> dict[str, Any]:
    return {
        "key": key,
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
