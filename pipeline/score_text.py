"""The trust score in words: tables for a terminal or a page, and plain records for JSON.

Takes a `TrustScore`, gives text. Does not belong here: any arithmetic (`score_trust`).
"""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from pipeline.text_tables import text_table

if TYPE_CHECKING:
    from pipeline.score_trust import MoveScore, TrustScore

NO_RULE = "no rule"
_MISHAP_HEAD = ("mishap", "rule", "affected", "caught", "told by any rule")


def score_text(score: TrustScore) -> str:
    """The whole score as text."""
    parts = (
        _head(score),
        text_table(
            ("mishap", "rule", "affected", "caught", "told by any rule"), _mishap_rows(score)
        ),
        text_table(("rule", "affected", "caught", "raised on clean logs"), _rule_rows(score)),
        _together_text(score),
        _moves_text(score.moves),
        _exempt_text(score),
    )
    return "\n\n".join(part for part in parts if part)


def score_record(score: TrustScore) -> dict[str, Any]:
    """The whole score as plain records."""
    return {
        "size": asdict(score.size),
        "mishaps": [
            {
                "mishap": each.mishap,
                "told": each.told,
                "rules": list(each.rules),
                "has_rule": each.has_rule,
                "n_written": each.n_written,
                "exempt": each.exempt,
                "caught": each.caught.as_record(),
                "told_by_any_rule": each.by_any.as_record(),
            }
            for each in score.mishaps
        ],
        "rules": [
            {
                "rule_code": each.rule_code,
                "exists": each.exists,
                "caught": each.caught.as_record(),
                "raised_on_clean": each.raised.as_record(),
            }
            for each in score.rules
        ],
        "any_rule_on_clean": score.any_rule.as_record(),
        "moves": asdict(score.moves) | {"within": score.moves.within.as_record()},
    }


def _head(score: TrustScore) -> str:
    size = score.size
    return (
        f"Trust rules on simulated logs: {size.logs_per_mishap} logs per mishap, "
        f"{size.clean_logs} clean logs, seed {size.seed}. Shares with 95 % interval."
    )


def _mishap_rows(score: TrustScore) -> list[tuple[str, ...]]:
    return [
        (
            each.mishap,
            " or ".join(each.rules) if each.has_rule else NO_RULE,
            f"{each.caught.n_all} of {each.n_written}",
            each.caught.text if each.has_rule else "-",
            each.by_any.text,
        )
        for each in score.mishaps
    ]


def _rule_rows(score: TrustScore) -> list[tuple[str, ...]]:
    return [
        (
            each.rule_code,
            str(each.caught.n_all),
            each.caught.text if each.exists else NO_RULE,
            each.raised.text if each.exists else NO_RULE,
        )
        for each in score.rules
    ]


def _together_text(score: TrustScore) -> str:
    any_rule = score.any_rule
    return (
        f"All rules together raised on {any_rule.n_hits} of {any_rule.n_all} clean logs: "
        f"{any_rule.text}"
    )


def _moves_text(moves: MoveScore) -> str:
    if not moves.quantiles_s:
        return "Moved clamps: none found."
    half, most, nearly_all = moves.quantiles_s
    return (
        f"Moved clamps, error of the moment: {half:.1f} s in half, at most {most:.1f} s in 90 % "
        f"and {nearly_all:.1f} s in 95 %; within 5 s: {moves.within.text}. Readings put to the "
        f"line they came from: {moves.relabelled_right} right, {moves.relabelled_wrong} wrong, of "
        f"{moves.n_could_be} whose new line had no clamp of its own."
    )


def _exempt_text(score: TrustScore) -> str:
    lines = [
        f"  {each.mishap}: {count} ({reason})"
        for each in score.mishaps
        for reason, count in each.exempt.items()
    ]
    return "\n".join(["Exempt logs:", *lines]) if lines else ""
