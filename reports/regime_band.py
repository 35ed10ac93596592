"""The control regimes of a test as a band along its time axis, in words.

Takes rows of the table `regimes` of one test, gives frozen `RegimeSpan` records. Does not
belong here: telling regimes (`features.regimes`), drawing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.display import clock_text
from reports.retelling import in_display_units
from reports.wording import regime_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.ledger import Row
    from reports.settings import ReportSettings

NOT_TOLD = "control state not known"


@dataclass(frozen=True)
class RegimeSpan:
    """A span of a test in one control regime; `sentence` says what it was told by."""

    start_s: float
    end_s: float
    span: str
    words: str
    sentence: str


def read_regimes(rows: Sequence[Row], settings: ReportSettings) -> tuple[RegimeSpan, ...]:
    """The spans in order of time; neighbours told by different things are one span."""
    spans: list[RegimeSpan] = []
    for row in sorted(rows, key=lambda row: row["span_number"]):
        words = regime_words(row["regime"]) or NOT_TOLD
        start_s, end_s = row["start_s"], row["end_s"]
        sentence = in_display_units(row["sentence"] or "", settings)
        if spans and spans[-1].words == words:
            start_s, sentence = spans[-1].start_s, spans.pop().sentence
        spans.append(RegimeSpan(start_s, end_s, _span(start_s, end_s), words, sentence))
    return tuple(spans)


def _span(start_s: float, end_s: float) -> str:
    return f"{clock_text(start_s)}\N{EN DASH}{clock_text(end_s)}"
