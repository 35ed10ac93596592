"""What holds for the repository as a whole: contracts between folders, pins, documents."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
FOLDERS = ("pipeline", "features", "models", "reports", "synthetic")


def tracked_files() -> list[Path]:
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        pytest.skip("not a git checkout")
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True, text=True
    ).stdout
    return [ROOT / name for name in listed.split("\0") if name and (ROOT / name).is_file()]


def tracked_texts() -> dict[Path, str]:
    texts = {}
    for path in tracked_files():
        if path == Path(__file__):
            continue
        try:
            texts[path] = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
    return texts


def test_folders_import_one_way():
    tool = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([tool], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout


def test_no_file_names_a_package_index():
    # an address of an index, a mirror or a local package folder
    pattern = re.compile(
        r"https?://[^\s\"']*(?:pypi|pythonhosted|simple/|registry\.npm)|--(?:extra-)?index-url"
    )
    found = [str(path) for path, text in tracked_texts().items() if pattern.search(text)]
    assert found == []


def test_constraints_pin_by_name_and_version_only():
    lines = (ROOT / "constraints.txt").read_text().splitlines()
    pins = [line for line in lines if line and not line.startswith("#")]
    assert len(pins) > 20
    malformed = [pin for pin in pins if not re.fullmatch(r"[A-Za-z0-9._-]+==[0-9][^ ]*", pin)]
    assert malformed == []


def test_ci_runs_the_test_command_of_the_readme():
    readme = (ROOT / "README.md").read_text()
    commands = [line for line in readme.splitlines() if line.startswith("python3 -m venv")]
    assert len(commands) == 2
    assert any(command in (ROOT / ".ci" / "run").read_text() for command in commands)


def test_every_module_opens_with_a_charter():
    bare = [
        str(path.relative_to(ROOT))
        for folder in FOLDERS
        for path in sorted((ROOT / folder).rglob("*.py"))
        if not path.read_text().lstrip().startswith('"""')
    ]
    assert bare == []


def test_no_module_is_a_drawer():
    drawers = {"utils", "util", "helpers", "helper", "common", "misc"}
    found = [
        str(path.relative_to(ROOT))
        for folder in FOLDERS
        for path in (ROOT / folder).rglob("*.py")
        if path.stem in drawers
    ]
    assert found == []
