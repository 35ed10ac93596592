"""The tables of a scorecard: titles, sentences and rows, for the terminal and for the page.

Takes a `Scorecard`, gives `Part` records. Does not belong here: the figures that are asked for
(`fleet_score_measures`), layout (`fleet_score_text`, `reports.scorecard`).
"""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING

from models.findings import JUDGED
from pipeline.fleet_score_measures import counted
from reports.claim_page import Part

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.detection_curves import Detection, Scale
    from pipeline.score_fleet import Scorecard
    from pipeline.shares import Share

HOW_TRUTH = (
    "Every test of a car with a fault was simulated a second time without the fault. The test is "
    "affected when a true quantity moved by the least effect worth reporting; else the fault is "
    "masked: a control makes up for it, or the reserve in the receiver does."
)
EACH_CAR_BY_OTHERS = "No car is held against itself: each is judged by a fit to other cars."


def intro(score: Scorecard) -> tuple[str, ...]:
    """What was scored, and by which truth."""
    names = {"healthy": "of healthy cars", "affected": "affected by a fault", "masked": "masked"}
    told = ", ".join(f"{n} {names[name]}" for name, n in score.standings.items())
    return (
        f"A simulated fleet of {score.n_vehicles} vehicles with {score.n_tests} tests: {told}.",
        HOW_TRUTH,
        f"{EACH_CAR_BY_OTHERS} Shares stand with their 95 % interval.",
    )


def parts(score: Scorecard) -> tuple[Part, ...]:
    """All tables that have rows."""
    found = (
        _states(score), _charge(score), _severities(score), _masked(score), _strata(score),
        _cells(score), _causes(score), _rivals(score), _held_out(score), _dropouts(score),
        _months(score), _least_effects(),
    )  # fmt: skip
    return tuple(part for part in found if part.rows)


def _states(score: Scorecard) -> Part:
    rows = tuple((state, *map(str, counts)) for state, counts in score.states.items())
    return Part(
        "States on the last day",
        ("Masked: the car has a fault that moved nothing in any of its three latest tests.",),
        ("state", "healthy cars", "fault masked", "fault shows"),
        rows,
    )


def _charge(score: Scorecard) -> Part:
    return _detections(
        "How many grams short or over before it is detected",
        ("Grams beyond the reserve in the receiver, or beyond the room left there.",),
        tuple(each for each in score.detections if each.scale.unit),
    )


def _severities(score: Scorecard) -> Part:
    return _detections(
        "How severe a fault must be before it is detected",
        ("Severity from 0 (sound) to 1 (the worst that is simulated).",),
        tuple(each for each in score.detections if not each.scale.unit),
    )


def _detections(title: str, sentences: tuple[str, ...], found: Sequence[Detection]) -> Part:
    if not found:
        return Part(title)
    head = (
        "fault", *_bin_names(found[0].scale), "detected", "half from", "nine in ten from",
        "not judged", "masked",
    )  # fmt: skip
    return Part(title, sentences, head, tuple(_detection_row(each) for each in found))


def _detection_row(each: Detection) -> tuple[str, ...]:
    return (
        spoken(each.fault),
        *(_few(share) for share in each.by_size),
        counted(each.detected),
        _size(each.i50, each.scale.unit),
        _size(each.i90, each.scale.unit),
        _few(each.no_response),
        str(each.n_masked),
    )


def _bin_names(scale: Scale) -> tuple[str, ...]:
    return tuple(
        f"over {low:g}" if math.isinf(high) else f"to {high:g}"
        for low, high in itertools.pairwise(scale.edges)
    )


def _few(share: Share) -> str:
    return f"{share.n_hits} of {share.n_all}" if share.n_all else "-"


def _size(size: float | None, unit: str) -> str:
    if size is None:
        return "-"
    return f"{size:.0f} {unit}" if unit else f"{size:.2f}"


def spoken(name: str) -> str:
    """A code as words."""
    return name.replace("_", " ")


def _masked(score: Scorecard) -> Part:
    rows = [
        (spoken(each.fault), str(each.n_in_band), str(each.n_not_assessable), str(each.n_alarms))
        for each in score.masked
    ]
    return Part(
        "Faults that nothing shows",
        ("Tests in which a fault moved nothing worth reporting, and what was said of them.",),
        ("fault", "in band", "not judged", "flagged"),
        tuple(rows),
    )


def _strata(score: Scorecard) -> Part:
    rows = [
        (each.architecture, spoken(each.regime), counted(each.detected),
         counted(each.false_alarms), _few(each.no_response))
        for each in score.strata
    ]  # fmt: skip
    return Part(
        "By architecture and by what the control did",
        (),
        ("architecture", "control", "affected tests flagged", "healthy tests flagged",
         "not judged"),
        tuple(rows),
    )  # fmt: skip


def _cells(score: Scorecard) -> Part:
    rows = [
        (spoken(each.fault), each.architecture, spoken(each.regime), counted(each.detected),
         _few(each.no_response))
        for each in score.cells
    ]  # fmt: skip
    return Part(
        "By fault, architecture and control",
        (),
        ("fault", "architecture", "control", "affected tests flagged", "not judged"),
        tuple(rows),
    )


def _causes(score: Scorecard) -> Part:
    causes = score.causes
    if causes is None or not causes.in_set.n_all:
        return Part("Causes")
    return Part(
        "Causes of faults",
        ("Of cars with a fault in `service` or `watch`.",
         f"{causes.mean_set_size:.1f} causes are called possible on average."),
        ("fault", "true cause among the possible ones"),
        tuple((spoken(fault), counted(share)) for fault, share in causes.by_fault),
    )  # fmt: skip


def _rivals(score: Scorecard) -> Part:
    rows = [
        (each.name, counted(each.detected), counted(each.false_alarms),
         counted(each.detected_at_our_rate), "-" if each.area is None else f"{each.area:.3f}")
        for each in score.rivals
    ]  # fmt: skip
    return Part(
        "Beside simpler detectors",
        (
            "Told from the same features of the same tests.",
            "The first rival: distance from the mean of the model, alarm from 3 deviations.",
            "The second: an isolation forest, told that 10 % are strange.",
            "A test that is not judged counts as not flagged.",
        ),
        ("method", "affected tests flagged", "healthy tests flagged",
         "flagged at as few false alarms as chillroster", "ranked right"),
        tuple(rows),
    )  # fmt: skip


def _held_out(score: Scorecard) -> Part:
    models = () if score.held_out is None else score.held_out.models
    rows = [
        (each.model_id, str(each.n_vehicles), counted(each.detected),
         counted(each.false_alarms), _few(each.no_response))
        for each in models
    ]  # fmt: skip
    return Part(
        "Models never seen before",
        ("Each model judged by a fit to all the others, so by its architecture at best.",),
        ("model", "cars", "affected tests flagged", "healthy tests flagged", "not judged"),
        tuple(rows),
    )


def _dropouts(score: Scorecard) -> Part:
    rows = [
        (each.kind, f"{100 * each.share:.0f} %", _few(each.flags_kept), _few(each.unassessed),
         _few(each.in_band), ", ".join(each.changed))
        for each in score.dropouts
    ]  # fmt: skip
    return Part(
        "When data are lost",
        ("Flagged tests read again from their samples with a share of the data gone.",),
        ("lost", "share", "still flagged", "not judged", "in band", "which"),
        tuple(rows),
    )


def _months(score: Scorecard) -> Part:
    rows = [
        (each.month, counted(each.false_service), _few(each.right_service)) for each in score.months
    ]
    head = ("month", "healthy cars in `service`", "cars in `service` whose fault shows")
    return Part("Month by month", (), head, tuple(rows))


def _least_effects() -> Part:
    return Part(
        "Least effects worth reporting",
        ("Moves of the true quantity from which a test counts as affected.",),
        ("quantity", "least effect"),
        tuple(
            (each.words, f"{each.least_effect:g} {_unit(each.name)}".strip())
            for each in JUDGED
            if not each.is_for_whole_test
        ),
    )


def _unit(name: str) -> str:
    unit = name.rpartition("_")[2]
    return {"c": "K", "k": "K", "kpa": "kPa"}.get(unit, "")
