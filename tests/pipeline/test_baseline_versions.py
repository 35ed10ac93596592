"""Baselines that stand between fits: kept, renewed when due, and fitted again by a rebuild."""

from __future__ import annotations

import json
import shutil
from datetime import timedelta

import polars as pl
import pytest
from shop import CLOCK, open_shop
from shop import test_row as registry_row
from typer.testing import CliRunner

from models.baseline_shifts import baseline_shifts
from models.settings import AssessmentSettings
from models.tables import BASELINES
from pipeline.baseline_ledger import Fit, ledger_file, read_ledger
from pipeline.cli import app
from pipeline.problems import ProblemsError
from pipeline.progress import Silence
from pipeline.rebuild import rebuild
from pipeline.refits import Known, RefitReason, refit_reason
from pipeline.run import Order, open_published
from pipeline.settings import Settings
from pipeline.store_tables import STORE_TABLES

N_LOGS = 48
# what earlier runs did is not in the raw files
OF_THE_WAY = ("runs", "state_changes")
JUDGED = ("residuals", "assessments", "states", "evidence", "drifts", "causes")
LATER = CLOCK + timedelta(days=8)


def published(shop, *names):
    names = names or [table.name for table in STORE_TABLES if table.name not in OF_THE_WAY]
    with open_published(shop.workspace, Settings()) as store:
        return {name: store.read(name) for name in names}


def with_logs(shop, n_more):
    """The shop with so many more logs, from car 40 - N_LOGS + ... on."""
    rows = [registry_row(n, f"bay{n % 3}/log{n:03d}.csv") for n in range(N_LOGS)]
    for number in range(N_LOGS, N_LOGS + n_more):
        shop.write_log(f"new/{number}.csv", 300 + number)
        rows.append(registry_row(number, f"new/{number}.csv"))
    shop.write_registry(rows)


@pytest.fixture(scope="module")
def run_shop(tmp_path_factory):
    shop = open_shop(tmp_path_factory.mktemp("shop") / "ws", N_LOGS)
    shop.update()
    return shop


@pytest.fixture
def shop(run_shop, tmp_path):
    shutil.copytree(run_shop.root, tmp_path / "ws")
    return type(run_shop)(tmp_path / "ws")


def test_one_new_log_changes_the_rows_of_its_own_car_only(shop):
    before = published(shop, *JUDGED)
    with_logs(shop, 1)
    summary = shop.update(clock=CLOCK + timedelta(hours=2))
    assert summary.assess.standing.reason is None
    after = published(shop, *JUDGED)
    mine = pl.col("vehicle_id") == "car008"
    for name in JUDGED:
        others = [tables[name].filter(~mine) for tables in (before, after)]
        assert others[0].equals(others[1]), name
    rows = [tables["assessments"].filter(mine).height for tables in (before, after)]
    assert rows == [1, 2]
    assert set(after["residuals"]["baseline_version"]) == {1}


def test_versions_come_when_due_and_a_rebuild_fits_the_same_again(shop):
    with_logs(shop, 1)
    shop.update(clock=CLOCK + timedelta(hours=2))
    with_logs(shop, 3)
    due = shop.update(clock=LATER)
    assert due.assess.standing.reason is RefitReason.OLD
    assert "version 2, fitted to 51 tests" in due.assess.text
    # known a day later: it stands beside version 2 and has no part in it
    with_logs(shop, 4)
    stands = shop.update(clock=LATER + timedelta(days=1))
    assert stands.assess.standing.last.number == 2
    before = published(shop)
    assert before["baseline_versions"]["n_tests"].to_list() == [48, 51]
    assert set(before["baselines"]["baseline_version"]) == {1, 2}
    lines = ledger_file(shop.workspace).read_bytes()

    for keeps_old in (True, False):
        if not keeps_old:
            shutil.rmtree(shop.root / ".chillroster")
        rebuild(shop.workspace, Order("rebuild", LATER + timedelta(days=1)), Silence())
        again = published(shop)
        for name, frame in before.items():
            assert again[name].equals(frame), name
        assert ledger_file(shop.workspace).read_bytes() == lines
    # with nothing new, nothing is due, however late
    late = shop.update(clock=LATER + timedelta(days=2))
    assert late.assess.standing.reason is None
    anew = shop.update("assess", does_ingest=False, is_refit=True, clock=LATER + timedelta(days=2))
    assert anew.assess.standing.last.number == 3
    assert set(published(shop, "baselines")["baselines"]["baseline_version"]) == {2, 3}


def test_the_command_tells_versions_and_what_moved(shop):
    def call(*words):
        done = CliRunner().invoke(app, [*words, "--workspace", str(shop.root)])
        assert done.exit_code == 0, done.output
        return done.stdout

    first = call("baselines")
    assert "there were none" in first
    assert "not kept: nothing to compare with" in first
    with_logs(shop, 3)
    call("run", "--refit", "--clock", (CLOCK + timedelta(days=1)).isoformat())
    told = call("baselines", "--model", "tolvanne_kombi")
    assert "by command" in told
    assert "From version 1 to 2" in told
    assert "duct air temperature" in told
    assert "is in force; due to be fitted anew from" in told


def test_a_damaged_ledger_is_told_with_its_line(shop):
    path = ledger_file(shop.workspace)
    path.write_text(path.read_text() + "{\n")
    with pytest.raises(ProblemsError, match="line 2") as caught:
        shop.update(clock=LATER)
    assert caught.value.problems[0].code == "damaged_ledger"
    # moved away, the baselines are fitted anew under a number of their own
    path.unlink()
    summary = shop.update(clock=LATER)
    assert summary.assess.standing.reason is RefitReason.FIRST
    assert [fit.number for fit in read_ledger(shop.workspace)] == [2]


def test_the_ledger_says_which_tests_each_version_knew(shop):
    with_logs(shop, 2)
    shop.update(clock=LATER)
    one, two = read_ledger(shop.workspace)
    new = set(two.tests) - set(one.tests)
    assert len(one.tests) == N_LOGS
    assert len(new) == 2
    last = json.loads(ledger_file(shop.workspace).read_text().splitlines()[1])
    assert set(last["tests_came"]) == new
    assert last["tests_gone"] == []


TESTS = {f"t{n}": "a" for n in range(10)}
LAST = Fit(
    {"baseline_version": 4, "fitted_at": CLOCK, "code_hash": "c", "settings_hash": "s",
     "tests_hash": "h", "n_vehicles": 10},
    TESTS,
)  # fmt: skip


def reason(last=LAST, *, is_ordered=False, days=1.0, **other):
    facts = {"tests": TESTS, "tests_hash": "h2", "code_hash": "c", "settings_hash": "s"} | other
    known = Known(CLOCK + timedelta(days=days), **facts)
    return refit_reason(last, known, AssessmentSettings(), is_ordered=is_ordered)


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        ({}, None),
        ({"last": None}, RefitReason.FIRST),
        ({"is_ordered": True, "tests_hash": "h"}, RefitReason.ORDERED),
        ({"code_hash": "c2", "tests_hash": "h"}, RefitReason.CODE),
        ({"settings_hash": "s2"}, RefitReason.SETTINGS),
        ({"days": 7.0}, RefitReason.OLD),
        ({"days": 6.9}, None),
        ({"days": 70.0, "tests_hash": "h"}, None),
        ({"days": -1.0}, RefitReason.CLOCK),
        ({"tests": TESTS | {f"u{n}": "a" for n in range(2)}}, None),
        ({"tests": TESTS | {f"u{n}": "a" for n in range(3)}}, RefitReason.GROWN),
        ({"tests": dict.fromkeys(TESTS, "read anew")}, RefitReason.GROWN),
    ],
)
def test_when_baselines_are_fitted_anew(asked, expected):
    assert reason(**asked) is expected


def test_shifts_are_told_in_spreads_at_the_middle_of_what_both_have_seen(shop):
    rows = published(shop, "baselines")["baselines"]

    assert baseline_shifts(rows, rows)["shift_spreads"].abs().max() == 0.0
    row = {
        "baseline_version": 1, "pooling_level": "model", "group_label": "m", "regime": "saturated",
        "feature": "duct_air_c", "n_vehicles": 30, "spread": 0.5,
        "terms": json.dumps({"intercept": 2.0, "x": 0.1, "x * y": 0.01}),
        "condition_ranges": json.dumps({"x": [10.0, 40.0], "y": [0.0, 20.0]}),
    }  # fmt: skip
    other = row | {
        "baseline_version": 2, "spread": 0.75,
        "terms": json.dumps({"intercept": 2.0, "x": 0.2}),
        "condition_ranges": json.dumps({"x": [20.0, 60.0], "y": [0.0, 40.0]}),
    }  # fmt: skip
    old, new = (BASELINES.conform(pl.DataFrame([one])) for one in (row, other))
    moved = baseline_shifts(old, new).row(0, named=True)
    # x from 20 to 40: 30; y from 0 to 20: 10. 2 + 3 + 3 = 8 before, 2 + 6 = 8 now
    assert moved["expected"] == pytest.approx(8.0)
    assert moved["expected_now"] == pytest.approx(8.0)
    assert moved["spread_ratio"] == pytest.approx(1.5)
    lower = new.with_columns(terms=pl.lit(json.dumps({"intercept": 1.0, "x": 0.2})))
    assert baseline_shifts(old, lower)["shift_spreads"].item() == pytest.approx(-2.0)
