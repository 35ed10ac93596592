"""Pages in Chromium: a visit that notes what a page does that it should not, and where to go."""

from __future__ import annotations

from pathlib import Path

from site_content import make_samples

from reports.display import file_stem

NBSP = "\N{NO-BREAK SPACE}"
ARTEFACTS = Path(__file__).parents[2] / "test-artefacts"
SERVICE = f"vehicles/{file_stem('CAR-0002')}.html"
DISTRUSTED = f"vehicles/{file_stem('CAR-0001')}.html"
IN_BAND = f"vehicles/{file_stem('CAR-0000')}.html"


def samples_of(test_id):
    """One car with distrusted readings, the others whole."""
    return make_samples(test_id, stuck_at=600 if test_id.startswith("00000001") else None)


class Visit:
    """A page and what it did that it should not: messages, errors, requests."""

    def __init__(self, browser, width=1280, scheme="light"):
        size = {"width": width, "height": 900}
        self.page = browser.new_page(viewport=size, color_scheme=scheme)
        self.faults = []
        self.page.on("console", lambda message: self.faults.append(message.text))
        self.page.on("pageerror", lambda error: self.faults.append(str(error)))
        self.page.on("request", self._note)

    def _note(self, request):
        if not request.url.startswith(("file:", "data:", "http://127.0.0.1:")):
            self.faults.append(request.url)

    def open(self, address):
        self.page.goto(address)
        if "vehicles/" in address:
            self.page.wait_for_function("document.documentElement.dataset.drawn === 'yes'")
        return self.page


def address_of(site, name):
    return (site / name).as_uri()


def shown_vehicles(page):
    return page.locator("#fleet tbody tr:visible th").all_inner_texts()


def curve_paths(page):
    """The number of drawn points of every line on the page, by figure."""
    return page.evaluate(
        """() => Object.fromEntries(Array.from(document.querySelectorAll("figure"), (figure) => [
            figure.id,
            Array.from(figure.querySelectorAll(".mark-line path"), (path) =>
                (path.getAttribute("d") || "").split("L").length)
        ]))"""
    )
