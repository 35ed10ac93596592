"""Windows joined to stretches, and spans in words."""

from __future__ import annotations

from reports.stretches import read_stretches, spans_text

DASH = "\N{EN DASH}"


def window(number, start_s, end_s, *, kind="steady", regime="saturated", cycle=None):
    return {
        "window_number": number, "start_s": start_s, "end_s": end_s, "kind_code": kind,
        "regime": regime, "cycle_code": cycle,
    }  # fmt: skip


def test_windows_that_touch_are_one_stretch():
    rows = [window(1, 630.0, 690.0), window(2, 690.0, 750.0), window(3, 751.0, 810.0)]
    (stretch,) = read_stretches(rows)
    assert (stretch.start_s, stretch.end_s) == (630.0, 810.0)
    assert (stretch.span, stretch.kind, stretch.regime) == (
        f"10:30{DASH}13:30", "steady", "at full output",
    )  # fmt: skip


def test_a_gap_another_kind_or_another_regime_begins_a_new_stretch():
    rows = [
        window(1, 0.0, 60.0),
        window(2, 65.0, 120.0),
        window(3, 120.0, 180.0, regime="regulating"),
        window(4, 180.0, 240.0, kind="periodic", regime="cycling"),
    ]
    told = [(stretch.start_s, stretch.end_s, stretch.kind) for stretch in read_stretches(rows)]
    assert told == [
        (0.0, 60.0, "steady"), (65.0, 120.0, "steady"), (120.0, 180.0, "steady"),
        (180.0, 240.0, "in regular cycles"),
    ]  # fmt: skip


def test_row_order_does_not_matter():
    rows = [window(1, 0.0, 60.0), window(2, 60.0, 120.0), window(3, 300.0, 360.0)]
    assert read_stretches(rows[::-1]) == read_stretches(rows)


def test_many_spans_are_cut_short():
    rows = [window(number, 100.0 * number, 100.0 * number + 60.0) for number in range(6)]
    assert spans_text(read_stretches(rows)) == (
        f"0:00{DASH}1:00, 1:40{DASH}2:40, 3:20{DASH}4:20 and 3 more"
    )
    assert "more" not in spans_text(read_stretches(rows[:4]))
    assert spans_text(()) == ""


def test_what_cycles_is_told_and_kept_apart():
    rows = [
        window(1, 0.0, 60.0, kind="periodic", regime="running", cycle="fan"),
        window(2, 60.0, 120.0, kind="periodic", regime="running", cycle="swing"),
        window(3, 120.0, 180.0, kind="periodic", regime="running", cycle="compressor"),
    ]
    assert [(one.kind, one.cycle_code) for one in read_stretches(rows)] == [
        ("in regular cycles of the condenser fan", "fan"),
        ("in regular swings without switching", "swing"),
        ("in regular cycles of the compressor", "compressor"),
    ]
