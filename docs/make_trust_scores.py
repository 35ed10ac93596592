"""Writes `trust_scores.md` from the JSON of `chillroster score --trust`.

`poe trust` measures and writes. Every number on the page stands in the JSON. Does not belong
here: measuring (`pipeline.score_trust`).
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
_NOTE = "<!-- written by docs/make_trust_scores.py; run `poe trust` -->\n\n"
_LEAD = """# Trust rules: measured scores

Measured on simulated raw logs, read through the door and screened like any log: {hit} logs per
kind of mishap and {clean} clean logs, by

```sh
{command}
```

Cars of ten architectures; one in three has a fault of the car, of any kind, with and without a
mishap. Tests with a mishap follow a protocol: one to three minutes standing are logged before
the start. Of the clean tests some were run in haste, as in a workshop. "Caught": a rule that
answers for the mishap spoke on a channel that the mishap hit. "By any rule": any rule spoke
there. "Exempt": logs in which nobody could tell the mishap, by the reasons below; they count
neither way. Ten tests share an instrument that reads off. Intervals are Wilson's, 95 %. The
aim: each rule catches at least 95 % and is raised on at most 1 % of clean logs, all together on
at most 5 %.
"""


def _percent(record: dict[str, Any]) -> str:
    if record["share"] is None:
        return "-"
    low, high = 100 * record["low"], 100 * record["high"]
    return f"{100 * record['share']:.1f} % ({low:.1f} to {high:.1f})"


def _table(names: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    lines = ["| " + " | ".join(cells) + " |" for cells in (names, *rows)]
    return "\n".join([lines[0], "|" + "---|" * len(names), *lines[1:]]) + "\n"


def _mishaps(score: dict[str, Any]) -> str:
    rows = [
        (
            f"`{each['mishap']}`: {each['told']}",
            ", ".join(f"`{rule}`" if "_" in rule else rule for rule in each["rules"])
            if each["has_rule"]
            else "no rule",
            f"{each['caught']['n_all']} of {each['n_written']}",
            _percent(each["caught"]) if each["has_rule"] else "-",
            _percent(each["told_by_any_rule"]),
        )
        for each in score["mishaps"]
    ]
    names = ("mishap and severity", "rule", "affected", "caught", "by any rule")
    return "## By mishap\n\n" + _table(names, rows)


def _rules(score: dict[str, Any]) -> str:
    exempt: dict[str, int] = {}
    for each in score["mishaps"]:
        first = (each["rules"] or [""])[0]
        exempt[first] = exempt.get(first, 0) + sum(each["exempt"].values())
    rows = [
        (
            f"`{each['rule_code']}`",
            str(each["caught"]["n_all"]),
            str(exempt.get(each["rule_code"], 0)),
            _percent(each["caught"]) if each["exists"] else "no rule",
            _percent(each["raised_on_clean"]) if each["exists"] else "no rule",
        )
        for each in score["rules"]
    ]
    together = _percent(score["any_rule_on_clean"])
    return (
        "## By rule\n\n"
        + _table(("rule", "affected", "exempt", "caught", "raised on clean logs"), rows)
        + f"\nAll rules together are raised on {together} of the clean logs.\n"
    )


def _moves(score: dict[str, Any]) -> str:
    moves = score["moves"]
    if not moves["quantiles_s"]:
        return "## Moved clamps\n\nNone was found.\n"
    half, most, nearly_all = moves["quantiles_s"]
    return (
        "## Moved clamps\n\n"
        f"The moment is off by {half:.1f} s in half of the moves found, by at most {most:.1f} s in "
        f"90 % and {nearly_all:.1f} s in 95 %; within 5 s: {_percent(moves['within'])}. Of "
        f"{moves['n_could_be']} moves to a line without a clamp of its own, readings were put to "
        f"the right line in {moves['relabelled_right']} and to a wrong one in "
        f"{moves['relabelled_wrong']}.\n"
    )


def _exempt(score: dict[str, Any]) -> str:
    rows = [
        (f"`{each['mishap']}`", str(count), reason)
        for each in score["mishaps"]
        for reason, count in each["exempt"].items()
    ]
    lead = (
        "Not counted, since nobody could tell. How far a mishap changed the readings is measured "
        "against the same log without it; where they stand as a car in some state would make them "
        "stand, no rule may doubt them.\n\n"
    )
    return "## Exempt logs\n\n" + lead + _table(("mishap", "logs", "why"), rows)


def page(score: dict[str, Any]) -> str:
    """The page of a score."""
    size = score["size"]
    lead = _LEAD.format(
        hit=size["logs_per_mishap"],
        clean=size["clean_logs"],
        command=f"chillroster score --trust --logs-per-mishap {size['logs_per_mishap']} "
        f"--clean-logs {size['clean_logs']} --seed {size['seed']}",
    )
    parts = (_NOTE + lead, _rules(score), _moves(score), _mishaps(score), _exempt(score))
    return "\n".join(parts)


if __name__ == "__main__":
    found = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))
    (HERE / "trust_scores.md").write_text(page(found), encoding="utf-8", newline="\n")
