"""The range of a curve panel's axis, and what of the curves runs off it.

Takes `Curves` (display units) and a panel, gives a frozen `Axis`. Some panels take their
range from the running part of the test: the standing pressure before the start would
leave a fifth of the height to what matters. What then runs off the scale is said in
words. Does not belong here: drawing (`charts`), the curves themselves (`curves`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.display import clock_text, display_unit, number_text, with_unit

if TYPE_CHECKING:
    from collections.abc import Iterable

    from reports.curves import Curves
    from reports.panels import Panel
    from reports.settings import ReportSettings

# Standing sides are equal; a running compressor holds high over low at twice and more
# (common practice, no source). Between them lies the first second of running.
STANDING_RATIO = 1.3
SETTLING_S = 30.0  # the low side falls to its running level within half a minute of the start
# The start is left off the scale only where that wins at least so much height.
LEAST_GAIN = 1.25


@dataclass(frozen=True)
class Axis:
    """Lowest and highest value of an axis in the display unit; `note` tells what is off it."""

    lowest: float
    highest: float
    note: str


def axis_of(panel: Panel, curves: Curves, settings: ReportSettings) -> Axis:
    """The range of a panel: its curves', no narrower than the panel's least span."""
    unit = display_unit(panel.quantity, settings)
    span = panel.least_span * unit.scale
    whole = _widened(_extremes(panel, curves, since_s=0.0), span)
    since_s = _running_since_s(curves) if panel.is_scaled_to_running else None
    if since_s is None:
        return Axis(*whole, note="")
    running = _widened(_extremes(panel, curves, since_s=since_s), span)
    if whole[1] - whole[0] < LEAST_GAIN * (running[1] - running[0]):
        return Axis(*whole, note="")
    return Axis(*running, note=_note(panel, curves, running, settings))


def _running_since_s(curves: Curves) -> float | None:
    """The instant from which a test that began standing runs settled; null if there is none."""
    low, high = (curves.values.get(name, ()) for name in ("low_side_kpa", "high_side_kpa"))
    started_s = None
    for second, low_side, high_side in zip(curves.seconds, low, high, strict=False):
        if low_side is not None and high_side is not None:
            started_s = second
            if high_side > STANDING_RATIO * low_side:
                break
    if started_s is None or started_s in (curves.seconds[0], curves.seconds[-1]):
        return None
    since_s = started_s + SETTLING_S
    return since_s if since_s < curves.seconds[-1] else None


def _extremes(panel: Panel, curves: Curves, *, since_s: float) -> tuple[float, float]:
    """Least and greatest value of the panel's curves; of marks where nothing is trusted."""
    seen: list[float] = []
    for line in panel.series:
        if line.name in curves.values:
            seen += _known_since(
                zip(curves.seconds, curves.values[line.name], strict=True), since_s
            )
        else:
            seen += [value for _, value in curves.distrusted.get(line.name, ())]
    return (min(seen), max(seen)) if seen else (0.0, 0.0)


def _known_since(points: Iterable[tuple[float, float | None]], since_s: float) -> list[float]:
    return [value for second, value in points if value is not None and second >= since_s]


def _widened(extremes: tuple[float, float], span: float) -> tuple[float, float]:
    low, high = extremes
    lack = max(0.0, span - (high - low)) / 2
    return (round(low - lack, 6), round(high + lack, 6))


def _note(
    panel: Panel, curves: Curves, drawn: tuple[float, float], settings: ReportSettings
) -> str:
    """Until when and how far the start runs off the scale."""
    unit = display_unit(panel.quantity, settings)
    outside = [
        (second, value)
        for line in panel.series
        for second, value in zip(curves.seconds, curves.values.get(line.name, ()), strict=False)
        if value is not None and not drawn[0] <= value <= drawn[1]
    ]
    values = [value for _, value in outside]
    ends = [f"up to {number_text(max(values), unit.decimals)}"] if max(values) > drawn[1] else []
    ends += [f"down to {number_text(min(values), unit.decimals)}"] if min(values) < drawn[0] else []
    until = clock_text(max(second for second, _ in outside))
    return (
        f"The start runs off this scale until {until}: {with_unit(' and '.join(ends), unit.label)}."
    )
