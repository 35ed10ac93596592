"""Changes between runs: each is laid to the input that differs; and the whole on a small shop."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from shop import CLOCK, open_shop, test_row
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.progress import Silence
from pipeline.rebuild import rebuild
from pipeline.run import Order, open_published
from pipeline.settings import read_settings
from pipeline.state_changes import change_lines, changes
from pipeline.state_tables import STATE_INPUTS

AT = datetime(2026, 7, 20, tzinfo=UTC)
BEFORE = {
    "vehicle_id": "v1", "state": "in band", "handling_code": None, "logs": "t1:aa:xx",
    "registry_hash": "r", "dispositions_hash": "d", "settings_hash": "s", "code_hash": "c",
    "baseline_version": 3, "judged_on": date(2026, 7, 1),
}  # fmt: skip


def moved(**difference):
    after = BEFORE | {"state": "watch"} | difference
    frames = (STATE_INPUTS.conform(pl.DataFrame([row])) for row in (BEFORE, after))
    return changes(*frames, 7, AT)


@pytest.mark.parametrize(
    ("difference", "codes"),
    [
        ({"logs": "t1:aa:xx t2:bb:yy"}, "new_log"),
        ({"logs": "t1:zz:yy"}, "changed_log"),
        ({"logs": ""}, "changed_log"),
        ({"logs": "t1:aa:yy"}, "settings"),
        ({"logs": "t1:aa:yy", "code_hash": "c2"}, "code"),
        ({"registry_hash": "r2"}, "registry"),
        ({"dispositions_hash": "d2"}, "disposition"),
        ({"settings_hash": "s2", "baseline_version": 4}, "settings"),
        ({"baseline_version": 4}, "baseline"),
        ({"baseline_version": 4, "logs": "t1:aa:xx t2:bb:yy"}, "new_log"),
        ({"judged_on": date(2026, 7, 20)}, "time"),
        ({"logs": "t2:bb:yy", "registry_hash": "r2"}, "new_log changed_log registry"),
    ],
)
def test_a_change_is_laid_to_what_differs(difference, codes):
    row = moved(**difference).row(0, named=True)
    assert row["mover_codes"] == codes
    assert (row["earlier_state"], row["state"], row["run_number"]) == ("in band", "watch", 7)
    assert row["sentence"].startswith("v1: from in band to watch, by ")


@pytest.mark.parametrize(
    ("by_earlier", "codes"),
    [("in band", "baseline"), ("watch", "new_log"), ("retest", "new_log baseline")],
)
def test_the_baselines_before_tell_which_moved_it(by_earlier, codes):
    after = BEFORE | {"state": "watch", "baseline_version": 4, "logs": "t1:aa:xx t2:bb:yy"}
    frames = (STATE_INPUTS.conform(pl.DataFrame([row])) for row in (BEFORE, after))
    otherwise = pl.DataFrame({"vehicle_id": ["v1"], "state": [by_earlier], "handling_code": [None]})
    row = changes(*frames, 7, AT, otherwise).row(0, named=True)
    assert row["mover_codes"] == codes
    assert ("(version 3 to 4)" in row["sentence"]) == ("baseline" in codes)


def test_what_stays_is_no_change_and_handling_is_one():
    assert moved(state="in band", baseline_version=4).is_empty()
    row = moved(state="in band", handling_code="acknowledged", dispositions_hash="d2")
    assert "to in band (acknowledged), by what a person recorded" in row["sentence"][0]


def test_the_first_run_changes_nothing_and_cars_come_and_go():
    one = STATE_INPUTS.conform(pl.DataFrame([BEFORE]))
    other = STATE_INPUTS.conform(pl.DataFrame([BEFORE | {"vehicle_id": "v2"}]))
    assert changes(STATE_INPUTS.empty(), one, 1, AT).is_empty()
    told = changes(one, other, 2, AT)
    assert told["sentence"].to_list() == [
        "v1 is no longer in the registry.",
        "v2 is new: in band.",
    ]


def test_the_terminal_names_those_for_service_first_and_counts_the_rest():
    parts = [
        moved().with_columns(pl.lit(f"v{n:02d}").alias("vehicle_id"),
                             pl.lit(f"v{n:02d}: ...").alias("sentence"))
        for n in range(13)
    ]  # fmt: skip
    last = parts.pop().with_columns(pl.lit("service").alias("state"))
    lines = change_lines(pl.concat([*parts, last]))
    assert lines[0] == "13 states changed:"
    assert lines[1] == "  v12: ..."
    assert lines[-1].startswith("  and 3 more")
    assert change_lines(moved().clear()) == []


def stored(shop, *names):
    with open_published(shop.workspace, read_settings(shop.workspace)) as store:
        return [store.read(name) for name in names]


def call(shop, *words, code=0):
    arguments = ["disposition", *words, "--workspace", str(shop.root)]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == code, result.output
    return result.output


def test_a_shop_over_four_runs(tmp_path):
    shop = open_shop(tmp_path, 14, seconds=300)
    summary = shop.update()
    assert summary.assess.changed.is_empty()
    [states] = stored(shop, "states")
    before = dict(states.select("vehicle_id", "state").iter_rows())
    assert before["car020"] == "silent"

    # a car that was never tested gets its first log
    shop.write_log("new/first.csv", 99, 300)
    rows = [test_row(n, f"bay{n % 3}/log{n:03d}.csv") for n in range(14)]
    shop.write_registry([*rows, test_row(20, "new/first.csv")])
    lines = shop.update(clock=CLOCK + timedelta(hours=1)).lines
    states, changed, runs = stored(shop, "states", "state_changes", "runs")
    row = changed.filter(pl.col("vehicle_id") == "car020").row(0, named=True)
    assert row["earlier_state"] == "silent"
    assert "new_log" in row["mover_codes"]
    assert row["run_number"] == runs["run_number"].max() == 2
    assert any("car020: from silent to" in line for line in lines)

    # acknowledged: told after the next run, and the state stays
    told = call(shop, "car020", "--acknowledge", "--person", "bay 3", "--reason", "known",
                "--clock", "2026-07-20T14:00")  # fmt: skip
    assert "Noted as d1" in told
    call(shop, "car001", "--found", "no_fault_found", "--finding", "subcooling_low",
         "--person", "bay 3", "--clock", "2026-07-20T14:10")  # fmt: skip
    shop.update(clock=CLOCK + timedelta(hours=4))
    after, changed, precision = stored(shop, "states", "state_changes", "disposition_precision")
    own = after.filter(pl.col("vehicle_id") == "car020").row(0, named=True)
    earlier = states.filter(pl.col("vehicle_id") == "car020").row(0, named=True)
    assert own["state"] == earlier["state"]
    assert own["handling_code"] == "acknowledged"
    assert "known" in own["handling"]
    assert precision["n_no_fault_found"].to_list() == [1, 1]
    last = changed.filter(pl.col("run_number") == 3)
    assert last["mover_codes"].to_list() == ["disposition"]

    # rebuilt from raw files: nothing recorded and no change is lost
    rebuild(shop.workspace, Order("rebuild", CLOCK + timedelta(hours=4)), Silence())
    again, changes_after, recorded = stored(shop, "states", "state_changes", "dispositions")
    assert again.equals(after)
    assert changes_after.equals(changed)
    assert recorded["disposition_id"].to_list() == ["d1", "d2"]

    # taken back
    call(shop, "car020", "--undo", "d1", "--person", "bay 3", "--clock", "2026-07-20T17:00")
    shop.update(clock=CLOCK + timedelta(hours=6))
    [states] = stored(shop, "states")
    assert states["handling_code"].null_count() == states.height
    assert "[taken back]" in call(shop, "car020")
    explained = CliRunner().invoke(app, ["explain", "car020", "--workspace", str(shop.root)])
    assert "Recorded" in explained.output
    assert "d3, 2026-07-20, bay 3: undo of d1" in explained.output


def test_what_means_nothing_is_refused(tmp_path):
    shop = open_shop(tmp_path, 2, seconds=60)
    who = ("--person", "ada")
    assert "No vehicle is called" in call(shop, "car0O1", "--found", "confirmed", *who, code=3)
    assert "no state yet" in call(shop, "car001", "--acknowledge", *who, code=3)
    assert "no finding" in call(
        shop, "car001", "--found", "confirmed", "--finding", "x", *who, code=3
    )
    assert "No row 'd9'" in call(shop, "car001", "--undo", "d9", *who, code=3)
    assert "needs a person" in call(shop, "car001", "--found", "confirmed", code=3)
    assert "one thing at a time" in call(shop, "car001", "--acknowledge", "--undo", "d1", code=2)
    assert "no day" in call(shop, "car001", "--snooze-until", "soon", *who, code=2)
    assert "Nothing was recorded" in call(shop, "car001")
    assert not (tmp_path / "registry" / "dispositions.csv").exists()
