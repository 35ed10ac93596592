"""Pages are left alone when their inputs stand, and only then."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import polars as pl
import pytest
from site_content import CLOCK, make_content, make_samples

import reports.site
from reports.display import file_stem
from reports.settings import ReportSettings
from reports.site import write_site


class Reader:
    """Samples of tests, and for which tests they were asked."""

    def __init__(self):
        self.asked = []

    def __call__(self, test_id):
        self.asked.append(test_id)
        return make_samples(test_id)


def known_content(count=4, **options):
    """Content whose logs tell what their samples were made of."""
    content = make_content(count, **options)
    hashes = pl.when(outcome_code="stored").then(pl.lit("h1-") + pl.col("path"))
    return replace(content, logs=content.logs.with_columns(inputs_hash=hashes))


def files_of(folder):
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture
def written(tmp_path):
    """A folder with a site of four cars."""
    write_site(known_content(), tmp_path / "site")
    return tmp_path / "site"


def asked_again(folder, content_of, **options):
    """Tests whose samples a second writing reads; its site equals one made from nothing."""
    reader = Reader()
    content = content_of(known_content(samples=reader, **options))
    result = write_site(content, folder)
    asked = list(reader.asked)
    fresh = folder.with_name("fresh")
    write_site(content, fresh)
    assert files_of(folder) == files_of(fresh)
    return asked, result


LATEST = [f"{place:08x}{2:08x}" for place in range(4)]


def test_nothing_changed_nothing_is_made(written):
    asked, result = asked_again(written, lambda content: content)
    assert asked == []
    assert (result.n_pages_written, result.n_pages_unchanged) == (0, 5)


def test_without_a_hash_of_the_samples_every_page_is_made_anew(written):
    unknown = pl.lit(None, dtype=pl.String)
    asked, _ = asked_again(
        written,
        lambda content: replace(content, logs=content.logs.with_columns(inputs_hash=unknown)),
    )
    assert asked == LATEST


def with_frame(name, change):
    """A change of the rows that speak of the third car."""

    def changed(content):
        frame = getattr(content, name)
        is_third = (
            pl.col("vehicle_id") == "CAR-0002"
            if "vehicle_id" in frame.columns and name != "logs"
            else pl.col("test_id") == LATEST[2]
        )
        rows = frame.with_columns(
            pl.when(is_third).then(pl.lit(value)).otherwise(column).cast(frame[column].dtype)
            .alias(column)
            for column, value in change.items()
        )  # fmt: skip
        return replace(content, **{name: rows})

    return changed


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("states", {"reason": "another"}),
        ("evidence", {"observed": 0.5}),
        ("residuals", {"expected": 5.9}),
        ("repairs", {"component": "hose"}),
        ("context", {"refrigerant": "R1234yf"}),
        ("windows", {"end_s": 260.0}),
        ("windows", {"cycle_code": "fan"}),
        ("events", {"high_side_change_kpa": 1.0}),
        ("logs", {"inputs_hash": "h2"}),
    ],
)
def test_a_changed_row_makes_its_page_anew_and_no_other(written, name, change):
    asked, _ = asked_again(written, with_frame(name, change))
    assert asked == [LATEST[2]]


def test_a_row_that_comes_or_goes_makes_the_page_anew(written):
    asked, _ = asked_again(
        written,
        lambda content: replace(
            content, repairs=content.repairs.filter(pl.col("vehicle_id") != "CAR-0002")
        ),
    )
    assert asked == [LATEST[2]]


@pytest.mark.parametrize(
    ("name", "row"),
    [
        ("unread", {"test_id": LATEST[2], "reason_code": "never_ran", "sentence": "never ran"}),
        ("notices", {"path": "site/0002-2.csv", "code": "cut", "sentence": "cut off"}),
        ("features", {"test_id": LATEST[2], "duct_air_source": "duct_right_c"}),
    ],
)
def test_a_word_on_how_a_test_was_read_makes_its_page_anew(written, name, row):
    def with_row(content):
        frame = getattr(content, name)
        more = pl.concat(
            [frame, pl.DataFrame([row], schema_overrides=frame.schema)], how="diagonal"
        )
        return replace(content, **{name: more})

    asked, _ = asked_again(written, with_row)
    assert asked == [LATEST[2]]


@pytest.mark.parametrize("settings", [{"pressure_unit": "psi"}, {"title": "Other"}])
def test_settings_make_every_page_anew(written, settings):
    asked, _ = asked_again(written, lambda content: content, settings=ReportSettings(**settings))
    assert asked == LATEST


def test_another_version_makes_every_page_anew(written):
    asked, _ = asked_again(written, lambda content: replace(content, code_version="0.2.0"))
    assert asked == LATEST


def test_other_code_makes_every_page_anew(written, monkeypatch):
    monkeypatch.setattr("reports.inputs.code_hash", lambda: "other")
    asked, _ = asked_again(written, lambda content: content)
    assert asked == LATEST


def test_the_clock_is_no_input_of_a_vehicle_page(written):
    later = CLOCK + timedelta(days=1)
    asked, result = asked_again(written, lambda content: replace(content, clock=later))
    assert asked == []
    assert result.n_pages_written == 1  # the index tells the date


@pytest.mark.parametrize("ending", ["html", "json"])
@pytest.mark.parametrize("harm", ["cut short", "gone"])
def test_a_page_that_somebody_harmed_is_made_anew(written, ending, harm):
    victim = written / "vehicles" / f"{file_stem('CAR-0002')}.{ending}"
    victim.unlink() if harm == "gone" else victim.write_bytes(victim.read_bytes()[:100])
    asked, _ = asked_again(written, lambda content: content)
    assert asked == [LATEST[2]]


@pytest.mark.parametrize("text", ["", "[]", '{"vehicles/x.html": 3}', "not json"])
def test_a_damaged_manifest_vouches_for_nothing(written, text):
    (written / "manifest.json").write_text(text)
    asked, _ = asked_again(written, lambda content: content)
    assert asked == LATEST


def test_the_bundle_of_charting_code_is_left_alone_too(written, monkeypatch):
    def fail():
        raise AssertionError

    monkeypatch.setattr(reports.site, "charting_bundle", fail)
    result = write_site(known_content(), written)
    assert result.n_pages_written == 0
    assert (written / "assets" / "charting.js").stat().st_size > 100_000
