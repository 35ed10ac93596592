"""The story of a test: what happened in which order, and what that explains, in plain words.

Takes what was read of whole tests (transients, effects, events) and gives one row of
`STORIES` per test. Units are canonical (kPa, K, degC); pages restate them. A story tells and
never judges: it knows no other car. Does not belong here: any arithmetic on readings, and
the words of findings (`models.sentences`).
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import polars as pl

from features.event_kinds import EVENT_KINDS
from features.explained_causes import CAUSES, COMPRESSOR
from features.explained_records import RESPONSES, Response
from features.regimes import Regime
from features.tables import Column, Table

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    Row = dict[str, Any]

STORIES = Table(
    "stories",
    "one row per test",
    ("test_id",),
    (
        Column("test_id", pl.String(), "", "the test"),
        Column("sentence", pl.String(), "", "what happened in the test, in order"),
    ),
)

_CAUSE = {cause.code: cause for cause in CAUSES}
_RESPONSE = {response.channel: response for response in RESPONSES}
# Causes that come as events are told by their events.
_TOLD_BY_EVENTS = ("condenser_fan", COMPRESSOR)
# In an enumeration of events of one kind, more than so many are counted.
_MOST_TOLD_SINGLY = 2
# An effect is told when it is this many times its uncertainty, and this large.
_LEAST_MULTIPLE = 2.0
_LEAST_TOLD = {"duct_air_c": 0.5, "low_side_kpa": 5.0, "high_side_kpa": 20.0}
_LEAST_PART = 0.05
# A smaller dip of the low side at the start is not worth a word, kPa.
_LEAST_DIP_KPA = 15.0
# A fan that steps up within this time of a start comes with it.
_WITH_START_S = 10.0
# The fan's rises are told with what the high side did; its falls, and plain starts and stops,
# go without saying.
_KIND_WORDS = {
    kind.code: kind.words
    for kind in EVENT_KINDS
    if kind.code not in {"fan_up", "fan_down", "compressor_on", "compressor_off"}
}


@dataclass(frozen=True)
class Facts:
    """What is known of all tests.

    Attributes
    ----------
    tests
        One row per test: test_number, the whole-test values, start_s, runs_first (running in
        the first block) and ran; null where not known.
    events
        test_number, time_s, kind_code.
    swings
        Of the fan: test_number, time_s, swing_kpa, fall_s.
    effects
        Rows of `explained_effects`, with test_number.
    """

    tests: pl.DataFrame
    events: pl.DataFrame
    swings: pl.DataFrame
    effects: pl.DataFrame


def describe_running(blocks: pl.DataFrame) -> pl.DataFrame:
    """Per test: test_number, ran and runs_first, null where the regime cannot be told."""
    works = pl.col("regime") != Regime.OFF.value
    return blocks.group_by("test_number", maintain_order=True).agg(
        ran=works.any(ignore_nulls=False), runs_first=works.first()
    )


def tell_stories(facts: Facts) -> pl.DataFrame:
    """One row per test: test_number and sentence."""
    events = _by_test(facts.events.select("test_number", "time_s", "kind_code").sort(pl.all()))
    swings = _by_test(facts.swings.sort("test_number", "time_s"))
    effects = _by_test(facts.effects)
    numbers, sentences = [], []
    for test in facts.tests.iter_rows(named=True):
        number = test["test_number"]
        own = (events.get(number, []), swings.get(number, []), effects.get(number, []))
        numbers.append(number)
        sentences.append(_story(test, *own))
    return pl.DataFrame(
        {"test_number": numbers, "sentence": sentences},
        schema={"test_number": pl.UInt32(), "sentence": pl.String()},
    )


def _by_test(frame: pl.DataFrame) -> dict[int, list[Row]]:
    rows: dict[int, list[Row]] = {}
    for row in frame.iter_rows(named=True):
        rows.setdefault(row["test_number"], []).append(row)
    return rows


def _story(test: Row, events: list[Row], swings: list[Row], effects: list[Row]) -> str:
    """Happenings in order of time, then what explains the movement."""
    if test["ran"] is None and test["runs_first"] is None:
        return "It cannot be told whether the compressor ran."
    if not test["ran"]:
        return "The compressor never ran."
    told = sorted(
        [*_start(test), *_fan(swings, events), *_other_events(events), *_causes(effects)],
        key=lambda item: item[0],
    )
    happened = "; ".join(words for _, words in told)
    sentences = [happened[:1].upper() + happened[1:], *_by_itself(test), *_summary(test, effects)]
    return " ".join(f"{sentence}." for sentence in sentences if sentence)


def _start(test: Row) -> Iterator[tuple[float, str]]:
    """How the test began, and how the duct fell."""
    if test["start_s"] is None:
        if test["runs_first"]:
            yield 0.0, "the compressor ran when the log began"
        return
    words = []
    if test["pull_down_t90_s"] is not None:
        words.append(f"the duct had 90 % of its fall behind it in {_duration(test)}")
    elif test["pull_down_after_5_min_c"] is not None:
        words.append(f"the duct stood at {test['pull_down_after_5_min_c']:.1f} °C after 5 min")
    dip_kpa = test["start_undershoot_kpa"]
    if dip_kpa is not None and dip_kpa >= _LEAST_DIP_KPA:
        words.append(f"the low side dipped by {dip_kpa:.0f} kPa on the way")
    begun = f"compressor on at {_clock(test['start_s'])}"
    yield test["start_s"], f"{begun}: {', '.join(words)}" if words else begun


def _fan(swings: list[Row], events: list[Row]) -> Iterator[tuple[float, str]]:
    """Rises of the fan with what the high side did; many of them together.

    One that comes as the compressor starts goes without saying.
    """
    starts = [row["time_s"] for row in events if row["kind_code"] == "compressor_on"]
    rises = [row["time_s"] for row in events if row["kind_code"] == "fan_up"]
    ups = [time_s for time_s in rises if not _is_with_one(starts, time_s)]
    if len(ups) > _MOST_TOLD_SINGLY:
        words = f"condenser fan up {len(ups)} times from {_clock(ups[0])} to {_clock(ups[-1])}"
        middle = sorted(row["swing_kpa"] for row in swings)[len(swings) // 2] if swings else 0.0
        each = f": high side {_signed(-middle, 'kPa')} as a rule" if middle > 0 else ""
        yield ups[0], f"{words}{each}"
        return
    by_time = {row["time_s"]: row for row in swings if row["swing_kpa"] > 0}
    for time_s in ups:
        words = f"condenser fan up at {_clock(time_s)}"
        if time_s in by_time:
            swing = by_time[time_s]
            fall = _signed(-swing["swing_kpa"], "kPa")
            words += f": high side {fall} in {swing['fall_s']:.0f} s"
        yield time_s, words


def _is_with_one(starts: list[float], time_s: float) -> bool:
    """True means: one of the starts, which are in order of time, lies next to it."""
    after = bisect_left(starts, time_s)
    return any(
        abs(time_s - start_s) < _WITH_START_S for start_s in starts[max(after - 1, 0) : after + 1]
    )


def _other_events(events: list[Row]) -> Iterator[tuple[float, str]]:
    """All other events by kind; starts, stops and falls of the fan go without saying."""
    kinds: dict[str, list[float]] = {}
    for row in events:
        if row["kind_code"] in _KIND_WORDS:
            kinds.setdefault(row["kind_code"], []).append(row["time_s"])
    for kind, times in kinds.items():
        if len(times) > _MOST_TOLD_SINGLY:
            span = f"from {_clock(times[0])} to {_clock(times[-1])}"
            yield times[0], f"{_KIND_WORDS[kind]} {len(times)} times {span}"
        else:
            for time_s in times:
                yield time_s, f"{_KIND_WORDS[kind]} at {_clock(time_s)}"


def _causes(effects: list[Row]) -> Iterator[tuple[float, str]]:
    """For example: intake +7.0 K by 6:00 explains +3.9 K of the +4.4 K at the duct."""
    by_cause: dict[str, list[Row]] = {}
    for row in effects:
        if row["cause_code"] not in _TOLD_BY_EVENTS and _is_worth_telling(row):
            by_cause.setdefault(row["cause_code"], []).append(row)
    for code, rows in by_cause.items():
        cause = _CAUSE[code]
        main = max(rows, key=lambda row: row["part_share"])
        change = _signed(main["cause_change"], cause.unit)
        explained = _in_one_breath(_explained(row) for row in rows)
        yield (
            main["to_s"],
            f"{cause.words} {change} by {_clock(main['to_s'])} explains {explained}",
        )


def _explained(row: Row) -> str:
    """For example: +3.9 K of the +4.4 K at the duct."""
    response, swing, read = _RESPONSE[row["response"]], row["swing"], row["response_change"]
    is_part = swing * read > 0 and abs(read) > abs(swing)
    whole = f" of the {_signed(read, response.unit)}" if is_part else ""
    return f"{_signed(swing, response.unit)}{whole} {response.place}"


def _is_worth_telling(row: Row) -> bool:
    """True means: large, certain, and no larger than the change of the cause accounts for."""
    cause = _CAUSE[row["cause_code"]]
    most = cause.most[list(_RESPONSE).index(row["response"])]
    return bool(
        abs(row["swing"]) > _LEAST_MULTIPLE * row["swing_uncertainty"]
        and abs(row["swing"]) > _LEAST_TOLD[row["response"]]
        and row["part_share"] > _LEAST_PART
        and abs(row["swing"]) <= most * abs(row["cause_change"]) / cause.scale
    )


def _by_itself(test: Row) -> Iterator[str]:
    """Cycling, hunting, and how the pressures evened out after a stop."""
    if test["clutch_cycles_per_min"] is not None:
        yield (
            f"The compressor cycled {test['clutch_cycles_per_min']:.1f} times a minute and was on "
            f"for {test['clutch_on_share']:.0%} of the time"
        )
    if test["superheat_hunting_s"] is not None:
        yield (
            f"The superheat swung by {test['superheat_swing_k']:.1f} K to either side every "
            f"{test['superheat_hunting_s']:.0f} s, with no event of that period"
        )
    if test["stop_equalisation_s"] is not None:
        yield (
            "After the last stop the pressures evened out with a time constant of "
            f"{test['stop_equalisation_s']:.0f} s"
        )


def _summary(test: Row, effects: list[Row]) -> Iterator[str]:
    """From two minutes of running on: what moved, and how much of that is explained."""
    parts = [
        _moved(response, test, effects)
        for response in RESPONSES
        if test[response.names[0]] is not None
    ]
    if parts:
        yield f"From two minutes of running on {'; '.join(parts)}"


def _moved(response: Response, test: Row, effects: list[Row]) -> str:
    """How far one response moved (1 sd), and how much of that is explained."""
    movement, share, unexplained = (test[name] for name in response.names)
    moved = _plain(movement, response)
    if share is None:
        return f"the {response.words} held still (within {moved}, 1 sd)"
    own = [
        row
        for row in sorted(effects, key=lambda row: -row["part_share"])
        if row["response"] == response.channel and row["part_share"] > _LEAST_PART
    ]
    if not own:
        return f"the {response.words} moved by {moved} (1 sd), which nothing logged explains"
    causes = _in_one_breath(_CAUSE[row["cause_code"]].words for row in own)
    verb = "explain" if len(own) > 1 else "explains"
    left = _plain(unexplained, response)
    return (
        f"the {response.words} moved by {moved} (1 sd), of which {causes} {verb} {share:.0%} and "
        f"{left} stay unexplained"
    )


def _plain(value: float, response: Response) -> str:
    return f"{value:.{response.decimals}f} {response.unit}"


def _in_one_breath(items: Iterable[str]) -> str:
    words = list(items)
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)


def _signed(value: float, unit: str) -> str:
    decimals = 1 if unit == "K" else 0
    return f"{value:+.{decimals}f} {unit}"


def _clock(time_s: float) -> str:
    """Minutes and seconds since the log began, such as 4:10."""
    whole = int(time_s)
    return f"{whole // 60}:{whole % 60:02d}"


def _duration(test: Row) -> str:
    time_s = test["pull_down_t90_s"]
    return f"{time_s:.0f} s" if time_s < 100 else f"{time_s / 60:.1f} min"
