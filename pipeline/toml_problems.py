"""Faults of a TOML file that a person wrote, each with its line and a hint.

Turns broken TOML and failed validation into `Problem` records: unknown keys with the
nearest known one, wrong types, values out of range. Does not belong here: what the keys
mean (`settings`, `profiles`).
"""

from __future__ import annotations

import math
import re
import tomllib
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ValidationError

from pipeline.problems import Problem, did_you_mean

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

_MOST_BYTES = 1_000_000
_AT_LINE = re.compile(r"\(at line (\d+), column \d+\)")


def toml_problems(path: Path, shown: str) -> tuple[str, list[Problem]]:
    """The text of a TOML file and what keeps it from being TOML (an empty list: nothing)."""
    unfit = _unfit_file(path, shown)
    if unfit is not None:
        return "", [unfit]
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        sentence = "The file is not text in UTF-8."
        return "", [Problem("not_utf8", sentence, shown, hint="Save it again as UTF-8.")]
    except OSError as error:
        reason = error.strerror or "unknown reason"
        return "", [Problem("unreadable_file", f"The file cannot be read: {reason}.", shown)]
    return text, _text_problems(text, shown)


def _text_problems(text: str, shown: str) -> list[Problem]:
    """What keeps a text from being TOML of numbers to work with (an empty list: nothing)."""
    try:
        return _endless_numbers(tomllib.loads(text), text, shown)
    except tomllib.TOMLDecodeError as error:
        return [_not_toml(str(error), text, shown)]
    except RecursionError:
        return [_not_toml("its parts stand too deep in each other", "", shown)]
    except ValueError:  # Python makes no number of a text of some thousand digits
        return [_overlong_number(text, shown)]


def _endless_numbers(
    part: Any, text: str, shown: str, place: tuple[Any, ...] = ()
) -> list[Problem]:
    """A problem for every `inf` and `nan`, which TOML knows and no setting can mean."""
    if isinstance(part, float) and not math.isfinite(part):
        key = ".".join(str(one) for one in place)
        sentence = f"`{key}` is {part}, which is no number to work with."
        hint = "Write a number in digits, or take the line away for the default."
        return [Problem("wrong_value", sentence, shown, find_line(text, place), hint)]
    inner: list[tuple[Any, Any]] = []
    if isinstance(part, dict | list):
        inner = list(part.items() if isinstance(part, dict) else enumerate(part))
    found = (_endless_numbers(one, text, shown, (*place, key)) for key, one in inner)
    return [problem for problems in found for problem in problems]


def _overlong_number(text: str, shown: str) -> Problem:
    """The problem of a whole number with more digits than Python reads."""
    lengths = [max(map(len, re.findall(r"\w+", line)), default=0) for line in text.splitlines()]
    longest = max(lengths)
    sentence = f"A number of some {longest} digits is no number to work with."
    hint = "Write a number in a few digits, or take the line away for the default."
    return Problem("wrong_value", sentence, shown, lengths.index(longest) + 1, hint)


def _unfit_file(path: Path, shown: str) -> Problem | None:
    """What keeps a file from being opened at all; a pipe or a device would never end."""
    hint = "Put the right text file in its place."
    if path.exists() and not path.is_file():
        sentence = "The file cannot be read: it is a folder or a device."
        return Problem("unreadable_file", sentence, shown, hint=hint)
    if path.is_file() and path.stat().st_size > _MOST_BYTES:
        size = f"{_MOST_BYTES // 1_000_000} MB"
        sentence = f"The file holds more than {size}, more than a person writes."
        return Problem("too_large", sentence, shown, hint=hint)
    return None


def _not_toml(message: str, text: str, shown: str) -> Problem:
    found = _AT_LINE.search(message)
    # the parser names no line when the text ends too early
    line = int(found.group(1)) if found else max(1, len(text.splitlines()))
    return Problem(
        "not_toml",
        f"The file is not valid TOML: {_AT_LINE.sub('', message).strip()}.",
        shown,
        line,
        "Texts stand in quotes, a line reads `key = value`, a section `[name]`.",
    )


def validation_problems(
    error: ValidationError, text: str, shown: str, model: type[BaseModel]
) -> list[Problem]:
    """The problems of a TOML text that failed validation, in the order of their lines."""
    problems = [_problem(detail, text, shown, model) for detail in error.errors()]
    return sorted(problems, key=lambda problem: problem.line or 0)


def _problem(detail: Any, text: str, shown: str, model: type[BaseModel]) -> Problem:
    place: Sequence[str | int] = detail["loc"]
    key = ".".join(str(part) for part in place)
    line = find_line(text, place)
    if detail["type"] == "extra_forbidden":
        known = known_keys(model, place[:-1])
        hint = did_you_mean(str(place[-1]), known) or f"Known are: {', '.join(known)}."
        return Problem("unknown_key", f"There is no setting `{key}`.", shown, line, hint)
    if detail["type"] == "missing":
        return Problem(
            "missing_key", f"`{key}` is missing.", shown, line, f"Add `{place[-1]} = ...`."
        )
    reason = str(detail["msg"]).removeprefix("Value error, ").rstrip(".")
    # our own checks name what they found, the types' checks do not
    says_it_all = detail["type"] == "value_error" or isinstance(detail["input"], (dict, BaseModel))
    found = "" if says_it_all else f", not {detail['input']!r}"
    subject = f"`{key}`" if key else "The file"
    end = "" if reason.endswith("?") and not found else "."
    sentence = f"{subject}: {reason[:1].lower()}{reason[1:]}{found}{end}"
    hint = "The comments of a fresh file from `chillroster init` name what each key may hold."
    return Problem("wrong_value", sentence, shown, line, hint)


def known_keys(model: type[BaseModel], place: Sequence[str | int]) -> list[str]:
    """Names of the keys that a model, or the part of it at a place, may hold."""
    current: Any = model
    for part in place:
        if isinstance(part, int):
            continue
        field = current.model_fields.get(part) if _is_model(current) else None
        if field is None:
            return []
        current = next((t for t in _types(field.annotation) if _is_model(t)), None)
    return list(current.model_fields) if _is_model(current) else []


def _is_model(candidate: Any) -> bool:
    return isinstance(candidate, type) and issubclass(candidate, BaseModel)


def _types(annotation: Any) -> list[Any]:
    inner = [one for part in getattr(annotation, "__args__", ()) for one in _types(part)]
    return [annotation, *inner]


def find_line(text: str, place: Sequence[str | int]) -> int | None:
    """The line on which the value at a place stands, the nearest section when it is absent.

    The n-th entry of an array of tables is the n-th `[[name]]`.
    """
    names = [str(part) for part in place if isinstance(part, str)]
    wanted = [part for part in place if isinstance(part, int)]
    section: list[str] = []
    counted: dict[str, int] = {}
    best: tuple[int, int] | None = None
    for number, line in enumerate(text.splitlines(), start=1):
        stripped = line.strip()
        header = re.match(r"\[+\s*([\w.\-\"' ]+?)\s*\]+", stripped)
        key = re.match(r"([\w\-\"'.]+)\s*=", stripped)
        if header and not key:
            section = _dotted(header.group(1))
            counted[".".join(section)] = counted.get(".".join(section), -1) + 1
            here = section
        elif key:
            here = [*section, *_dotted(key.group(1))]
        else:
            continue
        is_other_entry = bool(wanted) and wanted[0] != counted.get(".".join(section), wanted[0])
        if not is_other_entry and here == names[: len(here)] and len(here) > (best or (0,))[0]:
            best = (len(here), number)
    return best[1] if best else None


def _dotted(text: str) -> list[str]:
    return [part.strip().strip("\"'") for part in text.split(".")]
