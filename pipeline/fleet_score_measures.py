"""The figures that a scorecard is asked for: each in words, with what is asked and the answer.

Takes a `Scorecard`, gives `Measure` records, which the terminal and the page both tell. Does
not belong here: tables (`fleet_score_words`), arithmetic (`score_fleet`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.score_rivals import OURS

if TYPE_CHECKING:
    from pipeline.score_causes import CauseScore
    from pipeline.score_fleet import Scorecard
    from pipeline.score_rivals import RivalScore
    from pipeline.shares import Share

MET, UNSURE, CHANCE, MISSED = (
    "met", "met, too few cases to be sure", "missed, within chance", "missed",
)  # fmt: skip
NOTHING = "nothing to count"
LEAST_GAIN = 1.5


@dataclass(frozen=True)
class Measure:
    """One figure: what it is, the figure, what is asked of it ("" for nothing), the answer."""

    words: str
    figure: str
    asked: str = ""
    answer: str = ""


def measures(score: Scorecard) -> tuple[Measure, ...]:
    """The figures in the order in which a reader asks for them."""
    return (
        *_of_states(score),
        *_of_tests(score),
        *(() if score.causes is None else _of_causes(score.causes)),
        *_of_rivals(score.rivals),
        *_of_lost_data(score),
        *_of_held_out(score),
    )


def counted(share: Share) -> str:
    """The share with its interval and counts."""
    return f"{share.text}, {share.n_hits} of {share.n_all}" if share.n_all else "-"


def at_least(words: str, share: Share, least: float) -> Measure:
    """A share that should not be smaller."""
    low, high = share.interval
    reached = None if share.value is None else share.value >= least
    answer = _answer(reached, is_sure=low >= least, is_out=high < least)
    return Measure(words, counted(share), f"at least {100 * least:g} %", answer)


def at_most(words: str, share: Share, most: float) -> Measure:
    """A share that should not be larger."""
    low, high = share.interval
    reached = None if share.value is None else share.value <= most
    answer = _answer(reached, is_sure=high <= most, is_out=low > most)
    return Measure(words, counted(share), f"at most {100 * most:g} %", answer)


def _answer(reached: bool | None, *, is_sure: bool, is_out: bool) -> str:  # noqa: FBT001 - a fact, not a switch
    if reached is None:
        return NOTHING
    if reached:
        return MET if is_sure else UNSURE
    return MISSED if is_out else CHANCE


def _of_states(score: Scorecard) -> tuple[Measure, ...]:
    precision = score.precision
    return (
        at_least(
            "Cars in `service` on the last day whose fault shows", precision.by_readings, 0.9
        ),
        Measure(
            "The same at the end of each month, of the cars tested in it",
            counted(score.service_of_months),
        ),
        Measure(
            "On the last day by the fixed limits: any fault, charge more than 20 % short",
            counted(precision.by_fault),
        ),
        at_most(
            "Healthy cars in `service`, per car and month in which one was tested and assessed",
            score.car_months, 0.005,
        ),
    )  # fmt: skip


def _of_tests(score: Scorecard) -> tuple[Measure, ...]:
    warm = score.warm_duct
    return (
        at_least("Tests flagged where the fault warms the duct by 3 K", warm.of_judged, 0.9),
        Measure("The same of all such tests, judged or not", counted(warm.of_all)),
        Measure("Cars in `service` or `watch` of those so warm", counted(warm.of_cars)),
        Measure("Tests flagged where a fault moved anything", counted(score.detected)),
        Measure("Tests of healthy cars flagged", counted(score.false_alarms)),
        Measure("Tests that could not be judged", counted(score.no_response)),
    )


def _of_causes(causes: CauseScore) -> tuple[Measure, ...]:
    return (
        at_least("True cause among those named possible", causes.in_set, 0.95),
        at_least("One cause named alone", causes.named, 0.6),
        at_least("The one named is right", causes.named_right, 0.85),
        Measure("A wrong cause named alone", counted(causes.misdiagnosed)),
    )


def _of_rivals(rivals: tuple[RivalScore, ...]) -> tuple[Measure, ...]:
    if not rivals or rivals[0].name != OURS:
        return ()
    ours, *others = rivals
    return tuple(measure for other in others for measure in _against(ours, other))


def _against(ours: RivalScore, other: RivalScore) -> tuple[Measure, ...]:
    """Detections against those of another, as it is customarily used and as sparing as ours."""
    n_ours, n_other = ours.detected.n_hits, other.detected.n_hits
    n_same, n_tests = other.detected_at_our_rate.n_hits, ours.detected.n_all
    is_sparing = ours.false_alarms.n_hits <= other.false_alarms.n_hits
    asked = f"{LEAST_GAIN:g} times as many, no more false alarms"
    return (
        Measure(
            f"Affected tests flagged, against {other.name} as customary",
            f"{n_ours} against {n_other} of {n_tests}, false alarms {ours.false_alarms.n_hits} "
            f"against {other.false_alarms.n_hits}",
            asked,
            _gain_answer(n_ours, n_other, n_tests if is_sparing else -1),
        ),
        Measure(
            f"The same with {other.name} set to as few false alarms",
            f"{n_ours} against {n_same} of {n_tests}",
            asked,
            _gain_answer(n_ours, n_same, n_tests),
        ),
    )


def _gain_answer(n_ours: int, n_other: int, n_tests: int) -> str:
    """Whether ours are enough more; never where the tests are given as less than none."""
    if n_tests == 0:
        return NOTHING
    return MET if n_tests > 0 and n_ours >= LEAST_GAIN * n_other else MISSED


def _of_lost_data(score: Scorecard) -> tuple[Measure, ...]:
    if not score.dropouts:
        return ()
    n_changed = sum(each.in_band.n_hits for each in score.dropouts)
    n_tries = sum(each.in_band.n_all for each in score.dropouts)
    answer = (MISSED if n_changed else MET) if n_tries else NOTHING
    return (
        Measure(
            "Flags that turn into `in band` when data are lost",
            f"{n_changed} in {n_tries} trials", "none", answer,
        ),
    )  # fmt: skip


def _of_held_out(score: Scorecard) -> tuple[Measure, ...]:
    held = score.held_out
    if held is None:
        return ()
    return (
        Measure(
            "Models never seen before: cars in `service` whose fault shows",
            counted(held.precision.by_readings),
        ),
        Measure("Models never seen before: tests of healthy cars flagged",
                counted(held.false_alarms)),
        Measure("Models never seen before: affected tests flagged", counted(held.detected)),
        Measure("Models never seen before: tests not judged", counted(held.no_response)),
    )  # fmt: skip
