"""Axis ranges: from the running part where the standing start would squeeze it, said in words."""

from __future__ import annotations

from reports.axes import axis_of
from reports.curves import Curves
from reports.panels import PANELS
from reports.settings import ReportSettings

SETTINGS = ReportSettings()
NBSP = "\N{NO-BREAK SPACE}"
PANEL = {panel.key: panel for panel in PANELS}


def curves_of(low, high, **others):
    """Curves at 1 Hz, pressures in bar."""
    values = {"low_side_kpa": tuple(low), "high_side_kpa": tuple(high)} | others
    return Curves(
        seconds=tuple(float(second) for second in range(len(low))),
        values=values,
        distrusted={},
        n_samples=len(low),
    )


STANDING = 40
LOW = [7.0] * STANDING + [4.0, 3.0] + [2.0 + 0.01 * (second % 200) for second in range(558)]
HIGH = [7.0] * STANDING + [9.5] * 560


def test_the_low_side_takes_its_range_from_the_running_part():
    axis = axis_of(PANEL["low-side"], curves_of(LOW, HIGH), SETTINGS)
    # running from 40 s, settled from 70 s: 2.00 to 3.99 bar, wider than the least 1.5 bar
    assert (axis.lowest, axis.highest) == (2.0, 3.99)
    # 7.0 until 39 s and 4.0 at 40 s lie above 3.99
    assert axis.note == f"The start runs off this scale until 0:40: up to 7.00{NBSP}bar."


def test_the_high_side_shows_its_start():
    axis = axis_of(PANEL["high-side"], curves_of(LOW, HIGH), SETTINGS)
    # 7.0 to 9.5 bar is less than the least span of 4 bar: 8.25 -+ 2
    assert (axis.lowest, axis.highest, axis.note) == (6.25, 10.25, "")


def test_a_log_that_begins_running_is_shown_whole():
    axis = axis_of(PANEL["low-side"], curves_of(LOW[42:], HIGH[42:]), SETTINGS)
    assert (axis.lowest, axis.note) == (2.0, "")


def test_a_log_that_never_runs_is_shown_whole():
    axis = axis_of(PANEL["low-side"], curves_of([7.0] * 100, [7.1] * 100), SETTINGS)
    assert (axis.lowest, axis.highest, axis.note) == (6.25, 7.75, "")


def test_a_start_that_wins_no_height_is_shown():
    low = [3.2] * STANDING + LOW[STANDING:]
    high = [3.2] * STANDING + HIGH[STANDING:]
    axis = axis_of(PANEL["low-side"], curves_of(low, high), SETTINGS)
    assert (axis.lowest, axis.highest, axis.note) == (2.0, 4.0, "")


def test_without_pressures_nothing_is_left_off():
    lines = {"evaporator_outlet_c": tuple([30.0] * 50 + [8.0] * 150)}
    curves = Curves(tuple(float(s) for s in range(200)), lines, {}, 200)
    axis = axis_of(PANEL["suction"], curves, SETTINGS)
    assert (axis.lowest, axis.highest, axis.note) == (8.0, 30.0, "")


def test_nulls_are_no_values():
    low = [None, *LOW[1:]]
    axis = axis_of(PANEL["low-side"], curves_of(low, HIGH), SETTINGS)
    assert axis.lowest == 2.0


def test_where_nothing_is_trusted_the_marks_give_the_range():
    curves = Curves((0.0, 1.0), {}, {"low_side_kpa": ((0.0, 90.0), (1.0, 110.0))}, 2)
    axis = axis_of(PANEL["low-side"], curves, SETTINGS)
    assert (axis.lowest, axis.highest) == (90.0, 110.0)
