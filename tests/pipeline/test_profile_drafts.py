"""Drafted profiles: they load, state what the file shows, and guess no unit."""

from __future__ import annotations

import tomllib

import polars as pl
import pytest

from pipeline.check import check_file, save_draft
from pipeline.problems import ProblemsError
from pipeline.profiles import Profile

UNKNOWN = """Shop meter export
Serial;1234

Moment;P1;T Vent;Ambient [degC];Low side [bar]
00:00:01;2,1;21,0;25,1;2,0
00:00:02;2,2;21,1;25,1;2,0
00:00:03;2,1;21,2;25,2;2,1
00:00:04;2,1;21,3;25,2;2,1
"""


def drafted(tmp_path, text, name="log.csv"):
    file = tmp_path / name
    file.write_text(text)
    draft = check_file(file, tmp_path).draft
    assert draft is not None
    return draft


def profile_of(draft):
    return Profile.model_validate(tomllib.loads(draft))


def test_a_file_never_seen_gives_a_profile_that_loads_and_states_what_the_file_shows(tmp_path):
    profile = profile_of(drafted(tmp_path, UNKNOWN))
    assert (profile.text.delimiter, profile.text.decimal_mark) == (";", ",")
    # the line of names, counted in the text above
    assert profile.text.header_line == 4
    assert profile.time.column == "Moment"
    assert profile.recognise.columns == ("Moment", "P1", "T Vent", "Ambient [degC]")


def test_no_unit_and_no_channel_is_guessed(tmp_path):
    draft = drafted(tmp_path, UNKNOWN)
    # the only block that is not commented out is the one whose channel the header names
    blocks = profile_of(draft).channels
    assert [(one.column, one.channel, one.unit) for one in blocks] == [
        ("Low side [bar]", "low_side_kpa", "")
    ]
    assert "# one of: bar absolute, bar gauge, bar sealed gauge\n" in draft
    assert '# column = "P1"' in draft
    assert "perhaps duct_air_c" in draft


def test_the_draft_filled_in_reads_the_file(tmp_path):
    workspace = tmp_path / "ws"
    (workspace / "profiles").mkdir(parents=True)
    (workspace / "chillroster.toml").write_text("[site]\naltitude_m = 0\n")
    (workspace / "logs").mkdir()
    file = workspace / "logs" / "log.csv"
    file.write_text(UNKNOWN)
    draft = check_file(file, workspace).draft
    assert draft is not None
    filled = draft.replace('unit = ""          # one', 'unit = "bar gauge" # one')
    (workspace / "profiles" / "mine.toml").write_text(filled)
    lines = check_file(file, workspace).text.splitlines()
    assert any("Read with the profile my_logger" in line for line in lines)
    low = next(line.split() for line in lines if line.startswith("  Low side [bar]"))
    # 2.0 and 2.1 bar gauge at sea level, by hand: 200 + 101.325 and 210 + 101.325 kPa
    assert "301.3" in low
    assert "311.3" in low


def test_a_line_of_units_is_seen(tmp_path):
    text = "Instant,PX,Ambient\ns,psi,degC\n1,2,25\n2,3,25\n3,2,25\n4,2,26\n"
    profile = profile_of(drafted(tmp_path, text))
    assert (profile.text.header_line, profile.text.units_row) == (1, "yes")


def test_hostile_names_stay_names(tmp_path):
    text = 'Time [s],"a""]\n[x]\\",=cmd()\n1,2,3\n2,3,4\n3,4,5\n4,5,6\n'
    text = text.replace("\n[x]", "[x]")
    profile = profile_of(drafted(tmp_path, text))
    assert profile.name == "my_logger"
    assert not profile.channels


def test_a_parquet_file_with_unknown_columns_is_drafted_too(tmp_path):
    frame = pl.DataFrame(
        {
            "Time [s]": [0.0, 1.0, 2.0],
            "Ambient [degC]": [20.0, 20.1, 20.2],
            "PX": [1.0, 1.1, 1.2],
        }
    )
    frame.write_parquet(tmp_path / "log.parquet")
    draft = check_file(tmp_path / "log.parquet", tmp_path).draft
    assert draft is not None
    assert profile_of(draft).kind == "parquet"
    assert '# column = "PX"' in draft


def test_a_file_that_is_read_wholly_needs_no_draft(tmp_path):
    file = tmp_path / "log.csv"
    file.write_text("Time [s],Ambient [degC]\n1,20\n2,20\n3,20\n")
    checked = check_file(file, tmp_path)
    assert checked.draft is None
    assert "No profile was drafted" in save_draft(checked, tmp_path / "new.toml")


@pytest.mark.parametrize("text", ["Dear shop,\nthe car is warm.\n", "", "1\n2\n3\n4\n"])
def test_what_holds_no_table_gives_no_draft(tmp_path, text):
    file = tmp_path / "letter.csv"
    file.write_text(text)
    assert check_file(file, tmp_path).draft is None


def test_a_draft_never_replaces_a_file(tmp_path):
    file = tmp_path / "log.csv"
    file.write_text(UNKNOWN)
    checked = check_file(file, tmp_path)
    target = tmp_path / "mine.toml"
    save_draft(checked, target)
    assert target.read_text() == checked.draft
    target.write_text("mine")
    with pytest.raises(ProblemsError, match="exists already"):
        save_draft(checked, target)
    assert target.read_text() == "mine"
