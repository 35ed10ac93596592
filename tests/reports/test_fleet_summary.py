"""The index page's summary, pinned to the digit; every input stands in `site_content`."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from site_content import HOSTILE_VEHICLE, make_content

from models.assessments import NO_WINDOW, NOT_ASSESSABLE
from models.history import History, PastTest, Repair
from models.settings import AssessmentSettings
from models.states import LatestTest, state_of
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


def test_what_people_decided_is_told_and_stands_last_within_its_state():
    content = make_content(12)
    assert summarise_fleet(content).handled == ""
    is_first = pl.col("vehicle_id") == "CAR-0002"
    handled = content.states.with_columns(
        handling_code=pl.when(is_first).then(pl.lit("acknowledged")),
        handling=pl.when(is_first).then(pl.lit("Acknowledged by bay 3 on 1 June 2026: known.")),
    )
    summary = summarise_fleet(replace(content, states=handled))
    assert [row.vehicle_id for row in summary.rows[:2]] == ["CAR-0008", "CAR-0002"]
    assert summary.rows[1].state == "service"
    assert summary.rows[1].handled.startswith("Acknowledged by bay 3")
    assert summary.handled == "1 acknowledged"
    reopened = handled.with_columns(pl.col("handling_code").replace("acknowledged", "reopened"))
    summary = summarise_fleet(replace(content, states=reopened))
    # one that grew worse asks for action like any other
    assert [row.vehicle_id for row in summary.rows[:2]] == ["CAR-0002", "CAR-0008"]
    assert summary.handled == "1 grown worse since it was acknowledged"


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
    # duct air: (13.4 - 8.2) / 1.3 = +4.0; subcooling deviates more, (1.1 - 6.0) / 1.0 = -4.9,
    # but warm vents are plainer: it is the one "more"
    assert row.leading is not None
    assert row.leading.quantity == "duct air temperature"
    assert row.leading.direction == "higher than expected"
    assert row.leading.observed == f"13.4{NBSP}°C"
    assert row.leading.expected == f"8.2{NBSP}°C"
    assert row.leading.difference == f"+5.2{NBSP}K"
    assert (row.leading.z, row.leading.z_text) == (4.0, "+4.0")
    assert row.leading.q_text == f"1.2{NBSP}%"
    assert row.leading.baseline == "41 cars of this model"
    assert row.n_more == 1
    assert row.n_tests == 3
    assert row.detail == (
        f"Also subcooling at condenser outlet {MINUS}4.9{NBSP}K. "
        "Seen in the tests of 2026-05-18 and 2026-03-19."
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


def reason_without_a_window(*, is_tested_since_repair):
    """The reason that `models` gives a car whose last test had no window; before it, a finding."""
    at = datetime(2026, 5, 1, tzinfo=UTC)
    found = {"feature": "duct_air_c", "finding_code": "duct_air_warm", "z": 4.0}
    sizes = {"observed": 13.4, "expected": 8.2, "regime": "saturated"}
    earlier = PastTest("t1", at, "finding", "", None, None, (found | sizes,))
    last = PastTest("t2", at + timedelta(days=9), NOT_ASSESSABLE, NO_WINDOW, None, None, ())
    repair = None if is_tested_since_repair else Repair("r1", at + timedelta(days=20))
    history = History("CAR-0003", "Model A", (earlier, last), repair)
    latest = LatestTest((), frozenset(), (), None)
    state = state_of(history, latest, AssessmentSettings(), at + timedelta(days=30))
    assert state.name == "retest"
    return state.reason


@pytest.mark.parametrize(
    ("is_tested_since_repair", "begins"),
    [
        (
            True,
            f"Could not be read: suction line never settled: drifted by 1.8{NBSP}K/min, limit 1. ",
        ),
        (False, "Repaired on 21 May 2026 and not tested since"),
    ],
)
def test_a_retest_row_says_why_the_test_could_not_be_read(is_tested_since_repair, begins):
    content = make_content(6)
    reason = reason_without_a_window(is_tested_since_repair=is_tested_since_repair)
    states = content.states.with_columns(reason=pl.lit(reason))
    row = next(
        row
        for row in summarise_fleet(replace(content, states=states)).rows
        if row.state == "retest"
    )
    assert row.detail.startswith(begins)
    # what an earlier test found is not lost with the sentence that is replaced
    assert ("On 1 May 2026: duct air 5.2 K warmer" in row.detail) == is_tested_since_repair
    assert row.reason == reason
    assert row.unread.startswith("suction line never settled")


def test_a_retest_row_keeps_its_reason_where_nothing_more_is_known():
    content = make_content(6)
    states = content.states.with_columns(reason=pl.lit("The test of 1 May 2026 cannot tell: x."))
    known = replace(content, states=states, unread=content.unread.clear())
    row = next(row for row in summarise_fleet(known).rows if row.state == "retest")
    assert (row.detail, row.unread) == ("The test of 1 May 2026 cannot tell: x.", "")
