"""A reader of the output that goes away, as `chillroster run | head` does, ends no work."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest
from shop import open_shop

COMMAND = [sys.executable, "-c", "from pipeline.cli import main; main()"]
CLOCK = ("--clock", "2026-07-20T12:00:00+00:00")


def call(*arguments, closed):
    """The exit code and what the other stream got, with one stream that nobody reads."""
    reading, writing = os.pipe()
    os.close(reading)
    streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | {closed: writing}
    done = subprocess.run([*COMMAND, *arguments], text=True, check=False, **streams)
    os.close(writing)
    return done.returncode, done.stdout or done.stderr or ""


def test_run_into_a_closed_pipe_writes_the_site_and_ends_well(tmp_path):
    shop = open_shop(tmp_path / "ws", 2, 60)
    code, told = call("run", "-w", str(shop.root), *CLOCK, closed="stdout")
    assert (code, told) == (0, "")
    assert (shop.workspace.site_folder / "index.html").is_file()
    assert shop.workspace.published_file.is_file()
    # and the code still says what it says otherwise
    shop.log("bay0/log000.csv").write_bytes(b"no log")
    code, told = call("run", "--strict", "-w", str(shop.root), *CLOCK, closed="stdout")
    assert (code, told) == (4, "")


@pytest.mark.parametrize("closed", ["stdout", "stderr"])
def test_a_failure_told_to_nobody_keeps_its_code(tmp_path, closed):
    code, told = call("run", "-w", str(tmp_path), closed=closed)
    assert code == 3
    assert ("chillroster.toml" in told) == (closed == "stdout")
    assert "Traceback" not in told


def test_no_stream_at_all_ends_no_work(tmp_path):
    shop = open_shop(tmp_path / "ws", 1, 60)
    words = f"exec {sys.executable} -c 'from pipeline.cli import main; main()' "
    done = subprocess.run(["sh", "-c", f"{words} ingest -w {shop.root} >&- 2>&-"], check=False)
    assert done.returncode == 0
    assert shop.workspace.published_file.is_file()
