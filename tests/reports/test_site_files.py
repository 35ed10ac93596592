"""The written site: the same bytes, only changes, nothing of others touched, nothing live."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest
from site_content import HOSTILE_VEHICLE, make_content, make_samples

from reports.cautions import CAUTIONS, INDICATION
from reports.display import file_stem
from reports.pages import CONTENT_POLICY, script_json
from reports.site import write_site

VEHICLE_PAGE_BYTES = 400_000
INDEX_BYTES_PER_VEHICLE = 1_500


class PageText(HTMLParser):
    """Elements, attributes and script bodies of a page, as a browser would take them."""

    def __init__(self, text):
        super().__init__()
        self.elements = []
        self.scripts = []
        self.ids = []
        self._in_script = False
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self.ids += [value for name, value in attrs if name == "id"]
        self._in_script = tag == "script"
        if self._in_script:
            self.scripts.append("")

    def handle_endtag(self, tag):  # noqa: ARG002 - the name is the parser's
        self._in_script = False

    def handle_data(self, data):
        if self._in_script:
            self.scripts[-1] += data


def files_of(folder):
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def pages_of(folder):
    return {name: data.decode() for name, data in files_of(folder).items() if ".html" in name}


@pytest.fixture(scope="module")
def hostile_site(tmp_path_factory):
    folder = tmp_path_factory.mktemp("site")
    write_site(make_content(6, hostile=True), folder)
    return folder


def test_a_second_run_writes_nothing(tmp_path):
    first = write_site(make_content(6), tmp_path)
    assert (first.n_pages_written, first.n_pages_unchanged) == (7, 0)
    stamps = {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")}
    second = write_site(make_content(6), tmp_path)
    assert (second.n_pages_written, second.n_pages_unchanged) == (0, 7)
    assert {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")} == stamps


def test_row_order_of_the_frames_does_not_change_a_byte(tmp_path):
    content = make_content(6, hostile=True)
    frames = ("states", "evidence", "residuals", "windows", "events", "trust", "context", "repairs")
    backwards = {name: getattr(content, name).reverse() for name in frames}
    write_site(content, tmp_path / "one")
    write_site(replace(content, **backwards), tmp_path / "two")
    assert files_of(tmp_path / "one") == files_of(tmp_path / "two")


@pytest.mark.parametrize("threads", ["1", "8"])
def test_threads_and_hash_seed_do_not_change_a_byte(tmp_path, hostile_site, threads):
    code = (
        "import sys; from pathlib import Path; from site_content import make_content;"
        "from reports.site import write_site;"
        "write_site(make_content(6, hostile=True), Path(sys.argv[1]))"
    )
    environment = os.environ | {
        "POLARS_MAX_THREADS": threads,
        "PYTHONHASHSEED": threads,
        "PYTHONPATH": str(Path(__file__).parent),
    }
    subprocess.run([sys.executable, "-c", code, tmp_path], env=environment, check=True)
    assert files_of(tmp_path) == files_of(hostile_site)


def test_one_changed_vehicle_rewrites_its_page_and_the_index_only(tmp_path):
    content = make_content(6)
    write_site(content, tmp_path)
    before = files_of(tmp_path)
    changed = content.states.with_columns(
        reason=pl.when(vehicle_id=pl.lit("CAR-0003")).then(pl.lit("new")).otherwise("reason")
    )
    result = write_site(replace(content, states=changed), tmp_path)
    after = files_of(tmp_path)
    stem = f"vehicles/{file_stem('CAR-0003')}"
    assert {name for name in after if after[name] != before[name]} == {
        "index.html", "index.json", "manifest.json", f"{stem}.html", f"{stem}.json",
    }  # fmt: skip
    assert result.n_pages_written == 2


def test_pages_of_vanished_vehicles_go_and_foreign_files_stay(tmp_path):
    write_site(make_content(6), tmp_path)
    foreign = tmp_path / "vehicles" / "my-notes.html"
    foreign.write_text("mine")
    result = write_site(make_content(4), tmp_path)
    left = {path.name for path in (tmp_path / "vehicles").iterdir()}
    assert result.n_files_removed == 4  # page and twin of two cars
    assert len(left) == 4 * 2 + 1
    assert foreign.read_text() == "mine"


def test_a_tampered_manifest_removes_nothing_outside_the_pages(tmp_path):
    site = tmp_path / "site"
    write_site(make_content(1), site)
    victim = tmp_path / "victim.html"
    victim.write_text("precious")
    names = ["../victim.html", "vehicles/../../victim.html", "index.html", str(victim)]
    (site / "manifest.json").write_text(json.dumps(names))
    result = write_site(make_content(1), site)
    assert result.n_files_removed == 0
    assert victim.read_text() == "precious"


@pytest.mark.parametrize("text", ["", "not json", "{}", "[1, null]"])
def test_a_damaged_manifest_is_no_error(tmp_path, text):
    write_site(make_content(1), tmp_path)
    (tmp_path / "manifest.json").write_text(text)
    assert write_site(make_content(1), tmp_path).n_files_removed == 0


def test_hostile_names_stay_text(hostile_site):
    for name, text in pages_of(hostile_site).items():
        page = PageText(text)
        tags = {tag for tag, _ in page.elements}
        assert "img" not in tags, name
        handlers = [key for _, attrs in page.elements for key in attrs if key.startswith("on")]
        assert handlers == [], name
        assert len(page.scripts) == text.count("</script>"), name


def test_no_template_runs_inside_a_name(hostile_site):
    assert "{{ 7*7 }}" in (hostile_site / "index.html").read_text()


def test_hostile_words_reach_the_charts_as_data(hostile_site):
    page = hostile_site / "vehicles" / f"{file_stem(HOSTILE_VEHICLE)}.html"
    drawing = json.loads(PageText(page.read_text()).scripts[-1])
    words = drawing["history"][0]["repairs"][0]["words"]
    assert words == "leak repair condenser</script><script>alert(3)</script>"


def test_the_hostile_vehicle_is_there_and_linked(hostile_site):
    page = PageText((hostile_site / "index.html").read_text())
    links = [attrs["href"] for tag, attrs in page.elements if tag == "a"]
    target = f"vehicles/{file_stem(HOSTILE_VEHICLE)}.html"
    assert target in links
    assert (hostile_site / target).is_file()


def test_every_link_of_every_page_leads_somewhere(hostile_site):
    pages = {name: PageText(text) for name, text in pages_of(hostile_site).items()}
    for name, page in pages.items():
        for tag, attrs in page.elements:
            address = attrs.get("href") or attrs.get("src") or ""
            if not address or address.startswith("data:"):
                continue
            target, _, anchor = address.partition("#")
            path = (hostile_site / name).parent / target if target else hostile_site / name
            assert path.resolve().is_file(), (name, tag, address)
            if anchor:
                found = pages[str(path.resolve().relative_to(hostile_site.resolve()))].ids
                assert anchor in found, (name, address)


def test_no_page_has_a_script_or_style_of_its_own_or_a_foreign_address(hostile_site):
    for name, text in pages_of(hostile_site).items():
        for tag, attrs in PageText(text).elements:
            assert tag != "style", name
            assert "style" not in attrs, (name, tag)
            if tag == "script":
                assert "src" in attrs or attrs.get("type") == "application/json", name
        assert "://" not in text, name


def test_the_policy_forbids_inline_scripts_and_evaluation(hostile_site):
    assert "unsafe" not in CONTENT_POLICY
    for text in pages_of(hostile_site).values():
        policies = [
            attrs["content"]
            for tag, attrs in PageText(text).elements
            if tag == "meta" and attrs.get("http-equiv") == "Content-Security-Policy"
        ]
        assert policies == [CONTENT_POLICY]


def test_ids_are_unique_on_a_page(hostile_site):
    for name, text in pages_of(hostile_site).items():
        ids = PageText(text).ids
        assert len(ids) == len(set(ids)), name


def test_every_page_carries_every_caution(hostile_site):
    for name, text in pages_of(hostile_site).items():
        assert INDICATION in text, name
        for caution in CAUTIONS:
            assert caution.text in text, (name, caution.subject)


def test_cautions_cover_the_hazards_of_the_trade():
    # the hazards a refrigerant circuit brings, and the law: 40 CFR 82 subpart B,
    # Regulation (EC) 307/2008
    told = " ".join(f"{caution.subject} {caution.text}" for caution in CAUTIONS)
    for word in (
        "30 bar", "flammable", "HF", "freezes", "120 °C", "belts", "High voltage", "licensed",
        "40 CFR 82", "307/2008", "local rules", "compressed air", "R-744", "eye protection",
    ):  # fmt: skip
        assert word in told, word
    assert "Never top up" in INDICATION


def test_data_inside_a_script_element_cannot_leave_it():
    text = str(script_json({"a": "</script><!--&\u2028"}))
    assert not set("<>&\u2028") & set(text)
    assert json.loads(text) == {"a": "</script><!--&\u2028"}


def test_the_twin_says_what_the_page_says(hostile_site):
    told = json.loads((hostile_site / "index.json").read_text())
    page = (hostile_site / "index.html").read_text()
    assert [row["state"] for row in told["rows"]][:2] == ["service", "service"]
    assert told["headline"][1:] in page
    stem = file_stem("CAR-0002")
    vehicle = json.loads((hostile_site / "vehicles" / f"{stem}.json").read_text())
    assert vehicle["findings"][0]["sightings"][0]["comparison"]["z"] == -4.9


def test_missing_data_never_reads_as_healthy(hostile_site):
    for car, is_healthy in (("CAR-0000", True), ("CAR-0003", False), ("CAR-0004", False)):
        text = (hostile_site / "vehicles" / f"{file_stem(car)}.html").read_text()
        assert ("Nothing that could be compared lies out of band." in text) is is_healthy
        assert ("That does not make it a healthy car" in text) is not is_healthy


def test_an_empty_fleet_has_a_page_that_says_what_to_do(tmp_path):
    result = write_site(make_content(0), tmp_path)
    assert result.n_pages_written == 1
    assert "registry/vehicles.csv" in (tmp_path / "index.html").read_text()


def test_pages_tell_how_the_latest_test_was_read(hostile_site):
    retest, watch, hostile = (
        (hostile_site / "vehicles" / f"{file_stem(car)}.html").read_text()
        for car in ("CAR-0003", "CAR-0001", HOSTILE_VEHICLE)
    )
    nbsp = "\N{NO-BREAK SPACE}"
    assert f"the suction line drifts by 1.8{nbsp}K/min (1 allowed)" in retest
    assert '<p>None: <a href="#unassessed">why</a>.</p>' in retest
    assert "data-test-unread" not in watch
    assert watch.count("data-test-note") == 2
    assert "1 remark on the log of the latest test" in hostile
    assert "column &lt;i&gt;Notes&lt;/i&gt;" in hostile
    assert "<i>Notes" not in hostile
    twin = json.loads((hostile_site / "vehicles" / f"{file_stem('CAR-0003')}.json").read_text())
    assert twin["latest"]["unread"][0]["code"] == "never_settled"


def test_the_list_is_sorted_by_the_deviation_it_shows(hostile_site):
    page = PageText((hostile_site / "index.html").read_text())
    rows = [attrs for tag, attrs in page.elements if tag == "tr" and "data-s" in attrs]
    # duct air leads: (13.4 - 8.2) / 1.3 = 4.0, though the worst deviation is 4.9
    shown = {row["data-s"]: row.get("data-z") for row in rows}
    assert (shown["service"], shown["watch"], shown["in-band"]) == ("4.0", "4.0", None)
    assert "+4.0&nbsp;spreads" in (hostile_site / "index.html").read_text()


def test_a_test_without_stored_samples_says_so(tmp_path):
    nothing = make_samples("t", rows=0)
    write_site(make_content(1, samples=lambda _: nothing), tmp_path)
    page = (tmp_path / "vehicles" / f"{file_stem('CAR-0000')}.html").read_text()
    assert "No samples of this test are stored" in page


def test_a_page_stays_small_with_many_channels_and_a_long_log(tmp_path):
    def long_log(test_id):
        samples = make_samples(test_id, rows=14_400)  # four hours at 1 Hz
        return samples.with_columns(
            duct_air_c=pl.col("duct_left_c"), duct_rear_c=pl.col("duct_left_c") + 0.7,
            condenser_mid_c=pl.col("condenser_outlet_c") + 3.3,
            rear_evaporator_outlet_c=pl.col("evaporator_outlet_c") + 0.9,
            underhood_air_c=pl.col("ambient_air_c") + 21.1, coolant_c=pl.lit(91.3),
            compressor_rpm=pl.col("engine_rpm") * 1.31, cabin_air_c=pl.col("intake_air_c") - 2.2,
        )  # fmt: skip

    write_site(make_content(3, samples=long_log), tmp_path)
    sizes = [path.stat().st_size for path in (tmp_path / "vehicles").glob("*.html")]
    assert max(sizes) <= VEHICLE_PAGE_BYTES


def test_the_index_of_many_vehicles_stays_small(tmp_path):
    nothing = make_samples("t", rows=0)
    write_site(make_content(300, samples=lambda _: nothing), tmp_path)
    assert (tmp_path / "index.html").stat().st_size <= 300 * INDEX_BYTES_PER_VEHICLE


def test_progress_is_told_by_vehicle(tmp_path):
    steps = []
    nothing = make_samples("t", rows=0)
    write_site(make_content(120, samples=lambda _: nothing), tmp_path, advance=steps.append)
    assert sum(steps) == 120
    assert len(steps) > 1


def test_a_car_in_service_says_what_it_fits_best_in_display_units(hostile_site):
    content = make_content(6, hostile=True)
    (car,) = content.causes["vehicle_id"].head(1)
    page = (hostile_site / "vehicles" / f"{file_stem(car)}.html").read_text()
    assert "data-test-causes>It fits best: refrigerant short" in page
    healthy = (hostile_site / "vehicles" / f"{file_stem('CAR-0000')}.html").read_text()
    assert "data-test-causes" not in healthy
