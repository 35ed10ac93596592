"""The command `recurrence`: what it tells, and that it saves exactly the table told."""

from __future__ import annotations

from datetime import UTC, date, datetime

import polars as pl
import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.init import init_workspace
from synthetic.claim_order import Batch, ClaimOrder, Component
from synthetic.claim_years import simulate_claim_years

_CLOCK = "2026-01-01"
_BATCH = Batch("seal", date(2023, 3, 1), date(2023, 5, 31), "model_2", hazard_factor=8.0)


@pytest.fixture(scope="module")
def workspace(tmp_path_factory):
    root = tmp_path_factory.mktemp("claims") / "ws"
    init_workspace(root)
    order = ClaimOrder(
        6000, 4, components=(Component("seal", 1.2, 150.0), Component("fan", 1.0, 200.0)),
        batches=(_BATCH,), as_of=datetime(2026, 1, 1, tzinfo=UTC).date(),
    )  # fmt: skip
    years = simulate_claim_years(order)
    for name in ("vehicles", "repairs", "volumes", "models"):
        frame = getattr(years, name)
        stamps = [n for n, t in frame.schema.items() if t == pl.Datetime("us", "UTC")]
        frame = frame.with_columns(pl.col(stamps).dt.strftime("%Y-%m-%dT%H:%M:%SZ"))
        if name == "volumes":
            frame = frame.with_columns(pl.col("build_month").dt.strftime("%Y-%m"))
        frame.write_csv(root / "registry" / f"{name}.csv")
    assert _run(root, "ingest").exit_code == 0
    done = _run(root, "assess")
    assert done.exit_code == 0, done.output
    return root


def _run(root, command, *options):
    return CliRunner().invoke(app, [command, "-w", str(root), "--clock", _CLOCK, *options])


def test_the_bad_batch_is_found_and_told_in_words(workspace):
    told = _run(workspace, "recurrence")
    assert told.exit_code == 0
    assert "model_2 · 2023 Q2" in told.output
    assert "all cars on the register" in told.output
    assert "reported within" in told.output
    assert "not what is wrong" in told.output
    quarters = [line for line in told.output.splitlines() if "more often" in line]
    assert quarters
    assert not any("fan" in line and "2023 Q2" in line for line in quarters)


@pytest.mark.parametrize("ending", ["csv", "parquet", "xlsx"])
def test_the_file_saved_holds_the_table_told(workspace, tmp_path, ending):
    path = tmp_path / f"told.{ending}"
    told = _run(workspace, "recurrence", "--by", "model,plant", "--save", str(path), "--rows", "99")
    assert told.exit_code == 0
    read = {"csv": pl.read_csv, "parquet": pl.read_parquet, "xlsx": pl.read_excel}[ending]
    saved = read(path)
    assert saved.height == 3 * 2 * 2
    lines = told.output.splitlines()
    begin = next(n for n, line in enumerate(lines) if line.startswith("---")) + 1
    cells = [(line.split("  ")[0], line.split()[3]) for line in lines[begin : begin + 12]]
    assert [cell[0] for cell in cells] == saved["cohort"].to_list()
    for line, row in zip(lines[begin : begin + 12], saved.iter_rows(named=True), strict=True):
        assert f"  {row['n_vehicles']} " in line
        assert f"  {row['n_repairs']} " in line


def test_forecasts_and_other_clocks(workspace, tmp_path):
    path = tmp_path / "forecast.csv"
    told = _run(workspace, "recurrence", "--forecast", "--component", "seal", "--save", str(path))
    assert told.exit_code == 0
    assert "reserve, EUR" in told.output
    saved = pl.read_csv(path)
    assert set(saved["component"]) == {"seal"}
    assert saved.height == 3 * 13
    assert (saved["claims_low"] <= saved["claims"]).all()
    assert (saved["reserve_high"] >= saved["reserve"]).all()
    assert _run(workspace, "recurrence", "--by", "model", "--km").exit_code == 0
    cooling = _run(workspace, "recurrence", "--by", "model", "--cooling")
    assert cooling.exit_code == 2
    assert "cannot be told" in cooling.output
    assert _run(workspace, "recurrence", "--returning").exit_code == 0
    assert _run(workspace, "recurrence", "--by", "part_lot").exit_code == 0


def test_wrong_questions_are_refused_with_a_hint(workspace):
    for options, words in (
        (("--by", "modle"), "model"),
        (("--by", "model,part_lot"), "both were named"),
        (("--component", "seel"), "seal"),
        (("--km", "--cooling"), "at a time"),
        (("--forecast", "--by", "model"), "leave"),
        (("--save", "x.doc"), "does not end in"),
    ):
        told = _run(workspace, "recurrence", *options)
        assert told.exit_code == 2
        assert words in told.output


def test_a_second_run_writes_nothing(workspace):
    again = _run(workspace, "assess")
    assert "nothing changed" in again.output
