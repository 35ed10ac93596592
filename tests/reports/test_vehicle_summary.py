"""The summary of one vehicle, pinned to the digit; every input stands in `site_content`."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from site_content import make_content

from models.drift_tables import DRIFTS
from reports.ledger import open_ledger
from reports.settings import ReportSettings
from reports.vehicle import summarise_vehicle

NBSP = "\N{NO-BREAK SPACE}"
MINUS = "\N{MINUS SIGN}"
DASH = "\N{EN DASH}"


def summary_of(vehicle_id, content):
    return summarise_vehicle(vehicle_id, open_ledger(content), content.settings)


@pytest.fixture
def service():
    return summary_of("CAR-0002", make_content(6))


def test_a_finding_stands_once_with_its_tests_newest_first(service):
    told = [
        (finding.quantity, [seen.tested_on for seen in finding.sightings])
        for finding in service.findings
    ]
    # |z| 4.9 for subcooling, 4.0 for duct air; the last two tests are 60 days apart
    assert told == [
        ("subcooling at condenser outlet", ["2026-05-18", "2026-03-19"]),
        ("duct air temperature", ["2026-05-18", "2026-03-19"]),
    ]
    assert service.findings[0].direction == "lower than expected"
    assert service.findings[0].baseline == "41 cars of this model"


def test_every_evidence_row_is_seen_once():
    content = make_content(6)
    regimes = pl.when(pl.col("test_id").str.ends_with("2")).then(pl.lit("regulating"))
    mixed = content.evidence.with_columns(regime=regimes.otherwise("regime"))
    findings = summary_of("CAR-0002", replace(content, evidence=mixed)).findings
    # the same finding in two regimes is still one finding
    assert [len(finding.sightings) for finding in findings] == [2, 2]
    assert [seen.comparison.regime for seen in findings[0].sightings] == [
        "regulating", "at full output",
    ]  # fmt: skip


def test_an_evidence_row_to_the_digit(service):
    row = service.findings[1].sightings[0]
    assert row.comparison.observed == f"13.4{NBSP}°C"
    assert row.comparison.expected == f"8.2{NBSP}°C"
    assert row.comparison.difference == f"+5.2{NBSP}K"
    assert row.comparison.spread == f"1.3{NBSP}K"
    assert row.comparison.z_text == "+4.0"  # (13.4 - 8.2) / 1.3
    assert row.comparison.p_text == f"<0.1{NBSP}%"  # 0.0004
    assert row.comparison.q_text == f"1.2{NBSP}%"  # 0.0123
    assert row.comparison.baseline == "41 cars of this model"
    assert row.comparison.pooling == "model"
    assert row.stretches == f"2:05{DASH}4:10"  # 125 s to 250 s


def test_the_latest_test_and_its_events(service):
    assert service.latest is not None
    assert service.latest.tested_at == "2026-05-18 09:30 UTC"
    first = service.latest.events[0]
    assert (first.clock, first.words, first.source) == (
        "2:00", "condenser fan up by 40 points", "from the logged command",
    )  # fmt: skip
    assert first.effect == f"high side {MINUS}1.60{NBSP}bar, low side +0.03{NBSP}bar"
    assert service.latest.events[1].effect == ""  # what is not known is not told
    assert len(service.latest.comparisons) == 3


def test_what_could_not_be_assessed_says_why(service):
    told = {(item.subject, item.reason) for item in service.unassessed}
    assert service.missing == ("a clamp on the rear suction line", "a longer steady window")
    assert (
        "superheat at rear evaporator outlet (at full output)",
        "not logged, or its samples were not trustworthy",
    ) in told


def test_a_refused_column_of_the_latest_log_is_told_with_its_hint():
    items = summary_of("CAR-0001", make_content(2)).unassessed
    assert any(
        item.subject == "column LP [psi]" and item.hint == "write psig or psia in the profile"
        for item in items
    )


def test_history_band_and_order(service):
    subcooling = service.history[0]
    assert subcooling.quantity == "subcooling at condenser outlet"
    assert [point.tested_at[:10] for point in subcooling.points] == [
        "2026-01-18", "2026-03-19", "2026-05-18",
    ]  # fmt: skip
    assert [point.is_finding for point in subcooling.points] == [False, True, True]
    # 97.5 % point of the normal distribution, 1.96 (any printed table): 6.0 -+ 1.96 * 1.0
    assert (subcooling.points[0].band_low, subcooling.points[0].band_high) == (4.0, 8.0)


def test_the_band_of_a_rate_stops_at_zero():
    content = make_content(6)
    rates = content.residuals.with_columns(
        feature=pl.lit("fan_events_per_min"), expected=0.1, spread=1.0
    )
    panel = summary_of("CAR-0002", replace(content, residuals=rates)).history[0]
    # 0.1 - 1.96 * 1.0 is below nothing; 0.1 + 1.96 * 1.0 = 2.06
    assert (panel.points[0].band_low, panel.points[0].band_high) == (0.0, 2.06)


def test_history_is_limited_by_the_setting():
    settings = ReportSettings(history_charts=1)
    content = make_content(6, settings=settings)
    assert len(summary_of("CAR-0002", content).history) == 1


def test_repairs_are_told_in_words(service):
    (repair,) = service.repairs
    assert (repair.performed_on, repair.words, repair.shop) == (
        "2026-03-03", "leak repair condenser", "north",
    )  # fmt: skip


def test_units_follow_the_settings():
    settings = ReportSettings(pressure_unit="psi", temperature_unit="degF")
    row = summary_of("CAR-0002", make_content(6, settings=settings)).findings[1].sightings[0]
    row = row.comparison
    # 13.4 degC = 56.12 degF, 5.2 K = 9.36 degF
    assert row.observed == f"56.1{NBSP}°F"
    assert row.difference == f"+9.4{NBSP}°F"


def test_a_vehicle_that_was_never_tested():
    content = make_content(1)
    gone = {
        name: getattr(content, name).clear()
        for name in ("context", "residuals", "windows", "events", "trust", "evidence", "repairs")
    }
    states = content.states.with_columns(
        pl.lit(None, dtype=pl.String).alias("latest_test_id"),
        pl.lit(None, dtype=pl.Datetime("us", "UTC")).alias("latest_tested_at"),
        pl.lit(0, dtype=pl.Int32).alias("n_tests"),
    )
    summary = summary_of("CAR-0000", replace(content, states=states, **gone))
    assert summary.latest is None
    assert summary.tested_on == "never"
    assert (summary.history, summary.findings, summary.repairs) == ((), (), ())


def test_a_baseline_from_other_models_says_so():
    content = make_content(6)
    pooled = content.evidence.with_columns(pooling_level=pl.lit("architecture"))
    summary = summary_of("CAR-0002", replace(content, evidence=pooled))
    assert summary.findings[0].baseline == "41 cars with a like circuit, other models too"


def test_quantities_that_could_not_be_judged_stand_together_by_regime():
    content = make_content(1)
    unknown = pl.lit(None, dtype=pl.Float64)
    cycling = content.residuals.filter(pl.col("test_id").str.ends_with("2")).with_columns(
        regime=pl.lit("cycling"), reason_code=pl.lit("outside_range_seen"), observed=unknown
    )
    _, item = summary_of("CAR-0000", replace(content, residuals=cycling)).unassessed
    assert item.subject == (
        "subcooling at condenser outlet, duct air temperature, high-side pressure, "
        "superheat at rear evaporator outlet (cycling)"
    )


def test_every_state_says_what_to_do():
    content = make_content(6)
    steps = {summary_of(f"CAR-{number:04d}", content).next_step for number in range(6)}
    assert len(steps) == 6
    assert all(step.endswith(".") for step in steps)


def test_names_that_people_gave_stay_as_they_are():
    content = make_content(1)
    named = content.context.with_columns(instrument_id=pl.lit("inst_a"))
    latest = summary_of("CAR-0000", replace(content, context=named)).latest
    assert latest is not None
    facts = dict(latest.facts)
    assert facts["instrument"] == "inst_a"
    assert facts["expansion device"] == "thermostatic expansion valve"


def test_a_test_without_a_window_says_why_in_units_of_the_page():
    settings = ReportSettings(temperature_unit="degF")
    latest = summary_of("CAR-0003", make_content(6, settings=settings)).latest
    assert latest is not None
    assert latest.stretches == ()
    # 1.8 K are 3.24 degrees Fahrenheit
    assert [(one.code, one.channel, one.sentence) for one in latest.unread] == [
        (
            "never_settled", "evaporator_outlet_c",
            f"never settled: the suction line drifts by 3.24{NBSP}°F/min (1.8 allowed)",
        )
    ]  # fmt: skip


def test_swings_and_a_single_duct_sensor_are_told():
    content = make_content(6)
    latest = summary_of("CAR-0001", content).latest
    assert latest is not None
    assert [stretch.kind for stretch in latest.stretches] == ["in regular swings without switching"]
    swings, duct = latest.notes
    assert swings.startswith("Read over whole swings:")
    assert "hunts" in swings
    assert duct.startswith("Duct air is from the left sensor alone:")
    others = [summary_of(f"CAR-000{number}", content).latest for number in (0, 2, 3)]
    assert [other.notes for other in others if other is not None] == [(), (), ()]


def test_remarks_on_the_latest_log_are_told():
    content = make_content(6)
    (remark,) = summary_of("CAR-0002", content).latest.remarks
    assert remark.column == "<i>Notes</i>"
    assert remark.hint == (
        "List it in \N{LEFT DOUBLE QUOTATION MARK}ignore\N{RIGHT DOUBLE QUOTATION MARK}."
    )
    assert summary_of("CAR-0001", content).latest.remarks == ()


def drifting(*rows):
    at = datetime(2027, 8, 1, tzinfo=UTC)
    listed = [
        {"vehicle_id": "CAR-0002", "feature": feature, "regime": regime, "outlook_code": code,
         "leaves_band_at": at + timedelta(days=days), "sentence": sentence}
        for feature, regime, code, days, sentence in rows
    ]  # fmt: skip
    frame = pl.DataFrame(listed, schema={name: DRIFTS.schema[name] for name in listed[0]})
    return replace(make_content(6), drifts=DRIFTS.conform(frame))


def test_a_drift_stands_once_per_quantity_nearest_first_and_in_display_units():
    fall = "subcooling falls 1.8 K a year (0.9 K to 2.6 K), likely out of band by August 2027"
    content = drifting(
        ("condenser_outlet_subcooling_k", "saturated", "dated", 0, fall),
        ("condenser_outlet_subcooling_k", "cycling", "dated", 50, "the same later"),
        ("duct_air_c", "saturated", "dated", -9, "duct air rises 2.0 K a year"),
        ("low_side_kpa", "saturated", "no_trend", -20, "no drift"),
    )
    told = summary_of("CAR-0002", content).drifts
    assert told == ("Duct air rises 2.0 K a year.", f"S{fall[1:]}.")
    us = replace(content, settings=ReportSettings(temperature_unit="degF"))
    # 1.8, 0.9 and 2.6 K are 3.24, 1.62 and 4.68 degF
    assert (
        f"3.2{NBSP}°F a year (1.6{NBSP}°F to 4.7{NBSP}°F)" in summary_of("CAR-0002", us).drifts[1]
    )


def test_how_a_state_is_handled_is_told(service):
    assert service.handling == ""
    content = make_content(6)
    said = pl.lit("Snoozed by bay 3 on 1 June 2026 until 1 July 2026.").alias("handling")
    handled = replace(content, states=content.states.with_columns(said))
    assert summary_of("CAR-0002", handled).handling.startswith("Snoozed by bay 3")
