"""What a terminal is told: letters that would steer it, or that look like markup, are shown."""

from __future__ import annotations

import re

import polars as pl
import pytest
from shop import FIRST_TEST, log_text, open_shop
from typer.testing import CliRunner

from pipeline.cli import app

# ECMA-48 and habits of terminals (from memory): colours, clearing, titles, the clipboard, links,
# answers typed as if by the user, other alphabets, marks of direction and bells
STEERING = [
    "\x1b[31mred", "\x1b[2J\x1b[H", "\x1b]0;title\x07", "\x1b]52;c;cm0gLXJm\x07", "\x1b[6n",
    "\x1b]8;;http://example.test\x1b\\link\x1b]8;;\x1b\\", "\x1bc", "\x1b(0", "\x9b31m",
    "\x9d0;t\x9c", "\x90q\x9c", "\x07", "\x08\x08\x08", "\x0b", "\x0c", "\x0e", "\x7f", "a\rb",
    "\x00", "\u202etxt.exe", "\u2066a\u2069", "\u200e", "\u061c",
]  # fmt: skip
# `\x1b` too: an escape, in front of whatever it means
FORBIDDEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
MARKUP = "[bold red]loud[/bold red] [link=http://example.test]x[/link] :skull: [/]"


def call(*arguments):
    done = CliRunner().invoke(app, [str(argument) for argument in arguments])
    return done.stdout + done.stderr


def write_registry(root, vehicle, log):
    folder = root / "registry"
    for name in ("vehicles", "tests"):
        (folder / f"{name}.csv").unlink(missing_ok=True)
    frame = pl.DataFrame({"vehicle_id": [vehicle], "model_id": ["tolvanne_kombi"]})
    frame.write_parquet(folder / "vehicles.parquet")
    tests = {"log": [log], "vehicle_id": [vehicle], "started_at": [FIRST_TEST.isoformat()]}
    pl.DataFrame(tests).write_parquet(folder / "tests.parquet")


@pytest.mark.parametrize(
    "text",
    ["".join(STEERING), *(pytest.param(one, marks=pytest.mark.slow) for one in STEERING)],
    ids=lambda text: ascii(text)[:30],
)
def test_nothing_that_steers_a_terminal_is_printed(tmp_path, text):
    shop = open_shop(tmp_path / "ws", 1)
    plain = re.sub(r"[\0/\\\r\n]", "_", text)
    name = f"a{plain}.csv"
    shop.log(name).parent.mkdir(exist_ok=True)
    shop.log(name).write_text(
        log_text(1, 60).replace("low_side_kpa", f'"Low side [{text}]"', 1), newline=""
    )
    vehicle = f"car {text}"
    write_registry(shop.root, vehicle, name)
    told = [
        call("check", "-w", shop.root),
        call("check", shop.log(name), "-w", shop.root),
        call("run", "-w", shop.root),
        call("explain", vehicle, "-w", shop.root),
        # a name that is not there, beside which the nearest is suggested
        call("explain", vehicle + "x", "-w", shop.root),
        call("check", f"none{plain}.csv", "-w", shop.root),
        call("export", tmp_path / "out", "--table", f"state{plain}", "-w", shop.root),
    ]
    write_registry(shop.root, vehicle, f"../{text}.csv")
    told.append(call("run", "-w", shop.root))
    assert [found for one in told for found in FORBIDDEN.findall(one)] == []
    assert "car " in told[3], told[2]


def test_markup_in_a_text_is_printed_as_it_is(tmp_path):
    shop = open_shop(tmp_path / "ws", 1)
    vehicle = f"car {MARKUP}"
    write_registry(shop.root, vehicle, "bay0/log000.csv")
    assert "1 new" in call("run", "-w", shop.root)
    told = call("explain", vehicle, "-w", shop.root)
    assert told.startswith(vehicle)
    missing = " ".join(call("explain", vehicle + "x", "-w", shop.root).split())
    assert "[bold red]loud[/bold red]" in missing
