"""The documents say what the code does."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest

from pipeline.cli import app
from pipeline.registry_tables import REGISTRY_FILES

ROOT = Path(__file__).parent.parent


def load_page_maker():
    spec = importlib.util.spec_from_file_location("make_pages", ROOT / "docs" / "make_pages.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", ["channels.md", "features.md", "tables.md"])
def test_reference_page_is_in_step_with_the_code(name):
    written = (ROOT / "docs" / name).read_text(encoding="utf-8")
    assert load_page_maker().PAGES[name]() == written, "run `poe docs`"


@pytest.mark.parametrize("page", sorted(ROOT.glob("*.md")) + sorted((ROOT / "docs").glob("*.md")),
                         ids=lambda page: page.name)  # fmt: skip
def test_files_that_a_page_links_to_are_there(page):
    targets = re.findall(r"\]\(([^)#\s]+)\)", page.read_text(encoding="utf-8"))
    missing = [each for each in targets if ":" not in each and not (page.parent / each).exists()]
    assert missing == []


@pytest.mark.parametrize("file", REGISTRY_FILES, ids=lambda file: file.name)
def test_readme_names_every_registry_column(file):
    lines = (ROOT / "README.md").read_text().splitlines()
    [line] = [line for line in lines if line.startswith(f"| `registry/{file.name}.csv`")]
    for entry in file.entries:
        named = f"**{entry.name}**" if entry.required else entry.name
        assert named in line


def test_readme_names_every_command():
    readme = (ROOT / "README.md").read_text()
    for command in app.registered_commands:
        name = command.name or command.callback.__name__
        assert f"`{name}" in readme
