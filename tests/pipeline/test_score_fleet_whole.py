"""The command over a tiny fleet: scored whole, told as text, as JSON and as a page."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from pipeline.cli import app


@pytest.mark.slow
def test_a_small_fleet_is_scored_whole(tmp_path):
    record, page = tmp_path / "score.json", tmp_path / "pages" / "score.html"
    asked = ["score", "--fleet", "--vehicles", "24", "--tests", "60", "--seed", "3"]
    done = CliRunner().invoke(app, [*asked, "--json", str(record), "--page", str(page)])
    assert done.exit_code == 0, done.output
    score = json.loads(record.read_text("utf-8"))
    assert score["n_tests"] == sum(score["standings"].values()) == 60
    assert sum(sum(counts) for counts in score["states"].values()) <= 24
    assert score["months"]
    assert sum(model["n_vehicles"] for model in score["held_out"]["models"]) <= 24
    assert next(rival["name"] for rival in score["rivals"]) == "chillroster"
    assert len(score["dropouts"]) in (0, 15)
    html = page.read_text("utf-8")
    assert html.count("<svg") > 1
    assert "<script" not in html
    for measure in score["measures"]:
        assert measure["words"] in done.output
