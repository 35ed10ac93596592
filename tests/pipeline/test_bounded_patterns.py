"""Patterns that a person writes cannot make a search endless, and texts cannot either."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from pydantic import ValidationError

import features
import pipeline
import reports
from pipeline.headers import match_header, match_time, split_header
from pipeline.name_patterns import PatternError, parse_pattern, read_name
from pipeline.profiles import ChannelMap, Profile, fits_pattern

# patterns that take exponential time in engines that go back: nested and overlapping
# repetitions (from memory of the literature on denial of service by regular expressions)
EVIL = [
    "(a+)+$", "(a*)*b", "(a|aa)+$", "(a|a?)+$", "(.*a){20}", "([a-z]+)*[0-9]", "^(([a-z])+.)+[A-Z]",
    "(x+x+)+y", "(?:a?){30}a{30}", "((a+)+)+$", r"(\w+\s?)*$", "(.+)+=", "[a-z]*[a-z]*[a-z]*=",
    "(?=a+)a*b", r"(a)\1+$", "a{1,65000}b",
]  # fmt: skip
STARS = ["*a" * 39, "*" * 80, "*?" * 40, "a*" * 40, "*a*a*a*a*a*a*b", "?*" * 39 + "!", "[*" * 40]
LONG = "a" * 50_000


@pytest.mark.parametrize("pattern", EVIL)
def test_a_regular_expression_in_a_profile_is_a_plain_text(pattern):
    # nothing of it means anything: it fits the very same letters only
    assert fits_pattern(pattern.replace("*", "x").replace("?", "y"), pattern)
    assert not fits_pattern(LONG + "!", pattern.replace("*", "").replace("?", ""))


@pytest.mark.parametrize("pattern", [*EVIL, *STARS])
def test_no_pattern_makes_a_search_endless(pattern):
    # the test ends: an engine that goes back would not in the life of the machine
    fits_pattern(LONG + "!", pattern)
    fits_pattern(LONG + "\n" + LONG, pattern)
    line = ChannelMap(column=pattern[:80], channel="low_side_kpa")
    assert line.fits(LONG) in {True, False}


def test_patterns_have_a_greatest_length():
    recognised = {"first_line": "x"}
    for part in (
        {"channels": [{"column": "a" * 81, "channel": "low_side_kpa"}]},
        {"ignore": ["*" * 81]},
        {"time": {"pattern": "%Y" * 41}},
    ):
        with pytest.raises(ValidationError, match="at most 80"):
            Profile.model_validate({"name": "a", "recognise": recognised, **part})


NAME_PATTERNS = [
    "{vehicle_id}" + "_*" * 30 + "_{site_id}", "*{vehicle_id}*", "{vehicle_id}a*a*a*a*a*a*b",
    "{vehicle_id}-{site_id}-{protocol}-{technician_id}", *EVIL,
]  # fmt: skip


@pytest.mark.parametrize("pattern", NAME_PATTERNS)
@pytest.mark.parametrize("name", ["a" * 399, "a-" * 190, "_" * 390, "a_" * 190 + "!", LONG])
def test_no_pattern_of_file_names_makes_a_search_endless(pattern, name):
    refusal = ""
    try:
        parse_pattern(pattern)
    except PatternError as error:
        refusal = str(error)
    if refusal:
        assert len(refusal) > 10
        return
    found = read_name(f"{name}.csv", ".csv", pattern)
    assert found is None or found.is_ambiguous or found.parts


HEADERS = [
    "(" * 50_000, ")" * 50_000, "()" * 25_000, "_" * 50_000, " " * 50_000 + "x", "[" * 50_000 + "]",
    "low side " * 6_000, "low_side_" * 6_000, "/" * 50_000, "," * 50_000, "a/" * 25_000,
    "psi " * 12_000, "\u00b0" * 50_000, "1" * 50_000, "-" * 50_000, '"' * 50_000,
]  # fmt: skip


@pytest.mark.parametrize("text", HEADERS, ids=lambda text: text[:6])
def test_no_header_makes_a_search_endless(text):
    for read in (match_header, match_time, split_header):
        read(text)
        read(f"Time [{text}]")


def test_every_regular_expression_is_written_in_the_program():
    """No call of `re` takes a pattern that a file or a person gave."""
    n_calls = 0
    for package in (pipeline, features, reports):
        for path in sorted(Path(package.__file__).parent.rglob("*.py")):
            for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if not _is_of_re(call):
                    continue
                n_calls += 1
                assert _is_written(call.args[0]), f"{path}:{call.lineno}"
    assert n_calls >= 30


def _is_of_re(call):
    return (
        isinstance(call, ast.Call)
        and isinstance(call.func, ast.Attribute)
        and isinstance(call.func.value, ast.Name)
        and call.func.value.id == "re"
        and call.func.attr != "escape"
    )


def _is_written(pattern):
    """A constant, or one joined with constants of the module or with escaped text."""
    if isinstance(pattern, ast.Constant | ast.Name):
        return True
    if isinstance(pattern, ast.BinOp):
        return _is_written(pattern.left) and _is_written(pattern.right)
    if isinstance(pattern, ast.JoinedStr):
        return all(
            isinstance(part, ast.Constant) or isinstance(part.value, ast.Name | ast.Call)
            for part in pattern.values
        )
    return False
