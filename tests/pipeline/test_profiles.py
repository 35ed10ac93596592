"""Profiles: shipped and own, recognition, units stated by them, faults with lines."""

from __future__ import annotations

import pytest
from log_writing import (
    KPA_PER_PSI,
    door,
    notice_codes,
    read_one,
    refusal_codes,
    values,
    write,
)

from pipeline.problems import ProblemsError
from pipeline.profiles import fits_pattern, read_profiles, shipped_profiles
from pipeline.workspace import Workspace

OWN = """
name = "own"
[recognise]
first_line = "My logger"
[text]
delimiter = ";"
decimal_mark = ","
header_starts_with = "T;"
[time]
column = "T"
format = "timestamp"
pattern = "%d.%m.%Y %H:%M:%S"
[[channels]]
column = "P1"
channel = "low_side_kpa"
unit = "psig"
[[channels]]
column = "Duct*"
channel = "duct_air_c"
[default_units]
temperature = "degF"
"""
LOG = "My logger\nSerial 7\nT;P1;Duct mid;X\n11.05.2026 09:30:12;24,0;50,0;1\n"


def workspace_with(folder, **texts):
    workspace = Workspace(folder)
    workspace.profiles_folder.mkdir(exist_ok=True)
    for name, text in texts.items():
        (workspace.profiles_folder / f"{name}.toml").write_text(text, encoding="utf-8")
    return workspace


def problems(folder, **texts):
    with pytest.raises(ProblemsError) as caught:
        read_profiles(workspace_with(folder, **texts))
    return [(one.code, one.file, one.line) for one in caught.value.problems]


def test_shipped_profiles_end_with_those_that_take_anything():
    names = [profile.name for profile in shipped_profiles()]
    assert names == [
        "header_block_imperial", "long_parquet", "semicolon_metric",
        "self_describing", "self_describing_json", "self_describing_mdf",
        "self_describing_parquet",
    ]  # fmt: skip


def test_a_profile_of_the_workspace_reads_its_logger(tmp_path):
    profiles = read_profiles(workspace_with(tmp_path, own=OWN))
    log = write(tmp_path, "a.csv", LOG)
    batch = read_one(log, with_door=door(profiles=profiles), barometric_kpa=100.0)
    assert batch.readings["profile"][0] == "own"
    assert batch.refusals.rows() == []
    assert values(batch, "low_side_kpa") == pytest.approx([24.0 * KPA_PER_PSI + 100.0])
    # the default unit: 50 degF are (50 - 32) * 5 / 9 = 10 degC
    assert values(batch, "duct_air_c") == pytest.approx([10.0])
    assert notice_codes(batch) == [("X", "unused_column")]


@pytest.mark.parametrize(
    "recognise", ['columns = ["When", "P1"]', 'columns = ["P1"]', 'first_line = "My logger"']
)
def test_the_names_that_a_profile_states_are_enough_to_find_the_header(tmp_path, recognise):
    own = f"""
    name = "own"
    [recognise]
    {recognise}
    [time]
    column = "When"
    [[channels]]
    column = "P1"
    channel = "low_side_kpa"
    unit = "psia"
    """
    profiles = read_profiles(workspace_with(tmp_path, own=own))
    log = write(tmp_path, "a.csv", "My logger\nShop;7\nWhen;P1\n0;24,0\n1;25,0\n")
    batch = read_one(log, with_door=door(profiles=profiles))
    assert batch.readings["profile"].to_list() == ["own"]
    assert values(batch, "low_side_kpa") == pytest.approx([24.0 * KPA_PER_PSI, 25.0 * KPA_PER_PSI])
    other = write(tmp_path, "b.csv", "My logger\nWhen;P2\n0;24,0\n")
    batch = read_one(other, with_door=door(profiles=profiles))
    assert refusal_codes(batch) == [(None, "no_header")]


def test_without_its_profile_the_same_log_is_refused(tmp_path):
    assert refusal_codes(read_one(write(tmp_path, "a.csv", LOG))) == [(None, "no_header")]


def test_a_column_may_be_passed_over_in_silence(tmp_path):
    own = OWN.replace('name = "own"', 'name = "own"\nignore = ["X"]')
    profiles = read_profiles(workspace_with(tmp_path, own=own))
    batch = read_one(write(tmp_path, "a.csv", LOG), with_door=door(profiles=profiles))
    assert batch.notices.is_empty()


def test_a_profile_of_the_workspace_replaces_the_shipped_one_of_its_name(tmp_path):
    own = OWN.replace('"own"', '"semicolon_metric"')
    profiles = read_profiles(workspace_with(tmp_path, any_file_name=own))
    assert [p.name for p in profiles].count("semicolon_metric") == 1
    assert profiles[0].recognise.first_line == "My logger"


@pytest.mark.parametrize(
    ("pattern", "name", "fits"),
    [
        ("P1 [bar]", "p1 [BAR]", True),
        ("P1 [bar]", "P1 b", False),
        ("Duct*", "Duct left", True),
        ("P?", "P1", True),
        ("P?", "P12", False),
        ("*" * 79 + "b", "a" * 200, False),
    ],
)
def test_patterns_know_only_stars_and_question_marks(pattern, name, fits):
    assert fits_pattern(name, pattern) is fits


def test_the_registry_may_name_the_profile(tmp_path):
    profiles = read_profiles(workspace_with(tmp_path, own=OWN))
    log = write(tmp_path, "a.csv", "Time [s],Ambient [degC]\n0,20\n")
    asked = read_one(log, with_door=door(profiles=profiles), profile="own")
    assert refusal_codes(asked) == [(None, "profile_mismatch")]
    unknown = read_one(log, with_door=door(profiles=profiles), profile="ownn")
    assert refusal_codes(unknown) == [(None, "unknown_profile")]
    assert unknown.refusals["hint"][0] == "Did you mean `own`?"
    foreign = read_one(log, with_door=door(profiles=profiles), profile="long_parquet")
    assert refusal_codes(foreign) == [(None, "profile_mismatch")]
    assert values(read_one(log, profile="self_describing"), "ambient_air_c") == [20.0]


@pytest.mark.parametrize(
    ("header", "code"),
    [
        # the profile says psig
        ("P1 [kPa abs]", "unit_contradiction"),
        ("P1 [psig]", None),
        ("P1 [psi]", None),
        ("P1", None),
    ],
)
def test_a_unit_in_the_header_may_not_contradict_the_profile(tmp_path, header, code):
    profiles = read_profiles(workspace_with(tmp_path, own=OWN))
    log = write(tmp_path, "a.csv", LOG.replace("P1", header))
    batch = read_one(log, with_door=door(profiles=profiles), barometric_kpa=100.0)
    assert refusal_codes(batch) == ([(header, code)] if code else [])
    if not code:
        assert values(batch, "low_side_kpa") == pytest.approx([24.0 * KPA_PER_PSI + 100.0])


@pytest.mark.parametrize(
    ("unit", "code"), [("psi", None), ("bar", "unit_ambiguous"), ("furlong", "unit_unknown")]
)
def test_a_default_unit_tells_gauge_from_absolute_on_its_own_scale_only(tmp_path, unit, code):
    own = OWN.replace('unit = "psig"\n', "") + 'pressure = "psig"\n'
    profiles = read_profiles(workspace_with(tmp_path, own=own))
    log = write(tmp_path, "a.csv", LOG.replace("P1", f"P1 [{unit}]"))
    batch = read_one(log, with_door=door(profiles=profiles), barometric_kpa=100.0)
    assert refusal_codes(batch) == ([(f"P1 [{unit}]", code)] if code else [])


def test_faults_of_profiles_are_told_with_their_lines(tmp_path):
    text = OWN.replace("low_side_kpa", "low_side").replace("delimiter", "delimeter")
    told = problems(tmp_path, own=text)
    # an empty first line, name 2, [recognise] 3, first_line 4, [text] 5, delimiter 6,
    # ... [[channels]] 13, column 14, channel 15
    assert told == [
        ("unknown_key", "profiles/own.toml", 6),
        ("wrong_value", "profiles/own.toml", 15),
    ]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('first_line = "My logger"', ""),
        ('unit = "psig"', 'unit = "psi"'),
        ('unit = "psig"', 'unit = "degC"'),
        ('temperature = "degF"', 'temperature = "kPa"'),
        ('decimal_mark = ","', 'decimal_mark = ","\nthousands_mark = ","'),
        ('name = "own"', 'name = "../own"'),
        ('column = "P1"', f'column = "{"*" * 100}"'),
    ],
)
def test_a_profile_that_cannot_work_is_a_problem(tmp_path, old, new):
    assert old in OWN
    assert [code for code, _, _ in problems(tmp_path, own=OWN.replace(old, new))] == ["wrong_value"]


def test_two_profiles_of_one_name(tmp_path):
    assert problems(tmp_path, a=OWN, b=OWN) == [("duplicate_profile", "profiles/b.toml", None)]


def test_a_profile_that_is_not_toml(tmp_path):
    assert problems(tmp_path, a="name = ") == [("not_toml", "profiles/a.toml", 1)]
