"""The index page's summary, pinned to the digit; every input stands in `site_content`."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest
from site_content import HOSTILE_VEHICLE, make_content

from reports.content import SiteContent
from reports.fleet import RefusedLog, summarise_fleet

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
    assert row.leading.q_text == "0.012"
    assert row.leading.baseline == "41 cars of this model"
    assert row.n_more == 1
    assert row.n_tests == 3


def test_a_car_without_findings_has_no_leading_one():
    row = next(r for r in summarise_fleet(make_content(1)).rows if r.state == "in band")
    assert row.leading is None
    assert row.n_more == 0


def test_refused_logs_and_columns_are_told_apart():
    summary = summarise_fleet(make_content(2))
    assert summary.refused_logs == (
        RefusedLog(
            path="site/<b>broken</b>.csv",
            column="",
            sentence="the file has no header line",
            place="line 1",
            hint="export the log again with column names",
        ),
    )
    assert [log.column for log in summary.refused_columns] == ["LP [psi]"]
    # three tests a car, one broken file
    assert (summary.n_stored_logs, summary.n_refused_logs) == (6, 1)


def test_trust_is_counted_by_test():
    # every seventh of 3 * 5 tests: the 1st, 8th and 15th
    summary = summarise_fleet(make_content(5))
    assert [(rule.n_tests, rule.n_channels) for rule in summary.trust] == [(3, 1)]


def test_a_rule_that_set_nothing_aside_is_not_counted():
    content = make_content(5)
    none = content.trust.with_columns(distrusted_share=pl.lit(0.0))
    assert summarise_fleet(replace(content, trust=none)).trust == ()


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
