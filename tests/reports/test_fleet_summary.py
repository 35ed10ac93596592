"""The index page's summary, pinned to the digit; every input stands in `site_content`."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest
from site_content import HOSTILE_VEHICLE, make_content

from reports.content import SiteContent
from reports.fleet import summarise_fleet
from reports.settings import ReportSettings

NBSP = "\N{NO-BREAK SPACE}"
MINUS = "\N{MINUS SIGN}"


def test_what_asks_for_action_comes_first():
    summary = summarise_fleet(make_content(12))
    # the six states by turns over twelve cars: two of each, in the order of action
    assert [row.state for row in summary.rows] == [
        "service", "service", "retest", "retest", "watch", "watch",
        "silent", "silent", "no verdict", "no verdict", "in band", "in band",
    ]  # fmt: skip
    assert [row.vehicle_id for row in summary.rows[:2]] == ["CAR-0002", "CAR-0008"]


def test_within_a_state_the_larger_deviation_comes_first():
    content = make_content(12)
    larger = content.states.with_columns(
        worst_z=pl.when(vehicle_id=pl.lit("CAR-0008")).then(-7.5).otherwise("worst_z")
    )
    summary = summarise_fleet(replace(content, states=larger))
    assert [row.vehicle_id for row in summary.rows[:2]] == ["CAR-0008", "CAR-0002"]


def test_counts_and_headline():
    summary = summarise_fleet(make_content(8))
    # eight cars over six states by turns: the first two states of the turn have two
    counts = {count.state: count.n_vehicles for count in summary.counts}
    assert counts == {
        "service": 1, "retest": 1, "watch": 2, "silent": 1, "no verdict": 1, "in band": 2,
    }  # fmt: skip
    assert summary.headline == (
        "1 car to book in, 1 to test again, 2 to watch, 1 not tested for long, "
        "1 cannot be judged, 2 in band"
    )
    assert (summary.weekday, summary.as_of) == ("Monday", "2026-06-01")


def test_a_row_to_the_digit():
    row = next(r for r in summarise_fleet(make_content(3)).rows if r.state == "service")
    # subcooling: 1.1 observed, 6.0 expected, spread 1.0: (1.1 - 6.0) / 1.0 = -4.9;
    # duct air (13.4 - 8.2) / 1.3 = +4.0 deviates less and is the one "more"
    assert row.leading is not None
    assert row.leading.quantity == "subcooling at condenser outlet"
    assert row.leading.direction == "lower than expected"
    assert row.leading.observed == f"1.1{NBSP}K"
    assert row.leading.expected == f"6.0{NBSP}K"
    assert row.leading.difference == f"{MINUS}4.9{NBSP}K"
    assert row.leading.z == -4.9
    assert row.leading.q_text == f"1.2{NBSP}%"
    assert row.leading.baseline == "41 cars of this model"
    assert row.n_more == 1
    assert row.n_tests == 3
    assert row.detail == (
        f"Also duct air temperature +5.2{NBSP}K. Seen in the tests of 2026-05-18 and 2026-03-19."
    )


def test_a_row_says_where_the_latest_test_does_not_show_the_finding():
    content = make_content(3)
    earlier = content.evidence.filter(pl.col("test_id") != f"{2:08x}{2:08x}")
    row = next(
        row
        for row in summarise_fleet(replace(content, evidence=earlier)).rows
        if row.state == "service"
    )
    # one test makes for service only if it lies far outside
    assert row.detail.endswith("Far outside in the test of 2026-03-19, not in the latest one.")


def test_what_the_reason_adds_to_the_finding_stays():
    content = make_content(3)
    cautious = content.states.with_columns(
        reason=pl.lit("Duct air 4.9 K warmer. All of it rests on one sensor, 64 kPa off.")
    )
    row = next(
        row
        for row in summarise_fleet(replace(content, states=cautious)).rows
        if row.state == "service"
    )
    assert row.detail.endswith(f"All of it rests on one sensor, 0.64{NBSP}bar off.")


def test_a_row_without_a_finding_shows_its_reason_in_units_of_the_page():
    settings = ReportSettings(pressure_unit="psi", temperature_unit="degF")
    content = make_content(4, settings=settings)
    told = content.states.with_columns(reason=pl.lit("Low side 64 kPa and duct 5.0 K off."))
    rows = summarise_fleet(replace(content, states=told)).rows
    # 64 / 6.894757 = 9.28; 5.0 * 1.8 = 9.0
    assert {row.detail for row in rows if row.state == "in band"} == {
        f"Low side 9.3{NBSP}psi and duct 9.0{NBSP}°F off."
    }


def test_only_a_retest_says_what_it_would_take():
    wanted = {row.state: row.wanted for row in summarise_fleet(make_content(6)).rows}
    assert wanted.pop("retest") == "a clamp on the rear suction line; a longer steady window"
    assert set(wanted.values()) == {""}


def test_a_car_without_findings_has_no_leading_one():
    row = next(r for r in summarise_fleet(make_content(1)).rows if r.state == "in band")
    assert row.leading is None
    assert row.n_more == 0


def test_an_empty_fleet_says_so():
    summary = summarise_fleet(make_content(0))
    assert summary.rows == ()
    assert summary.headline == "no vehicle is registered yet"


def test_row_order_of_the_frames_does_not_matter():
    content = make_content(12, hostile=True)
    shuffled = replace(
        content,
        states=content.states.reverse(),
        evidence=content.evidence.reverse(),
        rejected=content.rejected.reverse(),
    )
    assert summarise_fleet(shuffled) == summarise_fleet(content)


def test_hostile_names_pass_through_the_summary_unchanged():
    names = [row.vehicle_id for row in summarise_fleet(make_content(1, hostile=True)).rows]
    assert HOSTILE_VEHICLE in names  # escaping is the page's work, once


def test_an_unknown_state_is_an_error():
    content = make_content(1)
    odd = content.states.with_columns(state=pl.lit("splendid"))
    with pytest.raises(ValueError, match="no state is called 'splendid'; expected one of service"):
        summarise_fleet(replace(content, states=odd))


def test_a_frame_without_a_needed_column_is_refused_by_name():
    content = make_content(1)
    fields = {name: getattr(content, name) for name in SiteContent.__dataclass_fields__}
    fields["states"] = content.states.drop("reason", "worst_z")
    with pytest.raises(ValueError, match=r"states lacks reason; states lacks worst_z.*rebuild"):
        SiteContent(**fields)
