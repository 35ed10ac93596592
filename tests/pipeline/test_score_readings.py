"""The score of readings: its arithmetic on frames made by hand, and one short real trial."""

from __future__ import annotations

import json

import polars as pl
import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.score_readings import (
    SUPERHEAT_AND_SUBCOOLING,
    WITHIN_S,
    ReadTruth,
    match_events,
    told_regimes,
)
from synthetic.reading_trials import ReadingOrder, write_reading_trials

EVENTS = {
    "number": pl.UInt32, "test_id": pl.String, "kind_code": pl.String, "time_s": pl.Float64,
}  # fmt: skip


def events(*rows):
    numbered = [(number, *row) for number, row in enumerate(rows)]
    return pl.DataFrame(numbered, schema=EVENTS, orient="row")


def test_an_event_is_matched_once_and_by_the_nearest():
    true = events(("a", "fan_up", 100.0), ("a", "fan_up", 112.0), ("b", "fan_up", 100.0))
    found = events(("a", "fan_up", 110.0), ("a", "fan_up", 113.0), ("b", "fan_down", 100.0))
    pairs = match_events(true, found).sort("number")
    # the nearest pair first: 113 belongs to 112; 110 is then free for 100
    assert (1, 1, 1.0) in pairs.rows()
    assert pairs["number"].n_unique() == pairs["number_found"].n_unique() == pairs.height
    assert set(pairs["number"]) == {0, 1}


def test_an_event_found_too_late_is_not_matched():
    true = events(("a", "fan_up", 100.0))
    assert match_events(true, events(("a", "fan_up", 100.0 + WITHIN_S))).height == 1
    assert match_events(true, events(("a", "fan_up", 100.1 + WITHIN_S))).is_empty()


def test_regimes_are_told_by_the_span_that_holds_the_second():
    seconds = pl.DataFrame(
        {
            "test_id": ["a"] * 4,
            "time_s": [0.0, 9.0, 10.0, 25.0],
            "regime": ["off", "off", "starting", "starting"],
        }
    )
    tests = pl.DataFrame({"test_id": ["a"], "model_id": ["m"], "has_commands": [True]})
    spans = pl.DataFrame(
        {
            "test_id": ["a", "a"],
            "start_s": [0.0, 10.0],
            "end_s": [10.0, 20.0],
            "regime": ["off", "pull_down"],
        }
    )
    told = told_regimes(ReadTruth(tests, seconds, pl.DataFrame()), spans)
    assert told["told"].to_list() == ["off", "off", "pull_down", None]


def test_the_truth_may_not_lie_in_the_workspace(tmp_path):
    with pytest.raises(ValueError, match="beside it"):
        write_reading_trials(tmp_path, tmp_path / "truth", ReadingOrder(tests=1))


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    folder = tmp_path_factory.mktemp("trial")
    record, table = folder / "score.json", folder / "events.csv"
    done = CliRunner().invoke(
        app,
        [
            "score", "--readings", "--tests", "12", "--seed", "3",
            "--json", str(record), "--truth", str(table), "--folder", str(folder),
        ],
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    return done.output, json.loads(record.read_text()), pl.read_csv(table)


def test_a_trial_is_scored_whole(trial):
    text, record, table = trial
    assert "truth in 95 % interval" in text
    assert [each["feature"] for each in record["intervals"]] == list(SUPERHEAT_AND_SUBCOOLING)
    assert sum(each["held"]["n_all"] for each in record["intervals"]) > 12
    assert {"true", "found"} == set(table["side"].unique())


def test_events_found_by_logged_commands_are_real(trial):
    _, record, _ = trial
    fan = next(
        each for each in record["events"] if each["kind_code"] == "fan_up" and each["has_commands"]
    )
    assert fan["precision"]["n_all"] > 0
    assert fan["precision"]["share"] == 1.0


def test_one_of_the_two_scores_must_be_chosen():
    for words in (["score"], ["score", "--trust", "--readings"]):
        done = CliRunner().invoke(app, words)
        assert done.exit_code == 2
        assert "--readings" in done.output
