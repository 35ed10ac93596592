"""One running Chromium for all tests of pages: a process of tests can hold only one.

Without a Chromium binary the tests are skipped, except in continuous integration
(environment variable CI=true), where that is a failure.
"""

from __future__ import annotations

import importlib
import os
import shutil

import pytest
from page_visits import Visit, samples_of
from site_content import make_content

from reports.site import write_site

IN_CI = os.environ.get("CI") == "true"
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


def chromium_path():
    named = os.environ.get("CHILLROSTER_CHROMIUM")
    found = [shutil.which(name) for name in ("chromium", "chromium-browser", "google-chrome")]
    return named or next((path for path in found if path), None)


@pytest.fixture(scope="session")
def browser():
    path = chromium_path()
    if path is None:
        reason = "no Chromium on PATH; install it or name it in CHILLROSTER_CHROMIUM"
        if IN_CI:
            pytest.fail(reason)
        pytest.skip(reason)
    if not IN_CI:
        pytest.importorskip("playwright.sync_api", reason="Playwright for Python is not installed")
    sync_api = importlib.import_module("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield running
        running.close()


@pytest.fixture(scope="session")
def site(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    write_site(make_content(12, hostile=True, samples=samples_of), folder)
    return folder


@pytest.fixture
def visit(browser):
    visits = []

    def start(address, **look):
        visits.append(Visit(browser, **look))
        return visits[-1].open(address)

    yield start
    faults = [fault for one in visits for fault in one.faults]
    for one in visits:
        one.page.close()
    assert faults == []
