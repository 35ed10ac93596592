"""A verdict in lines for the terminal: what the test says, why, what it cannot say, what next.

Takes a `Verdict`, gives text; the same rows stand behind its page (`verdict_page`). Does not
belong here: any judgement, and printing.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Any

import polars as pl

from features.channels import channels_in
from models.instrument_offsets import offsets_of_tests
from pipeline.check_outlook import log_lines, outlook_of, trusted_names
from pipeline.text_lines import wrapped
from reports.cautions import CAUTIONS, INDICATION
from reports.display import date_text, moment_text
from reports.findings import read_comparison
from reports.retelling import in_display_units
from reports.wording import quantity_words, reason_words, regime_words, state_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.verdict import Verdict

NOTHING_STORED = "Nothing was stored: put the log under logs/ and run `chillroster run` for that."
_ALONE = {
    "in_band": "in band: nothing that could be compared is a finding.",
    "finding": "a finding, which a second test is to confirm.",
    "far_beyond": "far beyond what healthy cars show, which needs no second test.",
    "not_assessable": "it cannot tell: neither cleared nor suspect.",
}


def verdict_lines(verdict: Verdict) -> list[str]:
    """The verdict from top to bottom."""
    return [
        *_opening(verdict),
        *_findings(verdict),
        *_story(verdict),
        *_unread(verdict),
        *_unjudged(verdict),
        *_set_aside(verdict),
        *_instruments(verdict),
        *_objections(verdict),
        *_next(verdict),
        *_cautions(verdict),
        "",
        NOTHING_STORED,
    ]


def alone_words(verdict: Verdict) -> str:
    """What this test says by itself, whatever came before."""
    return _ALONE[verdict.assessment["verdict_code"]]


def compared_words(verdict: Verdict) -> str:
    """What the test was compared with, how old that is, and when it is renewed."""
    tests = "1 test" if verdict.n_tests == 1 else f"{verdict.n_tests} tests"
    when = date_text(verdict.fitted_at, verdict.settings.report)
    if verdict.version is None:
        return (
            f"Compared with {tests} stored until {when}; program or settings have changed since, "
            "so that the next run fits the baselines anew."
        )
    anew = date_text(verdict.next_fit_at, verdict.settings.report)
    return (
        f"Compared with version {verdict.version} of the baselines, fitted to {tests} on {when}; "
        f"due to be fitted anew from {anew} on."
    )


def next_lines(verdict: Verdict) -> list[str]:
    """What would make the judgement fuller: at the test, and the sensor that would buy most."""
    missing = verdict.state["missing"]
    return [*([f"For a fuller judgement: {missing}."] if missing else []), *_open_sides(verdict)]


def _open_sides(verdict: Verdict) -> list[str]:
    samples, row = verdict.rows.tables["samples"], verdict.asked.planned.context
    logged = [c for c in channels_in(samples) if samples[c].is_not_null().any()]
    names = trusted_names(logged, verdict.rows.tables["trust"], row)
    found = outlook_of(names, row)
    # the first line tells what the log can be judged by, as the findings do
    return list(log_lines(found))[1:] if found.open_sides else []


def unjudged_lines(verdict: Verdict) -> list[str]:
    """What could not be judged, the same reasons together."""
    rows = verdict.of_test("residuals").filter(pl.col("reason_code").is_not_null())
    subjects: dict[str, list[str]] = defaultdict(list)
    for row in rows.sort("feature", "regime").iter_rows(named=True):
        subject = f"{quantity_words(row['feature'])} ({regime_words(row['regime'])})"
        subjects[reason_words(row["reason_code"])].append(subject)
    return [f"{reason}: {', '.join(subjects[reason])}." for reason in sorted(subjects)]


def _opening(verdict: Verdict) -> Iterator[str]:
    """The car, what the test says alone, and what the car then is with its other tests."""
    settings, state = verdict.settings.report, verdict.state
    context = verdict.asked.planned.context
    yield f"{verdict.vehicle_id} ({context['model_id']}), {context['log_path']}"
    yield f"  Tested {moment_text(context['started_at'], settings)}"
    yield from wrapped(f"This test alone: {alone_words(verdict)}", "  ")
    yield from _told(verdict.assessment["reason"], verdict)
    n_earlier = verdict.context.height - 1
    if n_earlier:
        tests = "its other test" if n_earlier == 1 else f"its {n_earlier} other tests"
        yield f"  With {tests} the car is: {state['state']}"
    else:
        yield f"  The car has no other test; it is: {state['state']}"
    yield from _told(state["reason"], verdict)
    yield from wrapped(f"What this state means: {state_words(state['state']).meaning}", "  ")
    yield from wrapped(compared_words(verdict), "  ")


def _told(sentence: str | None, verdict: Verdict, indent: str = "    ") -> list[str]:
    return wrapped(in_display_units(sentence or "", verdict.settings.report), indent)


def _findings(verdict: Verdict) -> Iterator[str]:
    rows = findings_of(verdict)
    if not rows:
        return
    yield ""
    yield "What is out of band in this test"
    for row in rows:
        line = read_comparison(row, verdict.settings.report)
        yield from wrapped(
            f"{line.quantity}, {line.regime}: {line.direction}. Observed {line.observed}, "
            f"expected {line.expected}, difference {line.difference}, spread {line.spread} with "
            f"sensors; {line.z_text} spreads, p {line.p_text}, {line.chance}; compared with "
            f"{line.baseline}.",
            "  ",
        )


def findings_of(verdict: Verdict) -> list[dict[str, Any]]:
    """The findings of this test, the largest first."""
    rows = verdict.of_test("residuals").filter(pl.col("finding_code").is_not_null())
    return rows.sort(pl.col("z").abs(), "feature", "regime", descending=True).to_dicts()


def _story(verdict: Verdict) -> Iterator[str]:
    for sentence in verdict.rows.tables["stories"]["sentence"].drop_nulls():
        yield from _titled("What happened in this test", _told(sentence, verdict, "  "))


def _unread(verdict: Verdict) -> Iterator[str]:
    sentences = verdict.rows.tables["unread"]["sentence"]
    lines = [line for one in sentences for line in _told(f"{one}.", verdict, "  ")]
    yield from _titled("This test has no window to read", lines)


def _unjudged(verdict: Verdict) -> Iterator[str]:
    lines = [line for one in unjudged_lines(verdict) for line in wrapped(one, "  ")]
    yield from _titled("What could not be judged", lines)


def _set_aside(verdict: Verdict) -> Iterator[str]:
    trust = verdict.rows.tables["trust"].filter(pl.col("distrusted_share") > 0)
    lines = []
    for row in trust.sort("channel", "rule_code").iter_rows(named=True):
        share = f"{quantity_words(row['channel'])}, {row['distrusted_share']:.0%} of the samples"
        lines += _told(f"{share}: {row['sentence']}", verdict, "  ")
    yield from _titled("Not trusted, and not used", lines)


def _instruments(verdict: Verdict) -> Iterator[str]:
    context = verdict.rows.tables["context"]
    offsets = offsets_of_tests(verdict.assessed.instrument_offsets, context)
    lines = []
    for row in offsets.sort("instrument_id", "channel").iter_rows(named=True):
        lines += _told(f"{row['instrument_id']}: {row['sentence']}", verdict, "  ")
    yield from _titled("The instrument reads off on every car", lines)


def _objections(verdict: Verdict) -> Iterator[str]:
    for title, frame in (
        ("Refused of this log", verdict.rows.refusals),
        ("Not used of this log, or read with a remark", verdict.rows.notices),
    ):
        lines = []
        for row in frame.iter_rows(named=True):
            column = f"column {row['column_name']}: " if row["column_name"] else ""
            lines += wrapped(f"{column}{row['sentence']} {row['hint'] or ''}", "  ")
        yield from _titled(title, lines)


def _next(verdict: Verdict) -> Iterator[str]:
    lines = wrapped(state_words(verdict.state["state"]).next_step, "  ")
    lines += [line for one in next_lines(verdict) for line in wrapped(one, "  ")]
    yield from _titled("What next", lines)


def _cautions(verdict: Verdict) -> Iterator[str]:
    """The indication always; the hazards where something calls for work at the car."""
    yield ""
    yield from wrapped(INDICATION, "")
    if verdict.assessment["verdict_code"] == "in_band":
        return
    for caution in CAUTIONS:
        yield from wrapped(f"{caution.subject}: {caution.text}", "  ")


def _titled(title: str, lines: list[str]) -> Iterator[str]:
    if lines:
        yield ""
        yield title
        yield from lines
