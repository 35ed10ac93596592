"""Curves: screened, thinned without losing a peak, in display units."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from site_content import make_content, make_samples

from reports.curves import read_curves, thin
from reports.figures import curve_figures, evenly
from reports.settings import ReportSettings

SETTINGS = ReportSettings()


def curves_of(samples, config=SETTINGS):
    content = make_content(1)
    context = content.context.with_columns(test_id=pl.lit(samples["test_id"][0])).head(1)
    return read_curves(samples, context, config)[samples["test_id"][0]]


def test_saturation_lines_against_the_printed_table():
    # printed R-134a saturation table (ASHRAE reference state): 0 degC at 292.8 kPa,
    # 60 degC at 1681.8 kPa
    samples = make_samples("t", rows=3).with_columns(
        low_side_kpa=pl.lit(292.8), high_side_kpa=pl.lit(1681.8)
    )
    curves = curves_of(samples)
    assert curves.values["evaporating_dew_c"] == pytest.approx([0.0] * 3, abs=0.1)
    assert curves.values["condensing_bubble_c"] == pytest.approx([60.0] * 3, abs=0.1)


def test_a_short_test_is_drawn_as_logged():
    curves = curves_of(make_samples("t", rows=900))
    assert len(curves.seconds) == 900
    assert curves.values["low_side_kpa"][0] == 3.2  # 320 kPa in bar


@given(
    values=st.lists(st.one_of(st.none(), st.floats(-50, 2500)), min_size=1, max_size=700),
    most=st.integers(100, 200),
)
@settings(max_examples=60, deadline=None)
def test_thinning_keeps_every_extreme_and_the_limit(values, most):
    frame = pl.DataFrame(
        {
            "test_id": ["t"] * len(values),
            "time_s": [float(i) for i in range(len(values))],
            "x": pl.Series(values, dtype=pl.Float64),
        }
    )
    thinned = thin(frame, most)
    assert thinned.height <= most
    known = frame["x"].drop_nulls()
    if known.len():
        assert thinned["x"].min() == known.min()
        assert thinned["x"].max() == known.max()
    assert thinned["time_s"].is_sorted()


def test_a_single_spike_in_two_hours_survives():
    samples = make_samples("t", rows=7200).select("test_id", "time_s", "high_side_kpa")
    spiked = samples.with_columns(
        high_side_kpa=pl.when(time_s=pl.lit(4321.0)).then(2600.0).otherwise("high_side_kpa")
    )
    thinned = thin(spiked, 1000)
    assert thinned.height <= 1000
    at = thinned.filter(pl.col("high_side_kpa") == 2600.0)["time_s"].to_list()
    assert at == pytest.approx([4321.0], abs=15.0)  # a stretch is 7200 / 500 = 14.4 s long


def test_several_tests_are_thinned_apart():
    both = pl.concat([make_samples("b", rows=5000), make_samples("a", rows=10)])
    sizes = dict(thin(both, 1000).group_by("test_id").len().iter_rows())
    assert sizes["a"] == 10
    assert 900 <= sizes["b"] <= 1000


def test_distrusted_readings_leave_the_curve_and_are_marked():
    curves = curves_of(make_samples("t", stuck_at=600))
    drawn = [value for value in curves.values["condenser_outlet_c"] if value is not None]
    assert max(drawn) < 60.0
    marks = curves.distrusted["condenser_outlet_c"]
    assert marks[0] == (600.0, 400.0)
    assert all(value == 400.0 for _, value in marks)
    assert len(marks) <= 40


def test_a_trusted_test_has_no_marks():
    assert curves_of(make_samples("t")).distrusted == {}


def test_a_channel_that_is_null_throughout_is_not_drawn():
    curves = curves_of(make_samples("t", silent=("low_side_kpa",)))
    assert "low_side_kpa" not in curves.values
    keys = [figure.key for figure in curve_figures(curves, (), SETTINGS)]
    assert "low-side" not in keys
    assert "high-side" in keys


def test_without_clamps_no_panel_repeats_the_pressure():
    pipes = (
        "evaporator_outlet_c", "compressor_suction_c", "condenser_outlet_c", "expansion_inlet_c",
        "compressor_discharge_c",
    )  # fmt: skip
    curves = curves_of(make_samples("t", silent=pipes))
    keys = [figure.key for figure in curve_figures(curves, (), SETTINGS)]
    assert keys == ["high-side", "low-side", "air", "speeds", "commands"]


def test_the_shaded_distance_names_its_station():
    (suction,) = [
        figure
        for figure in curve_figures(curves_of(make_samples("t")), (), SETTINGS)
        if figure.key == "suction"
    ]
    assert [key.words for key in suction.keys if key.style == "band"] == [
        "superheat at evaporator outlet"
    ]


def test_descriptions_tell_the_range():
    high = curve_figures(curves_of(make_samples("t")), (), SETTINGS)[0]
    # fan at 40: 1500 kPa, at 80: 1500 - 4 * 40 = 1340 kPa, each with a 6 kPa swing
    assert high.description == (
        "High-side pressure (absolute) over 14:59 minutes: "
        "high-side pressure from 13.34 to 15.06\N{NO-BREAK SPACE}bar."
    )


def test_table_rows_run_from_first_to_last():
    assert evenly(5, 21) == [0, 1, 2, 3, 4]
    rows = evenly(900, 21)
    assert (rows[0], rows[-1], len(rows)) == (0, 899, 21)


def test_no_samples_no_curves():
    content = make_content(1)
    assert read_curves(make_samples("t", rows=0), content.context, SETTINGS) == {}
