"""Settings: defaults, unknown keys with the nearest known one, the commented file."""

from __future__ import annotations

import re
import tomllib

import pytest

from pipeline.problems import ProblemsError, closest, did_you_mean
from pipeline.settings import Settings, read_settings, settings_text
from pipeline.workspace import Workspace


def read(folder, text):
    workspace = Workspace(folder)
    workspace.settings_file.write_text(text, encoding="utf-8")
    return read_settings(workspace)


def problems(folder, text):
    with pytest.raises(ProblemsError) as caught:
        read(folder, text)
    return caught.value.problems


def test_an_empty_file_gives_the_defaults(tmp_path):
    assert read(tmp_path, "") == Settings()


def test_the_fresh_file_says_the_defaults_and_nothing_else():
    assert Settings.model_validate(tomllib.loads(settings_text())) == Settings()
    fresh = settings_text()
    # whoever takes away every mark has TOML that says the defaults, and the examples
    uncommented = re.sub(r"(?m)^# ([a-z_0-9]+ = )", r"\1", fresh)
    assert Settings.model_validate(tomllib.loads(uncommented), strict=True).site.altitude_m
    with_default = re.sub(r"(?m)^# ([a-z_0-9]+ = .*(?<!it has no default))$", r"\1", fresh)
    stated = tomllib.loads(with_default)
    assert Settings.model_validate(stated, strict=True) == Settings()
    # every key but those without a default stands there
    for section in ("reading", "store", "derivation", "assessment", "report"):
        fields = type(getattr(Settings(), section)).model_fields
        without_default = {name for name, field in fields.items() if field.default is None}
        assert set(stated[section]) == set(fields) - without_default


def test_every_key_of_the_fresh_file_is_explained():
    lines = settings_text().splitlines()
    keys = [n for n, line in enumerate(lines) if re.match(r"# [a-z_]+ = ", line)]
    assert len(keys) > 20
    bare = [lines[n] for n in keys if not lines[n - 1].startswith("# ")]
    assert bare == []


def test_values_are_taken(tmp_path):
    settings = read(tmp_path, 'time_zone = "Europe/Athens"\n[site]\naltitude_m = 250\n')
    assert (settings.time_zone, settings.site.altitude_m) == ("Europe/Athens", 250.0)


def test_every_fault_is_told_with_its_line(tmp_path):
    text = (
        'time_zone = "Europe/Athnes"\n'
        "\n"
        "[site]\n"
        "altitude = 250\n"
        "[report]\n"
        'curve_points = "many"\n'
        "[nonsense]\n"
        "x = 1\n"
    )
    told = problems(tmp_path, text)
    assert [(one.code, one.line) for one in told] == [
        ("wrong_value", 1),
        ("unknown_key", 4),
        ("wrong_value", 6),
        ("unknown_key", 7),
    ]
    assert "Europe/Athens" in told[0].sentence
    assert told[1].hint == "Did you mean `altitude_m`?"
    assert all(one.file == "chillroster.toml" and one.hint for one in told)


def test_a_number_in_quotes_is_a_wrong_type(tmp_path):
    (one,) = problems(tmp_path, '[site]\naltitude_m = "250"\n')
    assert (one.code, one.line) == ("wrong_value", 2)


@pytest.mark.parametrize(
    ("content", "code", "line"),
    [
        (b"time_zone = \n", "not_toml", 1),
        (b"\n\n[site\n", "not_toml", 3),
        (b"\xff\xfe", "not_utf8", None),
    ],
)
def test_a_file_that_is_not_toml(tmp_path, content, code, line):
    workspace = Workspace(tmp_path)
    workspace.settings_file.write_bytes(content)
    with pytest.raises(ProblemsError) as caught:
        read_settings(workspace)
    assert [(one.code, one.line) for one in caught.value.problems] == [(code, line)]


@pytest.mark.parametrize(
    ("word", "expected"),
    [
        ("vehicleid", "vehicle_id"),
        ("Vehicle ID", "vehicle_id"),
        ("modle_id", "model_id"),
        ("x", None),
    ],
)
def test_the_nearest_word(word, expected):
    assert closest(word, ["vehicle_id", "model_id", "plant"]) == expected


def test_without_a_near_word_the_few_known_are_listed():
    assert did_you_mean("x", ["one", "two"]) == "Known are: `one`, `two`."
    assert did_you_mean("x", [f"name{n}" for n in range(9)]) == ""
    assert did_you_mean("x", []) == ""


def test_the_text_of_an_error_lists_every_problem(tmp_path):
    with pytest.raises(ProblemsError, match=r"2 problems found:\n.*line 1.*\n.*line 2"):
        read(tmp_path, "one = 1\ntwo = 2\n")


@pytest.mark.parametrize(
    ("text", "key", "line"),
    [
        ("[derivation]\nlow_side_accuracy_kpa = inf\n", "derivation.low_side_accuracy_kpa", 2),
        ("\n[site]\naltitude_m = nan\n", "site.altitude_m", 3),
        ("[reading]\nlargest_log_megabytes = -inf\n", "reading.largest_log_megabytes", 2),
    ],
)
def test_no_setting_is_endless_or_undefined(tmp_path, text, key, line):
    (problem,) = problems(tmp_path, text)
    assert (problem.code, problem.line) == ("wrong_value", line)
    assert f"`{key}`" in problem.sentence


def test_a_number_of_thousands_of_digits_is_a_fault_of_its_line(tmp_path):
    (problem,) = problems(tmp_path, f"[site]\naltitude_m = {'9' * 6000}\n")
    assert (problem.code, problem.line) == ("wrong_value", 2)
    assert "6000 digits" in problem.sentence


def test_brackets_without_end_are_a_fault_of_the_file(tmp_path):
    (problem,) = problems(tmp_path, "a = " + "[" * 100_000)
    assert problem.code == "not_toml"


def test_a_check_of_our_own_says_once_what_it_found(tmp_path):
    (problem,) = problems(tmp_path, 'time_zone = "Mars/Base"\n')
    assert problem.sentence.count("Mars/Base") == 1
