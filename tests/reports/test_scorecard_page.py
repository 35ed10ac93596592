"""The scorecard's page: what stands on it, and that it fits a phone in a real browser."""

from __future__ import annotations

import re

import polars as pl
import pytest

from pipeline.fleet_score_measures import measures
from pipeline.score_dropout import Dropout
from pipeline.score_fleet import Judged, score_fleet
from pipeline.score_rivals import RivalScore
from pipeline.scorecard_page import page_summary
from pipeline.shares import Share
from reports.pages import foot_of
from reports.scorecard import scorecard_page
from reports.settings import ReportSettings


@pytest.fixture(scope="module")
def score():
    """Twenty cars short by 10 to 200 g, flagged from 110 g on, and twenty sound ones."""
    from dataclasses import replace  # noqa: PLC0415 - only here

    short = [(f"f{n}", f"f{n}", "undercharge", 0.5, "affected", 0.2 * n, 10.0 * n)
             for n in range(1, 21)]  # fmt: skip
    sound = [(f"h{n}", f"h{n}", "none", 0.0, "healthy", None, None) for n in range(20)]
    truth = pl.DataFrame(
        short + sound, orient="row",
        schema=["test_id", "vehicle_id", "fault", "severity", "standing", "duct_warmer_k",
                "beyond_reserve_g"],
    )  # fmt: skip
    is_alarm = pl.col("beyond_reserve_g").fill_null(0.0) > 100.0
    said = truth.select(
        "test_id",
        verdict_code=pl.when(is_alarm).then(pl.lit("finding")).otherwise(pl.lit("in_band")),
    )
    states = truth.select(
        "vehicle_id", latest_test_id="test_id",
        state=pl.when(is_alarm).then(pl.lit("service")).otherwise(pl.lit("in band")),
    )  # fmt: skip
    strata = truth.select("test_id", architecture=pl.lit("<b>x</b>"), regime=pl.lit("saturated"))
    rivals = tuple(
        RivalScore(name, Share(n, 20), Share(n, 20), Share(n, 20), 0.9, ((0.0, 0.5), (1.0, 1.0)))
        for name, n in (("chillroster", 10), ("isolation forest", 4))
    )
    lost = tuple(
        Dropout("samples", share, Share(0, 10), Share(n, 10), Share(10 - n, 10))
        for share, n in ((0.0, 0), (0.8, 4))
    )
    plain = score_fleet(truth, Judged(said, states, strata))
    return replace(plain, rivals=rivals, dropouts=lost)


def page(score):
    return scorecard_page(page_summary(score), foot_of(ReportSettings(), "1"))


def test_every_figure_and_answer_stands_on_the_page(score):
    html = page(score)
    for measure in measures(score):
        assert measure.words.replace("<", "&lt;") in html
        assert measure.figure in html
    assert "10 of 10" in html
    assert "<b>x</b>" not in html
    assert len(re.findall('class="marks"', html)) == 3
    assert "<script" not in html


def test_the_curve_on_the_page_rises_through_the_points(score):
    [chart] = page_summary(score).detections
    assert [point.share for point in chart.points] == [0.0, 0.0, 1.0, 1.0]
    assert [point.size for point in chart.points] == [30.0, 80.0, 130.0, 180.0]
    shares = [share for _, share in chart.curve]
    assert shares == sorted(shares)


@pytest.mark.parametrize("width", [390, 1280])
def test_the_page_fits_the_window(score, browser, tmp_path, width):
    file = tmp_path / "score.html"
    file.write_text(page(score), encoding="utf-8")
    tab = browser.new_page(viewport={"width": width, "height": 900})
    told = []
    tab.on("console", lambda message: told.append(message.text))
    tab.goto(file.as_uri())
    assert tab.evaluate("document.documentElement.scrollWidth") <= width
    assert tab.locator("[data-test-drawn] svg.marks").first.bounding_box()["width"] > 200
    assert tab.evaluate(
        "getComputedStyle(document.querySelector('.marks line')).stroke"
    ).startswith("rgb")
    assert not told
    tab.close()
