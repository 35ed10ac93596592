"""The score of readings in words: tables for a terminal, and plain records for JSON.

Takes a `ReadingScore`, gives text. Does not belong here: any arithmetic (`score_readings`).
"""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from pipeline.text_tables import text_table

if TYPE_CHECKING:
    from pipeline.score_readings import ReadingScore, RegimeScore


def reading_text(score: ReadingScore) -> str:
    """The whole score as text."""
    order = score.order
    head = (
        f"Readings against the truth of {order.tests} simulated tests, seed {order.seed}, "
        f"{100 * order.without_commands:.0f} % of the logs without command channels. Shares with "
        "95 % interval."
    )
    return "\n\n".join(
        (head, _interval_table(score), _event_table(score), _regime_table(score))
    )  # fmt: skip


def reading_record(score: ReadingScore) -> dict[str, Any]:
    """The whole score as plain records."""
    return {
        "order": asdict(score.order),
        "intervals": [asdict(each) | {"held": each.held.as_record()} for each in score.intervals],
        "events": [
            asdict(each)
            | {"recall": each.recall.as_record(), "precision": each.precision.as_record()}
            for each in score.events
        ],
        "regimes": [asdict(each) | {"right": each.right.as_record()} for each in score.regimes],
    }


def _interval_table(score: ReadingScore) -> str:
    rows = [
        (
            each.feature,
            str(each.held.n_all),
            each.held.text,
            f"{each.median_error:.2f} K",
            f"{each.median_uncertainty:.2f} K",
        )
        for each in score.intervals
    ]
    head = ("feature", "read", "truth in 95 % interval", "median error", "uncertainty")
    return text_table(head, rows)


def _event_table(score: ReadingScore) -> str:
    rows = [
        (
            each.kind_code,
            "yes" if each.has_commands else "no",
            str(each.recall.n_all),
            each.recall.text,
            str(each.precision.n_all),
            each.precision.text,
            "-" if each.off_s is None else f"{each.off_s:.1f} s",
        )
        for each in score.events
    ]
    head = ("event, swing > 50 kPa", "commands", "true", "found", "told", "right", "median off")
    return text_table(head, rows)


def _regime_table(score: ReadingScore) -> str:
    rows = [
        (each.regime, _logs(each), str(each.right.n_all), each.right.text, _instead(each))
        for each in score.regimes
    ]
    return text_table(("true regime", "commands", "seconds", "told rightly", "else"), rows)


def _logs(each: RegimeScore) -> str:
    return "any" if each.has_commands is None else "yes" if each.has_commands else "no"


def _instead(each: RegimeScore) -> str:
    return ", ".join(f"{name} {count}" for name, count in list(each.told_instead.items())[:3])
