"""What logs can be judged by, in lines: for one log, and for the logs of a workspace.

Takes what is logged and noted, and asks `models.requirements`. It speaks of what is there,
not of what a test then shows. Does not belong here: reading logs (`check`, `check_file`).
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

import polars as pl

from features.channels import CHANNEL
from features.requirements import NOTED_FACTS, REFRIGERANT
from models.requirements import outlook

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from models.requirements import NextSensor, Outlook

# A channel of which this share is not trusted counts as not logged.
_DISTRUSTED = 0.5
_EXAMPLES = 3
_NOTES = {
    REFRIGERANT: "the refrigerant of its model, in registry/models.csv",
    "ambient_c": "the ambient temperature, noted as ambient_c in registry/tests.csv",
}


def trusted_names(
    channels: Sequence[str], trust: pl.DataFrame, context: Mapping[str, Any]
) -> frozenset[str]:
    """Channels of one log that are mostly trusted, and the facts that are noted of its test.

    `trust` holds TRUST rows of this test, `context` its CONTEXT row.
    """
    doubted = trust.filter(pl.col("distrusted_share") >= _DISTRUSTED)["channel"].to_list()
    noted = {name for name in (*NOTED_FACTS, "blower_pct") if context[name] is not None}
    return frozenset(channels) - {*doubted} | noted


def outlook_of(names: frozenset[str], context: Mapping[str, Any]) -> Outlook:
    """The outlook of a log with these names on the car of its CONTEXT row."""
    return outlook(
        names,
        has_heat_exchanger=context["internal_heat_exchanger"],
        has_rear_evaporator=context["rear_evaporator"],
    )


def log_lines(found: Outlook) -> Iterator[str]:
    """What one log can be judged by, what stays open, and the sensor that would buy most."""
    words = ", ".join(feature.words for feature in found.judged)
    yield f"Can be judged, with enough cars to compare, by: {words or 'nothing'}."
    if found.open_sides:
        yield f"Stays open: {_sides(found)}. So its car cannot be called in band."
    if found.next_sensor is not None:
        yield f"One sensor or note that would buy most: {_offer_words(found.next_sensor)}"


def workspace_lines(logs: pl.DataFrame, *, is_each: bool) -> Iterator[str]:
    """Logs with the same outlook together, the most common first.

    Parameters
    ----------
    logs
        One row per readable log: path, `names` (list of what is logged and noted),
        internal_heat_exchanger, rear_evaporator.
    is_each
        Whether every log is named, not only the first few.
    """
    if logs.is_empty():
        return
    groups = (
        logs.with_columns(pl.col("names").list.sort())
        .sort("path")
        .group_by("names", "internal_heat_exchanger", "rear_evaporator", maintain_order=True)
        .agg("path")
    )
    by_outlook: dict[tuple[str, ...], list[str]] = {}
    offers: Counter[str] = Counter()
    for row in groups.iter_rows(named=True):
        found = outlook_of(frozenset(row["names"]), row)
        by_outlook.setdefault(tuple(_group_lines(found)), []).extend(row["path"])
        if found.next_sensor is not None and found.next_sensor.closes:
            offers[found.next_sensor.name] += len(row["path"])
    yield "What they can be judged by, where their tests settle:"
    for lines, paths in sorted(by_outlook.items(), key=lambda item: (-len(item[1]), item[0])):
        count = f"{len(paths)} of {logs.height} logs"
        yield f"  {count}{_named(paths, logs.height, is_each)}: {lines[0]}"
        yield from (f"    {line}" for line in lines[1:])
    if offers:
        name, n_logs = offers.most_common(1)[0]
        yield f"Over all logs one would buy most, in {n_logs} of them: {_thing(name)}."


def _group_lines(found: Outlook) -> Iterator[str]:
    if not found.open_sides:
        yield "every side of the system."
        return
    yield f"stays open: {_sides(found)}."
    if found.next_sensor is not None:
        yield f"would buy most: {_offer_words(found.next_sensor)}"


def _named(paths: Sequence[str], n_logs: int, is_each: bool) -> str:  # noqa: FBT001  passed on
    if len(paths) == n_logs and not is_each:
        return ""
    shown = sorted(paths) if is_each else sorted(paths)[:_EXAMPLES]
    return f" ({', '.join(shown)}{', ...' if len(shown) < len(paths) else ''})"


def _sides(found: Outlook) -> str:
    return "; ".join(f"{side.name} (needs {side.needed})" for side in found.open_sides)


def _offer_words(offer: NextSensor) -> str:
    """The thing and what it buys, as the rest of a sentence."""
    closes = ", ".join(side.name for side in offer.closes)
    if closes:
        return f"{_thing(offer.name)}. With it the car can be judged on: {closes}."
    gains = ", ".join(feature.words for feature in offer.judges)
    if gains:
        return f"{_thing(offer.name)}. It adds {gains}."
    return f"{_thing(offer.name)}."


def _thing(name: str) -> str:
    return _NOTES.get(name) or f"{CHANNEL[name].meaning} (`{name}`)"
