"""The scorecard as text for a terminal, and as plain records for JSON.

Takes a `Scorecard`. Does not belong here: arithmetic (`score_fleet`), what the tables say
(`fleet_score_words`).
"""

from __future__ import annotations

import math
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any

from pipeline.fleet_score_measures import measures
from pipeline.fleet_score_words import intro, parts
from pipeline.shares import Share
from pipeline.text_tables import text_table

if TYPE_CHECKING:
    from pipeline.score_fleet import Scorecard
    from reports.claim_page import Part


def fleet_text(score: Scorecard) -> str:
    """The whole scorecard as text."""
    figures = [(each.words, each.figure, each.asked, each.answer) for each in measures(score)]
    head = ("figure", "found", "asked", "")
    told = ("\n".join(intro(score)), text_table(head, figures))
    return "\n\n".join((*told, *(_part_text(part) for part in parts(score))))


def fleet_record(score: Scorecard) -> dict[str, Any]:
    """The whole scorecard as plain records, with the figures that are asked for."""
    record: dict[str, Any] = _plain(score)
    asked = [_plain(each) for each in measures(score)]
    return record | {"car_months": score.car_months.as_record(), "measures": asked}


def _part_text(part: Part) -> str:
    return "\n".join((f"{part.title}.", *part.sentences, text_table(part.head, part.rows)))


def _plain(value: Any) -> Any:
    """Records as dictionaries, shares with their interval, no number that JSON lacks."""
    if isinstance(value, Share):
        return value.as_record()
    if is_dataclass(value):
        return {each.name: _plain(getattr(value, each.name)) for each in fields(value)}
    if isinstance(value, dict):
        return {name: _plain(each) for name, each in value.items()}
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
