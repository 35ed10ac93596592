"""The stretches of a test that were judged, as people read them.

Takes rows of the table `windows` of one test, gives frozen `Stretch` records: windows
that follow each other without a gap are one stretch. Does not belong here: finding
windows (`features.windows`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from reports.display import clock_text
from reports.wording import CYCLE_WORDS, WINDOW_WORDS, plain_words, regime_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

_LARGEST_SEAM_S = 2.0  # windows of a 1 Hz log that touch lie a sample or two apart
_MOST_TOLD = 3


@dataclass(frozen=True)
class Stretch:
    """A stretch of a test whose readings were judged."""

    start_s: float
    end_s: float
    span: str
    kind: str
    regime: str
    cycle_code: str = ""


def read_stretches(windows: Iterable[Mapping[str, Any]]) -> tuple[Stretch, ...]:
    """The stretches in order of time; windows of one kind and regime that touch are joined."""
    joined: list[dict[str, Any]] = []
    for row in sorted(windows, key=lambda row: (row["start_s"], row["window_number"])):
        last = joined[-1] if joined else None
        if last is not None and _continues(last, row):
            last["end_s"] = max(last["end_s"], row["end_s"])
        else:
            joined.append(dict(row))
    return tuple(_stretch(row) for row in joined)


def _continues(last: Mapping[str, Any], row: Mapping[str, Any]) -> bool:
    is_alike = all(last[name] == row[name] for name in ("kind_code", "regime", "cycle_code"))
    return bool(is_alike and row["start_s"] - last["end_s"] <= _LARGEST_SEAM_S)


def _stretch(row: Mapping[str, Any]) -> Stretch:
    return Stretch(
        start_s=round(row["start_s"], 1),
        end_s=round(row["end_s"], 1),
        span=f"{clock_text(row['start_s'])}\N{EN DASH}{clock_text(row['end_s'])}",
        kind=_kind(row),
        regime=regime_words(row["regime"]),
        cycle_code=row["cycle_code"] or "",
    )


def _kind(row: Mapping[str, Any]) -> str:
    code = row["kind_code"]
    return CYCLE_WORDS.get(row["cycle_code"]) or WINDOW_WORDS.get(code) or plain_words(code)


def spans_text(stretches: Sequence[Stretch]) -> str:
    """The spans in one breath, "2:05-4:10, 5:00-6:00 and 4 more"."""
    spans = [stretch.span for stretch in stretches]
    more = len(spans) - _MOST_TOLD
    if more < 2:  # "and 1 more" is no shorter than the span
        return ", ".join(spans)
    return f"{', '.join(spans[:_MOST_TOLD])} and {more} more"
