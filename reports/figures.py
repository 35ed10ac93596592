"""Figures of a vehicle page: each panel with its key, its description and its data table.

Takes `Curves`, the summary of the latest test and the history, gives frozen records for
the template. Does not belong here: what the page's script draws from (`drawing`), the chart
grammar (`charts`), choice of panels (`panels`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.axes import Axis, axis_of
from reports.display import clock_text, display_unit, number_text, unit_kind, with_unit
from reports.panels import Panel, panels_for
from reports.wording import quantity_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.curves import Curves
    from reports.history import HistoryPanel
    from reports.settings import ReportSettings
    from reports.vehicle import SetAside, VehicleSummary

_MOST_SPANS = 3
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

    `axis` is the range of a curve panel; a history takes the range of its points. `kind` is
    the choice of units that the axis follows, `kinds` that of each column of the table.
    `set_aside` tells which readings are hatched, when, and by which rule.
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
    kind: str = ""
    kinds: tuple[str, ...] = ()
    set_aside: tuple[str, ...] = ()


def curve_figures(
    curves: Curves, set_aside: Sequence[SetAside], settings: ReportSettings
) -> tuple[Figure, ...]:
    """The figures that a test can fill, in the order of the page."""
    return tuple(_curve_figure(panel, curves, set_aside, settings) for panel in panels_of(curves))


def panels_of(curves: Curves) -> tuple[Panel, ...]:
    """Panels with something to show: trusted readings or readings set aside."""
    return panels_for(set(curves.values) | set(curves.distrusted))


def _curve_figure(
    panel: Panel, curves: Curves, set_aside: Sequence[SetAside], settings: ReportSettings
) -> Figure:
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
        kind=unit_kind(panel.quantity),
        kinds=tuple(unit_kind(name) for name in names),
        set_aside=tuple(
            _hatched(name, curves, set_aside) for name in names if name in curves.hatched
        ),
    )


def _hatched(name: str, curves: Curves, set_aside: Sequence[SetAside]) -> str:
    """Which readings are hatched, when, and by which rule."""
    spans = [
        f"{clock_text(start_s)}\N{EN DASH}{clock_text(end_s)}"
        for start_s, end_s in curves.hatched[name]
    ]
    more = f" and {len(spans) - _MOST_SPANS} more" if len(spans) > _MOST_SPANS else ""
    rules = " ".join(one.sentence for one in set_aside if one.channel_name == name)
    told = f": {rules}" if rules else ""
    return f"{quantity_words(name)} {', '.join(spans[:_MOST_SPANS])}{more}{told}"


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
        kind=panel.kind,
        kinds=(panel.kind,) * 4,
    )
