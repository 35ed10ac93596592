"""The page of a verdict in Chromium: moved elsewhere alone it draws, and asks for nothing."""

from __future__ import annotations

import pytest

from pipeline.verdict import verdict
from pipeline.verdict_car import Stated
from pipeline.verdict_page import write_page
from tests.pipeline.shop import CLOCK, log_text, open_shop

pytestmark = pytest.mark.browser

HOSTILE = "</script><script>document.title = 'ran'</script>.csv"


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    shop = open_shop(tmp_path_factory.mktemp("shop") / "ws", 40)
    shop.update()
    folder = tmp_path_factory.mktemp("elsewhere")
    log = folder / HOSTILE.replace("/", "|")
    log.write_text(log_text(911))
    given = verdict(shop.workspace, log, Stated("car002"), CLOCK)
    write_page(given, folder / "page" / "verdict.html", CLOCK)
    return folder / "page" / "verdict.html"


@pytest.mark.parametrize("width", [390, 1280])
def test_the_page_stands_alone(browser, page_file, width):
    assert [file.name for file in page_file.parent.iterdir()] == ["verdict.html"]
    page = browser.new_page(viewport={"width": width, "height": 900})
    faults, asked = [], []
    page.on("console", lambda message: faults.append(message.text))
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(page_file.as_uri())
    page.wait_for_function("document.documentElement.dataset.drawn === 'yes'")
    assert faults == []
    assert [url for url in asked if not url.startswith("data:")] == [page_file.as_uri()]
    assert page.locator("#curves svg.marks").count() > 0
    assert page.locator("[data-test-alone]").inner_text()
    assert "Never top up on a reading" in page.content()
    assert "verdict on one test" in page.title()
    assert page.locator("a[href$='index.html']").count() == 0
    wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert wide <= 0
    page.close()
