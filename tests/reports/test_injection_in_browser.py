"""Hostile text in every field that a shop, a logger or a person fills: shown, never run.

Chromium opens every page: no script of the text's own runs, nothing is requested, nothing
asked, and no element or attribute stands in the page that the templates do not write.
"""

from __future__ import annotations

import json
import sys
from dataclasses import fields, replace
from itertools import count

import polars as pl
import pytest
from payloads import payloads
from site_content import make_content, make_samples

from pipeline.progress import Silence
from pipeline.report import write_report
from reports.display import file_stem
from reports.settings import ReportSettings
from reports.site import write_site
from tests.pipeline.shop import CLOCK, open_shop
from tests.pipeline.shop import test_row as registry_row

pytestmark = pytest.mark.browser

IN_SHORT = 25
# columns whose text comes from outside and that other frames name rows by
_KEYS = {"vehicle_id", "test_id", "log_path", "path"}
# columns whose text comes from outside, or may carry such text on
_TEXTS = {
    "reason", "missing", "sentence", "hint", "place", "column_name", "component", "shop_id",
    "repair_id", "site_id", "technician_id", "instrument_id", "protocol", "architecture",
    "complaint", "notes", "profile",
}  # fmt: skip

# every name of an attribute that runs script, and every element that could fetch or run
FOREIGN = """() => {
    const found = [];
    for (const element of document.querySelectorAll("*")) {
        for (const name of element.getAttributeNames()) {
            const value = element.getAttribute(name);
            if (/^on/i.test(name)) found.push(element.tagName + " " + name);
            if (/^\\s*javascript:/i.test(value) && name !== "data-words") {
                found.push(name + "=" + value);
            }
        }
        const source = element.getAttribute("src") || element.getAttribute("href") || "";
        if (/sentinel\\.invalid/.test(source)) found.push(source);
    }
    const never = "img,iframe,object,embed,base,form[action],video,audio,template,marquee,"
        + "plaintext,noscript,style,math,animate,input[autofocus],meta[http-equiv=refresh]";
    for (const element of document.querySelectorAll(never)) found.push(element.tagName);
    for (const script of document.scripts) {
        const isData = script.type === "application/json";
        if (!isData && !/assets\\/[a-z-]+\\.js$/.test(script.src)) found.push(script.outerHTML);
    }
    return found;
}"""


def poisoned(content, texts):
    """The content with hostile text in every field that comes from outside."""
    known: dict[str, str] = {}
    number = count()

    def key(value):
        if value is not None and value not in known:
            known[value] = f"{value} {texts[len(known) % len(texts)]}"
        return known.get(value)

    def text(value):
        return None if value is None else f"{value} {texts[next(number) % len(texts)]}"

    # vehicles first: each then bears another payload
    content.states["vehicle_id"].map_elements(key, return_dtype=pl.String)
    changed = {}
    for field in fields(content):
        frame = getattr(content, field.name)
        if not isinstance(frame, pl.DataFrame):
            continue
        for name, dtype in frame.schema.items():
            if dtype == pl.String and name in _KEYS | _TEXTS:
                turn = key if name in _KEYS else text
                values = [turn(value) for value in frame[name].to_list()]
                frame = frame.with_columns(pl.Series(name, values, pl.String))
        if {"vehicle_id", "model_id"} <= set(frame.columns):
            # a model of its own for each, so that every payload stands in one
            frame = frame.with_columns(model_id=pl.lit("Model ") + pl.col("vehicle_id"))
        changed[field.name] = frame
    return replace(content, **changed)


@pytest.mark.parametrize(
    "n_payloads", [IN_SHORT, pytest.param(100, marks=pytest.mark.slow)], ids=["short", "long"]
)
def test_no_text_of_any_field_runs(browser, tmp_path, n_payloads):
    texts = payloads()[:: max(1, len(payloads()) // n_payloads)][:n_payloads]
    assert len(set(texts)) == n_payloads
    settings = ReportSettings(title="Shop " + " ".join(texts))
    # short logs: the texts are what counts here
    plain = make_content(
        n_payloads, settings=settings, samples=lambda test_id: make_samples(test_id, rows=120)
    )
    content = poisoned(plain, texts)
    content = replace(content, code_version="0 " + texts[0])
    write_site(content, tmp_path)
    pages = sorted(tmp_path.rglob("*.html"))
    assert len(pages) == n_payloads + 1
    for twin in tmp_path.rglob("*.json"):
        json.loads(twin.read_text(encoding="utf-8"))
    faults = visit_all(browser, pages)
    assert faults == []
    sys.stdout.write(f"\n{n_payloads} payloads, {len(pages)} pages, {len(faults)} faults\n")


def visit_all(browser, pages):
    faults = []
    page = browser.new_page()
    page.add_init_script("window.ran = () => { window.hasRun = true; };")
    page.on("console", lambda message: faults.append(f"console: {message.text[:200]}"))
    page.on("pageerror", lambda error: faults.append(f"error: {str(error)[:200]}"))
    page.on("dialog", lambda dialog: (faults.append("dialog"), dialog.dismiss()))
    page.on(
        "request",
        lambda request: request.url.startswith(("file:", "data:")) or faults.append(request.url),
    )
    for path in pages:
        page.goto(path.as_uri())
        if path.parent.name == "vehicles":
            page.wait_for_function("document.documentElement.dataset.drawn === 'yes'")
        elif page.locator("#fleet").count():
            page.get_by_label("Search").fill("<img src=x onerror=ran()>")
        faults += [f"{path.name}: {one}" for one in page.evaluate(FOREIGN)]
        if page.evaluate("window.hasRun === true"):
            faults.append(f"{path.name}: a script ran")
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    page.close()
    return faults


def test_the_watch_sees_what_runs(browser, tmp_path):
    # the same watch over a page that does take its text for markup
    for number, text in enumerate(["<img src=x onerror=ran()>", "<script>alert(1)</script>"]):
        (tmp_path / f"{number}.html").write_text(f"<!doctype html><title>t</title>{text}")
    faults = visit_all(browser, sorted(tmp_path.glob("*.html")))
    assert any("a script ran" in fault for fault in faults)
    assert "dialog" in faults


def test_the_texts_are_shown_as_they_are(browser, tmp_path):
    texts = payloads()[:4]
    content = poisoned(make_content(4), texts)
    write_site(content, tmp_path)
    page = browser.new_page()
    for vehicle in content.states["vehicle_id"]:
        page.goto((tmp_path / "vehicles" / f"{file_stem(vehicle)}.html").as_uri())
        assert page.locator("h1").inner_text() == vehicle
    page.close()


def poison_registry(folder, texts):
    """Every free text of the tables with a payload; kept as Parquet, which holds any letter."""
    turn = count()

    def hostile(value):
        return f"{value} {texts[next(turn) % len(texts)]}"

    ids = {f"car{n:03d}": hostile(f"car{n:03d}") for n in range(3)}
    model = hostile("tolvanne_kombi")
    models = pl.read_csv(folder / "models.csv").with_columns(
        model_id=pl.lit(model), architecture=pl.lit(hostile("circuit"))
    )
    models.write_parquet(folder / "models.parquet")
    more = {name: [hostile(name) for _ in ids] for name in ("plant", "region", "fleet")}
    vehicles = {"vehicle_id": list(ids.values()), "model_id": [model] * len(ids), **more}
    pl.DataFrame(vehicles).write_parquet(folder / "vehicles.parquet")
    tests = pl.read_csv(folder / "tests.csv", infer_schema=False)
    free = ("test_id", "site_id", "technician_id", "protocol", "instrument_id")
    tests = tests.with_columns(
        pl.col("vehicle_id").replace_strict(ids),
        *(pl.Series(name, [hostile(name) for _ in range(tests.height)]) for name in free),
    )
    repair = hostile("repair")
    tests = tests.with_columns(repair_id=pl.Series([repair] + [None] * (tests.height - 1)))
    tests.write_parquet(folder / "tests.parquet")
    free = ("shop_id", "technician_id", "complaint", "component", "notes")
    pl.DataFrame(
        {
            "repair_id": [repair], "vehicle_id": tests["vehicle_id"][:1],
            "performed_at": ["2026-05-01 09:00"], "action": ["leak_repair"],
            **{name: [hostile(name)] for name in free},
        }
    ).write_parquet(folder / "repairs.parquet")  # fmt: skip
    for name in ("models", "vehicles", "tests"):
        (folder / f"{name}.csv").unlink()


def poisoned_shop(root, texts):
    """A shop with hostile text in registry, settings, profile, names of logs and their headers."""
    shop = open_shop(root, 0)
    title = json.dumps("Shop " + " ".join(texts), ensure_ascii=True)
    (root / "chillroster.toml").write_text(f"[report]\ntitle = {title}\n")
    names = []
    for number, text in enumerate(texts):
        plain = "".join(letter for letter in text if letter not in "/\\\0\n\r")
        names.append(f"bay {number} {plain[:80]}.csv")
        shop.write_log(names[-1], number, 300)
        if number % 3:
            log = shop.log(names[-1])
            name = text.replace('"', "'").replace("\n", " ").replace("\r", " ").replace("\0", " ")
            header = (f'"{name}"', "low_side_kpa", f'"Low side [{name}]"')[number % 3]
            log.write_text(log.read_text().replace("low_side_kpa", header, 1))
    rows = [registry_row(number, name) for number, name in enumerate(names)]
    shop.write_registry([row | {"vehicle_id": f"car{n % 3:03d}"} for n, row in enumerate(rows)], 3)
    # of one log the registry knows nothing
    shop.write_log(f"unknown {texts[0][:40].replace('/', ' ')}.csv", 99, 60)
    profiles = root / "profiles"
    profiles.mkdir()
    words = json.dumps(texts[0], ensure_ascii=True)
    (profiles / "own.toml").write_text(
        f'name = "own"\ndescription = {words}\n[recognise]\nfirst_line = {words}\n'
    )
    poison_registry(root / "registry", texts)
    return shop


@pytest.mark.parametrize(
    "n_payloads", [6, pytest.param(100, marks=pytest.mark.slow)], ids=["short", "long"]
)
def test_no_text_runs_that_came_the_whole_way(browser, tmp_path, n_payloads):
    texts = payloads()[:n_payloads]
    shop = poisoned_shop(tmp_path / "shop", texts)
    shop.update("run")
    write_report(shop.workspace, CLOCK, Silence())
    pages = sorted((shop.root / "site").rglob("*.html"))
    assert len(pages) == 4
    shown = (shop.root / "site" / "index.html").read_text(encoding="utf-8")
    assert "&lt;script&gt;" in shown
    assert visit_all(browser, pages) == []
