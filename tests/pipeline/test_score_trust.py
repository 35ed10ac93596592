"""The score of trust rules: arithmetic on verdicts made by hand, and one short real trial."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import polars as pl
import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.score_text import score_record, score_text
from pipeline.score_trust import ANSWERS, CLEAN, DOOR, TrialSize, score_verdicts, with_verdicts
from pipeline.trust_verdicts import TrustVerdicts
from synthetic.mishaps import MISHAP

TRUTH = {
    "test_id": pl.String, "mishap": pl.String, "channels": pl.String, "moment_s": pl.Float64,
    "detail": pl.String, "left_out": pl.String, "exempt_because": pl.String,
}  # fmt: skip
SIZE = TrialSize(4, 4, 1)


def truth(*rows):
    whole = [
        {"channels": "", "moment_s": None, "detail": "", "left_out": "", "exempt_because": None}
        | row
        for row in rows
    ]
    return pl.DataFrame(whole, schema=TRUTH)


def verdicts(raised=(), refused=(), moments=(), relabelled=()):
    text = pl.String
    return TrustVerdicts(
        pl.DataFrame(
            [(*row, "so it is") for row in raised],
            schema={"test_id": text, "channel": text, "rule_code": text, "sentence": text},
            orient="row",
        ),
        pl.DataFrame(list(refused), schema={"test_id": text, "code": text}, orient="row"),
        pl.DataFrame(
            list(moments),
            schema={"test_id": text, "channel": text, "found_s": pl.Float64},
            orient="row",
        ),
        pl.DataFrame(list(relabelled), schema={"test_id": text, "to_channel": text}, orient="row"),
    )


def of(records, key, name):
    return next(each for each in records if getattr(each, key) == name)


def test_a_mishap_is_caught_by_its_rule_on_its_channel_only():
    stuck = [{"test_id": f"t{n}", "mishap": "stuck", "channels": "duct_left_c"} for n in range(4)]
    said = verdicts(
        [
            ("t0", "duct_left_c", "stuck"),
            # the right rule on another channel, another rule on the right channel
            ("t1", "duct_right_c", "stuck"),
            ("t2", "duct_left_c", "spike"),
        ]
    )
    score = of(score_verdicts(SIZE, truth(*stuck), said).mishaps, "mishap", "stuck")
    assert (score.caught.n_hits, score.caught.n_all) == (1, 4)
    assert (score.by_any.n_hits, score.by_any.n_all) == (2, 4)
    assert score.has_rule


def test_exempt_logs_count_neither_way_and_keep_their_reason():
    hit = {"mishap": "gap", "channels": "time_s"}
    rows = truth(
        {"test_id": "a", **hit}, {"test_id": "b", **hit, "exempt_because": "too short to see"}
    )
    said = verdicts([("a", "time_s", "gap"), ("b", "time_s", "gap")])
    score = of(score_verdicts(SIZE, rows, said).mishaps, "mishap", "gap")
    assert (score.caught.n_hits, score.caught.n_all, score.n_written) == (1, 1, 2)
    assert score.exempt == {"too short to see": 1}


def test_a_refused_log_is_told_by_the_door():
    rows = truth({"test_id": "a", "mishap": "clock_jump_back", "channels": "time_s"})
    score = score_verdicts(SIZE, rows, verdicts(refused=[("a", "time_goes_back")]))
    assert score.mishaps[0].caught.n_hits == 1
    assert with_verdicts(rows, verdicts(refused=[("a", "time_goes_back")]))["raised"].to_list() == [
        [DOOR]
    ]


def test_rules_are_counted_on_clean_logs_once_each_and_together():
    rows = truth(*({"test_id": f"c{n}", "mishap": CLEAN} for n in range(4)))
    said = verdicts(
        [
            ("c0", "duct_left_c", "stuck"),
            ("c0", "duct_right_c", "stuck"),
            ("c0", "duct_left_c", "spike"),
            ("c1", "time_s", "gap"),
        ]
    )
    score = score_verdicts(SIZE, rows, said)
    raised = {each.rule_code: each.raised.n_hits for each in score.rules if each.raised.n_hits}
    assert raised == {"stuck": 1, "spike": 1, "gap": 1}
    assert (score.any_rule.n_hits, score.any_rule.n_all) == (2, 4)
    assert score.mishaps == ()


def test_a_rule_that_is_not_there_shows_as_no_rule(monkeypatch):
    monkeypatch.setitem(ANSWERS, "gap", ("gap_by_clairvoyance",))
    rows = truth(
        {"test_id": "a", "mishap": "gap", "channels": "time_s"}, {"test_id": "c", "mishap": CLEAN}
    )
    score = score_verdicts(SIZE, rows, verdicts([("a", "time_s", "gap")]))
    assert not score.mishaps[0].has_rule
    line = next(line for line in score_text(score).splitlines() if line.startswith("gap "))
    assert "no rule" in line
    record = score_record(score)["rules"]
    assert [each["exists"] for each in record if each["rule_code"] == "gap_by_clairvoyance"] == [
        False
    ]


def test_moments_and_relabelling_of_moved_clamps():
    move = {"mishap": "clamp_moved", "channels": "condenser_outlet_c", "moment_s": 300.0}
    rows = truth(
        {
            "test_id": "a",
            **move,
            "detail": "evaporator_outlet_c",
            "left_out": "evaporator_outlet_c",
        },
        {"test_id": "b", **move, "detail": "compressor_suction_c", "left_out": "x"},
        {"test_id": "c", **move, "detail": "compressor_suction_c"},
    )
    said = verdicts(
        moments=[
            ("a", "condenser_outlet_c", 302.0),
            ("b", "condenser_outlet_c", 292.0),
            # found on a clamp that stayed where it was
            ("c", "compressor_suction_c", 300.0),
        ],
        relabelled=[("a", "evaporator_outlet_c"), ("b", "evaporator_outlet_c")],
    )
    moves = score_verdicts(SIZE, rows, said).moves
    # errors of 2 and 8 s: the median lies half way, one of two within 5 s
    assert moves.quantiles_s[0] == pytest.approx(5.0)
    assert (moves.within.n_hits, moves.within.n_all) == (1, 2)
    assert (moves.relabelled_right, moves.relabelled_wrong, moves.n_could_be) == (1, 1, 2)


def page_of(score):
    place = Path(__file__).parents[2] / "docs" / "make_trust_scores.py"
    spec = importlib.util.spec_from_file_location("make_trust_scores", place)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.page(json.loads(json.dumps(score_record(score))))


def test_the_page_names_command_and_seed_and_carries_the_shares():
    rows = truth(
        {"test_id": "a", "mishap": "stuck", "channels": "duct_left_c"},
        {"test_id": "b", "mishap": "stuck", "channels": "duct_left_c"},
        {"test_id": "c", "mishap": "kgf_as_bar", "channels": "low_side_kpa",
         "exempt_because": "2 % apart"},
        {"test_id": "d", "mishap": CLEAN},
    )  # fmt: skip
    score = score_verdicts(TrialSize(2, 1, 77), rows, verdicts([("a", "duct_left_c", "stuck")]))
    text = page_of(score)
    assert "chillroster score --trust --logs-per-mishap 2 --clean-logs 1 --seed 77" in text
    line = next(line for line in text.splitlines() if line.startswith("| `stuck`: "))
    assert MISHAP["stuck"].told in line
    assert "| 2 of 2 | 50.0 % (9.5 to 90.5) |" in line
    assert "| `kgf_as_bar` | 1 | 2 % apart |" in text
    assert "None was found." in text


def test_every_kind_of_mishap_says_which_rules_answer_for_it():
    assert set(ANSWERS) == set(MISHAP)


def test_score_needs_to_be_told_what_to_score():
    done = CliRunner().invoke(app, ["score"])
    assert done.exit_code == 2
    assert "--trust" in done.output


def test_an_unknown_kind_of_mishap_is_told_with_the_nearest():
    done = CliRunner().invoke(app, ["score", "--trust", "--mishap", "clamp_move"])
    assert done.exit_code == 2
    assert "clamp_moved" in done.output


def test_a_short_trial_from_simulation_to_table(tmp_path):
    kinds = ("gap", "sides_swapped", "implausible", "like_refrigerant")
    order = ["score", "--trust", "--logs-per-mishap", "2", "--clean-logs", "4", "--seed", "3"]
    order += [part for kind in kinds for part in ("--mishap", kind)]
    files = ["--json", tmp_path / "score.json", "--truth", tmp_path / "truth.csv"]
    order += [str(part) for part in (*files, "--folder", tmp_path / "trial")]
    done = CliRunner().invoke(app, order)
    assert done.exit_code == 0, done.output
    score = json.loads((tmp_path / "score.json").read_text())
    caught = {each["mishap"]: each["caught"] for each in score["mishaps"]}
    assert set(caught) == set(kinds)
    for kind in ("gap", "sides_swapped", "implausible"):
        assert (caught[kind]["n_hits"], caught[kind]["n_all"]) == (2, 2), kind
    assert caught["like_refrigerant"]["n_all"] == 0
    assert score["any_rule_on_clean"]["n_all"] == 4
    told = pl.read_csv(tmp_path / "truth.csv")
    assert told.height == 12
    assert told.filter(mishap="gap")["raised"].str.contains("gap").all()
    # the same trial is there already: nothing is simulated again, the table is the same
    written = (tmp_path / "trial" / "truth" / "truth_trials.parquet").stat().st_mtime_ns
    again = CliRunner().invoke(app, order)
    assert again.output == done.output
    assert (tmp_path / "trial" / "truth" / "truth_trials.parquet").stat().st_mtime_ns == written
