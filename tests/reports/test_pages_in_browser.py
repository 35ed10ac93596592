"""Every kind of page in Chromium: nothing on the console, nothing fetched, everything works.

Screenshots go to test-artefacts/ at the top of the repository (not tracked) for people to
look at. Without a Chromium binary the tests are skipped, except in continuous
integration (environment variable CI=true), where that is a failure.
"""

from __future__ import annotations

import functools
import http.server
import threading
from importlib import resources

import polars as pl
import pytest
from page_visits import (
    ARTEFACTS,
    DISTRUSTED,
    IN_BAND,
    NBSP,
    SERVICE,
    address_of,
    curve_paths,
    shown_vehicles,
)
from site_content import HOSTILE_VEHICLE, make_content, make_samples

from reports.display import file_stem
from reports.site import write_site

pytestmark = pytest.mark.browser

SCREENS = [(390, "light"), (1280, "light"), (1280, "dark")]


PAGES = {
    "index": "index.html",
    "service": SERVICE,
    "in-band": IN_BAND,
    "distrusted": DISTRUSTED,
    "hostile": f"vehicles/{file_stem(HOSTILE_VEHICLE)}.html",
}


@pytest.mark.parametrize(("width", "scheme"), SCREENS)
@pytest.mark.parametrize("kind", PAGES)
def test_every_page_at_every_width(visit, site, kind, width, scheme):
    page = visit(address_of(site, PAGES[kind]), width=width, scheme=scheme)
    ARTEFACTS.mkdir(exist_ok=True)
    page.screenshot(path=ARTEFACTS / f"{kind}-{width}-{scheme}.png", full_page=True)
    inner, scroll = page.evaluate("[innerWidth, document.documentElement.scrollWidth]")
    assert scroll <= inner  # nothing sticks out sideways
    assert page.locator(".cautions").is_visible()


def test_charts_are_drawn_with_their_points(visit, site):
    page = visit(address_of(site, SERVICE))
    paths = curve_paths(page)
    assert list(paths)[:8] == [
        "high-side", "low-side", "suction", "liquid", "air", "hot", "speeds", "commands",
    ]  # fmt: skip
    assert all(paths[key] for key in paths)
    assert len(paths["suction"]) == 3  # dew point, evaporator outlet, compressor suction
    assert paths["low-side"] == [900]  # as many points as the log has rows
    assert page.locator("#suction .mark-area path").count() == 1
    assert page.locator("#history-1 .mark-symbol path").count() == 3


def test_a_curve_stands_where_its_numbers_say(visit, site):
    # the axis is Vega's: read the fan's two levels back from the drawn path
    page = visit(address_of(site, SERVICE))
    heights = page.evaluate(
        """() => {
            const path = document.querySelector("#commands .mark-line path").getAttribute("d");
            const ys = Array.from(path.matchAll(/[ML][^,]+,([^LM]+)/g), (m) => Number(m[1]));
            return [Math.min(...ys), Math.max(...ys)];
        }"""
    )
    # 40 to 80 % on an axis of 10 to 110 %, widened to at least 100 points, 90 px high
    share = (heights[1] - heights[0]) / 90
    assert 0.25 < share < 0.45


def test_dark_mode_changes_the_curves_too(visit, site):
    colours = [
        visit(address_of(site, SERVICE), scheme=scheme).evaluate(
            "getComputedStyle(document.querySelector('#low-side .mark-line path')).stroke"
        )
        for scheme in ("light", "dark")
    ]
    assert colours == ["rgb(0, 103, 165)", "rgb(93, 180, 238)"]


def test_the_list_filters_by_state_model_and_text(visit, site):
    page = visit(address_of(site, "index.html"))
    assert len(shown_vehicles(page)) == 13
    page.locator("[data-test-count=retest]").click()
    assert shown_vehicles(page) == ["CAR-0003", "CAR-0009"]
    assert page.locator("[data-test-shown]").inner_text() == "2 of 13 vehicles"
    page.locator("[data-test-count=retest]").click()
    page.get_by_label("Model").select_option("Model B")
    assert shown_vehicles(page) == ["CAR-0001", "CAR-0007", "CAR-0004", "CAR-0010"]
    page.get_by_label("Search").fill("SUBCOOLING 0007")
    assert shown_vehicles(page) == ["CAR-0007"]
    page.get_by_label("Search").fill("nothing is called that")
    assert shown_vehicles(page) == []
    assert page.locator("[data-test-empty]").is_visible()
    page.get_by_role("button", name="Show all").click()
    assert len(shown_vehicles(page)) == 13


def test_the_list_sorts_from_the_keyboard(visit, site):
    page = visit(address_of(site, "index.html"))
    header = page.get_by_role("button", name="Vehicle", exact=True)
    header.focus()
    page.keyboard.press("Enter")
    assert shown_vehicles(page)[1:3] == ["CAR-0000", "CAR-0001"]
    assert page.locator("th[aria-sort]").get_attribute("aria-sort") == "ascending"
    page.keyboard.press("Enter")
    assert shown_vehicles(page)[0] == "CAR-0011"
    page.get_by_role("button", name="Against expected").click()
    assert shown_vehicles(page)[:3] == [HOSTILE_VEHICLE, "CAR-0002", "CAR-0008"]


def test_a_filtered_list_can_be_sent_as_a_link(visit, site):
    page = visit(address_of(site, "index.html"))
    page.locator("[data-test-count=watch]").click()
    page.get_by_role("button", name="Vehicle", exact=True).click()
    page.get_by_role("button", name="Vehicle", exact=True).click()
    again = visit(page.url)
    assert shown_vehicles(again) == ["CAR-0007", "CAR-0001"]


@pytest.mark.parametrize("anchor", ["#state=%3Cimg%3E&sort=%22]", "#text=%zz", "#&&=", "#model=x"])
def test_a_broken_link_shows_the_whole_list(visit, site, anchor):
    page = visit(address_of(site, "index.html") + anchor)
    assert len(shown_vehicles(page)) in (0, 13)
    assert page.locator("#fleet thead").count() == 1


def test_from_the_list_to_a_vehicle_and_back(visit, site):
    page = visit(address_of(site, "index.html"))
    page.get_by_role("link", name="CAR-0002").click()
    assert page.locator("h1").inner_text() == "CAR-0002"
    page.get_by_role("link", name="All vehicles").click()
    assert page.locator("#fleet").is_visible()


def test_a_deep_link_opens_on_its_chart(visit, site):
    page = visit(address_of(site, SERVICE) + "#liquid")
    box = page.locator("#liquid").bounding_box()
    assert -2 <= box["y"] <= 450


def test_numbers_stand_beside_every_chart(visit, site):
    page = visit(address_of(site, SERVICE))
    figures = page.locator("figure").count()
    assert page.locator("figure details.numbers table").count() == figures
    page.locator("#low-side summary").click()
    assert page.locator("#low-side tbody tr").first.inner_text().split() == ["0:00", "3.20"]


def test_the_site_works_from_a_server(visit, site):
    class Quiet(http.server.SimpleHTTPRequestHandler):
        def log_message(self, *_arguments):
            pass

    serve = functools.partial(Quiet, directory=site)
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), serve) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            root = f"http://127.0.0.1:{server.server_port}"
            page = visit(f"{root}/{SERVICE}")
            assert page.locator("#suction .mark-line path").count() == 3
            assert len(shown_vehicles(visit(f"{root}/index.html"))) == 13
        finally:
            server.shutdown()
            thread.join()


def test_an_empty_fleet_and_a_silent_channel(browser, tmp_path, visit):
    write_site(make_content(0), tmp_path / "empty")
    page = visit(address_of(tmp_path / "empty", "index.html"))
    assert page.locator(".empty").is_visible()

    def silent(test_id):
        return make_samples(test_id, silent=("high_side_kpa", "low_side_kpa", "duct_left_c"))

    write_site(make_content(1, samples=silent), tmp_path / "one")
    page = visit(address_of(tmp_path / "one", f"vehicles/{file_stem('CAR-0000')}.html"))
    assert "low-side" not in curve_paths(page)
    assert page.locator("#air .mark-line path").count() == 3


def test_print_keeps_state_reason_and_cautions(visit, site, tmp_path):
    page = visit(address_of(site, SERVICE))
    page.emulate_media(media="print")
    assert page.locator(".cautions").is_visible()
    assert page.locator("[data-test-reason]").is_visible()
    assert page.locator("#suction svg").first.is_visible()
    assert not page.locator("#low-side summary").is_visible()
    printed = ARTEFACTS / "service.pdf"
    page.pdf(path=printed, format="A4")
    assert printed.stat().st_size > 20_000


def test_on_paper_the_charts_are_as_wide_as_the_sheet_and_come_back(visit, site):
    page = visit(address_of(site, SERVICE))
    width = "Array.from(document.querySelectorAll('.plot svg'), (svg) => svg.clientWidth)"
    on_screen = page.evaluate(width)
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    page.wait_for_timeout(100)
    # A4 is 210 mm wide: less margins of 12 mm on both sides 186 mm, 703 px at 96 px to the inch
    assert max(page.evaluate(width)) <= 703
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    page.wait_for_timeout(100)
    assert page.evaluate(width) == on_screen


def test_a_standing_start_runs_off_the_low_side_and_is_said_so(visit, tmp_path):
    def started_late(test_id):
        standing = pl.col("time_s") < 60
        return make_samples(test_id).with_columns(
            low_side_kpa=pl.when(standing).then(750.0).otherwise("low_side_kpa"),
            high_side_kpa=pl.when(standing).then(750.0).otherwise("high_side_kpa"),
        )

    write_site(make_content(1, samples=started_late), tmp_path)
    page = visit(address_of(tmp_path, f"vehicles/{file_stem('CAR-0000')}.html"))
    # standing until 0:59 at 7.50 bar; running the low side stays within 3.12 to 3.28 bar
    told = page.locator("#low-side figcaption .note").inner_text()
    assert told == f"The start runs off this scale until 0:59: up to 7.50{NBSP}bar."
    ticks = page.locator("#low-side .role-axis-label text").all_inner_texts()
    assert "7" not in ticks
    clipped = "document.querySelector('#low-side .mark-line').closest('[clip-path]') !== null"
    assert page.evaluate(clipped)
    # the numbers tell the start all the same
    page.locator("#low-side summary").click()
    assert page.locator("#low-side tbody tr").first.inner_text().split() == ["0:00", "7.50"]


def test_the_way_to_the_refused_logs_keeps_the_choice(visit, site):
    page = visit(address_of(site, "index.html"))
    page.locator("[data-test-count=retest]").click()
    page.locator("[data-test-intake] a").click()
    assert page.locator("#data-quality").is_visible()
    assert shown_vehicles(page) == ["CAR-0003", "CAR-0009"]


def test_the_page_is_complete_without_scripts(browser, site):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(address_of(site, "index.html"))
    assert page.locator("#fleet tbody tr").count() == 13
    assert not page.locator("form.filters").is_visible()
    context.close()


def test_no_serious_finding_of_axe(visit, site):
    source = resources.files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8")
    for name in ("index.html", SERVICE):
        for scheme in ("light", "dark"):
            page = visit(address_of(site, name), scheme=scheme)
            page.evaluate(source)
            found = page.evaluate("axe.run({preload: false}).then((result) => result.violations)")
            told = [
                (fault["id"], fault["nodes"][0]["html"][:120])
                for fault in found
                if fault["impact"] in ("serious", "critical")
            ]
            assert told == [], (name, scheme)
