"""Explain, the causes: what a car fits best, with evidence both ways and what to measure next.

Takes rows of the table `causes` of one vehicle, gives lines. Does not belong here: any
judgement (`models.causes`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.text_lines import wrapped
from reports.retelling import in_display_units

if TYPE_CHECKING:
    from collections.abc import Iterator

    import polars as pl

    from reports.settings import ReportSettings


def cause_lines(causes: pl.DataFrame, settings: ReportSettings) -> Iterator[str]:
    """The paragraph, then each cause with its evidence; nothing where none was looked for."""
    if causes.is_empty():
        return
    yield ""
    yield "What it may come from"
    rows = list(causes.sort("cause_rank").iter_rows(named=True))
    yield from wrapped(in_display_units(rows[0]["sentence"] or "", settings), "  ")
    for row in rows:
        told = "not told apart" if row["is_in_set"] else "fits less"
        told = "named" if row["is_named"] else told
        yield from wrapped(
            f"{row['cause_rank']}. {row['cause']} ({told}; weight {row['fit_share']:.2f}, "
            f"before the measurements {row['prior_share']:.2f})",
            "  ",
        )
        for side, words in (("for", row["evidence_for"]), ("against", row["evidence_against"])):
            if words:
                yield from wrapped(f"{side}: {in_display_units(words, settings)}", "    ")
