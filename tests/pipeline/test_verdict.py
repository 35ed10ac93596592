"""The verdict on one log: what a run says of it, nothing written, refusals in words."""

from __future__ import annotations

import hashlib
import shutil

import polars as pl
import pytest
from shop import CLOCK, FIRST_TEST, HEADER, log_text, open_shop
from shop import test_row as registry_row
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.problems import ProblemsError
from pipeline.run import open_published
from pipeline.settings import Settings
from pipeline.verdict import verdict
from pipeline.verdict_car import UNREGISTERED, Stated
from pipeline.verdict_text import verdict_lines

N_LOGS = 70
NEW = "bay9/new.csv"
OF_TEST = ("residuals", "assessments")


@pytest.fixture(scope="module")
def run_shop(tmp_path_factory):
    shop = open_shop(tmp_path_factory.mktemp("shop") / "ws", N_LOGS)
    shop.update()
    return shop


@pytest.fixture
def shop(run_shop, tmp_path):
    shutil.copytree(run_shop.root, tmp_path / "ws")
    return type(run_shop)(tmp_path / "ws")


def faulty_text(seed, more_kpa=450.0):
    """A log of the shop whose high side lies higher throughout."""
    head, *lines = log_text(seed).splitlines()
    place = HEADER.split(",").index("high_side_kpa")
    rows = []
    for line in lines:
        cells = line.split(",")
        cells[place] = f"{float(cells[place]) + more_kpa:.2f}"
        rows.append(",".join(cells))
    return "\n".join([head, *rows]) + "\n"


def add_log(shop, text, number=N_LOGS):
    """The log under logs/ with its row in the registry."""
    shop.log(NEW).parent.mkdir(exist_ok=True)
    shop.log(NEW).write_text(text)
    known = [f"bay{n % 3}/log{n:03d}.csv" for n in range(N_LOGS)]
    rows = [registry_row(n, name) for n, name in enumerate(known)]
    shop.write_registry([*rows, registry_row(number, NEW)])


def of_published(shop, table, column, value):
    with open_published(shop.workspace, Settings()) as store:
        return store.read(table).filter(pl.col(column) == value)


def digests(folder):
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def text_of(given):
    return " ".join(" ".join(verdict_lines(given)).replace("\N{NO-BREAK SPACE}", " ").split())


def equal_to_published(given, shop):
    for table in OF_TEST:
        published = of_published(shop, table, "test_id", given.test_id)
        key = [name for name in ("regime", "feature") if name in published.columns]
        mine = given.of_test(table)
        assert mine.height == published.height > 0
        assert mine.sort(key).equals(published.sort(key)) if key else mine.equals(published)
    state = of_published(shop, "states", "vehicle_id", given.vehicle_id).row(0, named=True)
    assert given.state == state


@pytest.mark.parametrize("text", [log_text(901), faulty_text(902)], ids=["sound", "faulty"])
def test_a_run_says_the_same_of_the_log_afterwards(shop, text):
    add_log(shop, text)
    given = verdict(shop.workspace, shop.log(NEW), Stated(), CLOCK)
    assert given.n_tests == N_LOGS
    shop.update()
    equal_to_published(given, shop)


def test_a_car_named_by_hand_is_judged_as_by_its_row(shop, tmp_path):
    outside = tmp_path / "from_the_logger.csv"
    outside.write_text(log_text(903))
    at = FIRST_TEST.replace(month=7, day=3)
    given = verdict(shop.workspace, outside, Stated("car005", started_at=at, ambient_c=29.0), CLOCK)
    add_log(shop, log_text(903))
    rows = shop.root / "registry" / "tests.csv"
    lines = rows.read_text().splitlines()
    rows.write_text("\n".join([*lines[:-1], f"{NEW},car005,{at.isoformat()},,29,"]) + "\n")
    shop.update()
    equal_to_published(given, shop)


def test_a_stored_log_is_judged_without_its_earlier_reading(run_shop, tmp_path):
    given = verdict(run_shop.workspace, run_shop.log("bay0/log003.csv"), Stated(), CLOCK)
    assert given.context.height == 2
    equal_to_published(given, run_shop)
    copy = tmp_path / "copy.csv"
    copy.write_bytes(run_shop.log("bay0/log003.csv").read_bytes())
    assert verdict(run_shop.workspace, copy, Stated("car003"), CLOCK).context.height == 2


def test_a_finding_is_told_with_observed_expected_and_spread(shop):
    add_log(shop, log_text(904))
    assert "What is out of band" not in text_of(
        verdict(shop.workspace, shop.log(NEW), Stated(), CLOCK)
    )
    add_log(shop, faulty_text(904))
    given = verdict(shop.workspace, shop.log(NEW), Stated(), CLOCK)
    text = text_of(given)
    assert given.assessment["n_findings"] > 0
    assert "high-side pressure" in text
    assert "higher than expected. Observed" in text
    assert "cars of this model" in text
    assert "Never top up on a reading" in text
    assert "The high side can exceed 20 to 30 bar." in text


def test_a_car_not_on_record_is_judged_as_one_of_its_model(run_shop, tmp_path):
    log = tmp_path / "visitor.csv"
    log.write_text(log_text(905))
    given = verdict(run_shop.workspace, log, Stated(model_id="tolvanne_kombi"), CLOCK)
    assert given.vehicle_id == UNREGISTERED
    assert given.assessment["n_assessed_features"] > 0
    assert f"{UNREGISTERED} (tolvanne_kombi), visitor.csv" in text_of(given)


def test_no_byte_of_the_workspace_changes(shop, tmp_path):
    add_log(shop, log_text(906))
    before = digests(shop.root)
    call = ["verdict", NEW, "-w", shop.root, "--clock", CLOCK.isoformat()]
    page = tmp_path / "page.html"
    done = CliRunner().invoke(app, [str(part) for part in (*call, "--page", page)])
    assert done.exit_code == 0, done.output
    assert "This test alone:" in done.stdout
    assert "Nothing was stored" in done.stdout
    assert page.stat().st_size > 0
    assert digests(shop.root) == before


@pytest.mark.parametrize(
    "content",
    [b"", b"\0\1\2\3" * 500, b"PK\x03\x04 no archive", b"Time [s],low_side_kpa\n", b"a;b\nc;d\n"],
    ids=["empty", "binary", "packed", "header alone", "no columns"],
)
def test_a_log_that_cannot_be_read_is_refused_in_words(run_shop, tmp_path, content):
    log = tmp_path / "odd.csv"
    log.write_bytes(content)
    call = ["verdict", log, "--vehicle", "car001", "-w", run_shop.root]
    done = CliRunner().invoke(app, [str(part) for part in call])
    assert done.exit_code == 3
    assert "odd.csv: " in done.stderr
    assert "Traceback" not in done.output


@pytest.mark.parametrize(
    ("stated", "code", "hint"),
    [
        (Stated(), "no_registry_row", "--vehicle"),
        (Stated("car04"), "vehicle_unknown", "Did you mean"),
        (Stated(model_id="tolvane"), "model_unknown", "tolvanne_kombi"),
        (Stated("car001", started_at=CLOCK.replace(year=2030)), "starts_later", "--started"),
    ],
    ids=["no car", "unknown car", "unknown model", "not yet"],
)
def test_a_car_that_cannot_be_told_is_asked_for(run_shop, tmp_path, stated, code, hint):
    log = tmp_path / "visitor.csv"
    log.write_text(log_text(907))
    with pytest.raises(ProblemsError) as caught:
        verdict(run_shop.workspace, log, stated, CLOCK)
    (problem,) = caught.value.problems
    assert problem.code == code
    assert hint in problem.hint


def test_another_car_than_that_of_the_row_is_a_contradiction(run_shop):
    with pytest.raises(ProblemsError, match="this log is of car003"):
        verdict(run_shop.workspace, run_shop.log("bay0/log003.csv"), Stated("car004"), CLOCK)
