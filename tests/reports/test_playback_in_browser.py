"""Play back of a test in Chromium: reading line, brush, units, regimes, marks, hatching."""

from __future__ import annotations

import re
from dataclasses import replace

import polars as pl
import pytest
from page_visits import ARTEFACTS, DISTRUSTED, IN_BAND, SERVICE, address_of, samples_of
from site_content import make_content

from reports.display import file_stem
from reports.site import write_site

pytestmark = pytest.mark.browser


def drag(page, figure, first, second):
    """Drag across a chart from one share of its width to another."""
    plot = page.locator(f'[data-figure="{figure}"]')
    plot.scroll_into_view_if_needed()
    box = page.locator(f'[data-figure="{figure}"] svg g.root path.background').first.bounding_box()
    height = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + first * box["width"], height)
    page.mouse.down()
    page.mouse.move(box["x"] + (first + second) / 2 * box["width"], height, steps=3)
    page.mouse.move(box["x"] + second * box["width"], height)
    brushed = page.locator(".brushed:visible").count()
    page.mouse.up()
    return brushed


def drawn_again(page):
    page.wait_for_function("document.documentElement.dataset.drawn === 'yes'")


def minute_labels(page, figure):
    """The labels under a chart, of its axis of time."""
    labels = page.locator(f"#{figure} .role-axis-label").first.locator("text")
    return labels.all_text_contents()


def test_one_brush_shows_the_same_stretch_in_every_chart(visit, site):
    page = visit(address_of(site, SERVICE))
    # from a fifth to two fifths of 14:59: 3:00 to 6:00
    assert drag(page, "suction", 0.2, 0.4) == 8
    told = page.locator("#shown-stretch").inner_text()
    assert re.fullmatch(r"(2:59|3:00|3:01) to (5:59|6:00|6:01) of 14:59", told)
    labels = {figure: minute_labels(page, figure) for figure in ("high-side", "commands")}
    assert labels["high-side"] == labels["commands"]
    assert {"4", "5"} <= set(labels["commands"])
    assert "8" not in labels["commands"]
    page.screenshot(path=ARTEFACTS / "brushed-1280.png")
    page.locator("[data-figure=suction]").dblclick(position={"x": 300, "y": 40})
    assert page.locator("#shown-stretch").inner_text() == "Whole test, 14:59"
    assert "8" in minute_labels(page, "commands")


def test_the_brush_works_from_the_keyboard(visit, site):
    page = visit(address_of(site, SERVICE))
    page.locator("[data-figure=liquid]").focus()
    for _ in range(3):
        page.keyboard.press("PageUp")  # twenty readings, 1 Hz: 1:00
    for _ in range(6):
        page.keyboard.press("Shift+PageUp")
    assert page.locator(".brushed:visible").count() == 8
    page.keyboard.press("Enter")
    assert page.locator("#shown-stretch").inner_text() == "1:00 to 3:00 of 14:59"
    page.keyboard.press("Escape")
    assert page.locator("#shown-stretch").inner_text() == "Whole test, 14:59"
    page.keyboard.press("+")
    assert re.match("3:4[45] to 11:1[45]", page.locator("#shown-stretch").inner_text())


def test_buttons_and_the_list_of_stretches_move_all_charts(visit, site):
    page = visit(address_of(site, SERVICE))
    page.get_by_role("button", name="look closer").click()
    page.get_by_role("button", name="later").click()
    assert re.match("7:[23]. to 14:59", page.locator("#shown-stretch").inner_text())
    # the stretch that was judged runs from 2:05 to 4:10, with a tenth of it on both sides
    page.get_by_label("Go to").select_option(label="judged 2:05\N{EN DASH}4:10, at full output")
    assert re.match("1:5[23] to 4:2[23]", page.locator("#shown-stretch").inner_text())
    page.get_by_role("button", name="whole test").click()
    assert page.locator("#shown-stretch").inner_text() == "Whole test, 14:59"


def test_a_stretch_and_units_can_be_sent_as_a_link(visit, site):
    page = visit(address_of(site, SERVICE) + "#liquid&from=120&to=300&pressure=psi")
    assert page.locator("#shown-stretch").inner_text() == "2:00 to 5:00 of 14:59"
    assert page.locator("#high-side h3 .unit").inner_text() == "psi"
    assert -2 <= page.locator("#liquid").bounding_box()["y"] <= 450
    page.get_by_role("button", name="whole test").click()
    assert page.evaluate("location.hash") == "#liquid&pressure=psi"


@pytest.mark.parametrize("hash_", ["#from=x&to=9", "#from=9&to=2", "#pressure=<b>&temperature=%zz"])
def test_a_broken_link_shows_the_page_all_the_same(visit, site, hash_):
    page = visit(address_of(site, SERVICE) + hash_)
    assert page.locator("#suction .mark-line path").count() == 3


def test_units_change_in_charts_tables_and_at_the_reading_line(visit, site):
    page = visit(address_of(site, SERVICE))
    page.locator("#low-side summary").click()
    first = page.locator("#low-side tbody td").first
    assert first.inner_text() == "3.20"
    page.locator("select[data-unit=pressure]").select_option("psi")
    page.locator("select[data-unit=temperature]").select_option("degF")
    drawn_again(page)
    # 1 psi is 6.894757 kPa (NIST SP 811): 320 kPa are 46.4 psi
    assert first.inner_text() == "46.4"
    assert page.locator("#low-side summary").inner_text().endswith("in psi")
    levels = page.locator("#low-side .role-axis-label text").all_text_contents()
    assert {"45", "40", "50"} & set(levels)
    # 16.0 + 0.5 sin(0) degC is 60.8 degF
    page.locator("#suction").scroll_into_view_if_needed()
    page.locator("#suction [role=slider]").focus()
    page.keyboard.press("Home")
    values = page.locator("#suction .keys .value").all_inner_texts()
    assert values[2] == "60.8"
    # 8.0 degC over the dew point at 320 kPa, 2.5 degC: 5.5 K or 9.9 degF of difference
    assert re.fullmatch(r"(9\.[5-9]|10\.[0-3]) °F", values[3])
    again = visit(page.url)
    assert again.locator("select[data-unit=pressure]").input_value() == "psi"
    page.locator("select[data-unit=pressure]").select_option("bar")
    drawn_again(page)
    assert first.inner_text() == "3.20"


def test_regimes_stand_in_words_and_lead_to_their_stretch(visit, site):
    page = visit(address_of(site, SERVICE))
    spans = page.locator(".regimes button")
    assert spans.all_inner_texts() == ["pull-down", "at full output"]
    lane, plot = (
        page.locator(place).first.bounding_box()
        for place in (".regimes button", "#high-side svg g.root path.background")
    )
    assert abs(lane["x"] - plot["x"]) < 2  # one axis of time for band and charts
    spans.first.focus()
    assert page.locator("#told").inner_text() == "0:00 to 2:00 pull-down: the duct air still falls"
    page.keyboard.press("Enter")
    assert page.locator("#shown-stretch").inner_text() == "0:00 to 2:00 of 14:59"


def test_an_event_mark_tells_what_happened(visit, site):
    page = visit(address_of(site, SERVICE))
    marks = page.locator(".marks button:visible")
    assert marks.count() == 7
    marks.first.focus()
    told = page.locator("#told").inner_text()
    assert told.startswith("2:00 condenser fan up by 40 points: high side \N{MINUS SIGN}1.60")
    assert told.endswith("(from the logged command)")
    marks.nth(1).hover()
    assert page.locator("#told").inner_text().startswith("4:00 condenser fan down")


def test_what_is_not_trusted_is_hatched_with_its_rule(visit, tmp_path):
    content = make_content(2, samples=samples_of)
    every = content.context.select("test_id")
    trust = pl.concat([every.join(content.trust.head(1).drop("test_id"), how="cross")])
    write_site(replace(content, trust=trust.select(content.trust.columns)), tmp_path)
    page = visit(address_of(tmp_path, DISTRUSTED))
    hatched = page.locator('#liquid path[fill="url(#hatching)"]')
    assert hatched.count() == 1
    # set aside from 10:00 on: the last third of 14:59
    plot = page.locator("#liquid svg g.root path.background").first.bounding_box()
    share = hatched.bounding_box()["width"] / plot["width"]
    assert 0.31 < share < 0.35
    note = page.locator("#liquid .doubt").inner_text()
    assert note == (
        "Hatched: liquid line at condenser outlet 10:00\N{EN DASH}14:59: "
        "111 of 900 readings out of range"
    )
    page.locator("[data-figure=liquid]").focus()
    page.keyboard.press("End")
    told = page.locator("#told").inner_text()
    assert "not trusted: 111 of 900 readings out of range" in told


def test_distrusted_readings_are_crossed(visit, site):
    page = visit(address_of(site, DISTRUSTED))
    assert page.locator("#liquid .mark-text text", has_text="\N{MULTIPLICATION SIGN}").count() > 10
    whole = visit(address_of(site, IN_BAND))
    assert whole.locator("#liquid .mark-text text", has_text="\N{MULTIPLICATION SIGN}").count() == 0


def test_the_reading_line_reads_all_charts(visit, site):
    page = visit(address_of(site, SERVICE))
    plot = page.locator('[data-figure="low-side"]')
    plot.focus()
    page.keyboard.press("End")
    page.keyboard.press("Home")
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    # three seconds in: 320 + 8 sin(3/17) = 321.4 kPa; the fan at 40 %
    assert plot.get_attribute("aria-valuetext") == "0:03: low-side pressure 3.21"
    values = page.locator("#commands .keys .value").all_inner_texts()
    assert values == ["40"]
    # 8.0 + 0.7 sin(3/23) over the dew point of R-134a at 321.4 kPa, 2.6 degC by the
    # printed table (between 292.8 kPa at 0 degC and 349.7 kPa at 5 degC)
    superheat = page.locator("#suction .keys li").last.locator(".value").inner_text()
    assert re.fullmatch(r"5\.[3-7] K", superheat)


def test_the_reading_line_follows_the_pointer(visit, site):
    page = visit(address_of(site, SERVICE))
    chart = page.locator('[data-figure="low-side"] svg')
    chart.scroll_into_view_if_needed()
    box = chart.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 40)
    assert page.locator(".reading.on").count() == 8
    page.mouse.move(5, 5)
    assert page.locator(".reading.on").count() == 0


def test_a_car_that_switches_all_the_time_has_no_heap_of_marks(visit, tmp_path):
    content = make_content(1)
    often = pl.concat([content.events.with_columns(time_s=pl.col("time_s") + 9 * n)
                       for n in range(7)])  # fmt: skip
    write_site(replace(content, events=often), tmp_path)
    page = visit(address_of(tmp_path, f"vehicles/{file_stem('CAR-0000')}.html"))
    marks = page.locator(".marks button:visible")
    assert marks.count() == 0
    # 7 events, 7 times
    assert page.locator("#crowded").inner_text().startswith("49 events in this stretch")
    # the first two minutes before the second fan step: seven at 2:00, 2:09 ... 2:54
    page.evaluate("chillrosterPage.look(110, 180)")
    assert marks.count() == 7
    assert not page.locator("#crowded").is_visible()
