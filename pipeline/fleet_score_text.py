"""The scorecard in words: tables for a terminal, and plain records for JSON.

Takes a `Scorecard`, gives text. Does not belong here: any arithmetic (`score_fleet`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.score_fleet import SEVERITY_EDGES
from pipeline.text_tables import text_table

if TYPE_CHECKING:
    from pipeline.score_causes import CauseScore
    from pipeline.score_fleet import Detection, Scorecard


def fleet_text(score: Scorecard) -> str:
    """The whole scorecard as text."""
    head = (
        f"Judgement of a simulated fleet: {score.n_vehicles} vehicles, {score.n_tests} tests, "
        f"{100 * score.faulty_share:.1f} % of the tests of a car with a fault. Shares with 95 % "
        "interval."
    )
    figures = "\n".join(
        (
            f"`service` that is right: {_counted(score.service_precision)}",
            f"Alarms on tests of healthy cars: {_counted(score.false_alarms)}",
            f"Tests without a verdict: {_counted(score.no_response)}",
        )
    )
    tables = (_states(score), _detections(score), _strata(score), _months(score))
    parts = (head, figures, _causes(score), *tables)
    return "\n\n".join(part for part in parts if part)


def fleet_record(score: Scorecard) -> dict[str, Any]:
    """The whole scorecard as plain records."""
    return {
        "n_vehicles": score.n_vehicles,
        "n_tests": score.n_tests,
        "faulty_share": score.faulty_share,
        "states": {name: list(counts) for name, counts in score.states.items()},
        "service_precision": score.service_precision.as_record(),
        "false_alarms": score.false_alarms.as_record(),
        "no_response": score.no_response.as_record(),
        "detections": [_detection_record(each) for each in score.detections],
        "strata": [
            {
                "what": what,
                "name": name,
                "detected": detected.as_record(),
                "false_alarms": false_alarms.as_record(),
            }
            for what, name, detected, false_alarms in score.strata
        ],
        "months": [
            {"month": each.month, "false_service": each.false_service.as_record()}
            for each in score.months
        ],
        "causes": _causes_record(score.causes),
    }


def _causes_record(causes: CauseScore | None) -> dict[str, Any] | None:
    if causes is None:
        return None
    return {
        "in_set": causes.in_set.as_record(),
        "named": causes.named.as_record(),
        "named_right": causes.named_right.as_record(),
        "misdiagnosed": causes.misdiagnosed.as_record(),
        "mean_set_size": causes.mean_set_size if causes.in_set.n_all else None,
        "by_fault": {fault: share.as_record() for fault, share in causes.by_fault},
    }


def _detection_record(each: Detection) -> dict[str, Any]:
    return {
        "fault": each.fault,
        "by_severity": [share.as_record() for share in each.by_severity],
        "detected": each.detected.as_record(),
        "no_response": each.no_response.as_record(),
        "i50": each.i50,
        "i90": each.i90,
    }


def _counted(share: Any) -> str:
    return f"{share.n_hits} of {share.n_all}, {share.text}"


def _causes(score: Scorecard) -> str:
    causes = score.causes
    if causes is None or not causes.in_set.n_all:
        return ""
    in_set = (
        f"true one in the set {_counted(causes.in_set)} ({causes.mean_set_size:.1f} on average)"
    )
    wrong = f"misdiagnosed: {_counted(causes.misdiagnosed)}"
    right = f"the name is right: {_counted(causes.named_right)}; {wrong}"
    said = (
        f"Causes, of cars with a fault in `service` or `watch`: {in_set}",
        f"One is named: {_counted(causes.named)}; {right}",
    )
    rows = [(fault, _counted(share)) for fault, share in causes.by_fault]
    return "\n".join((*said, text_table(("fault", "true cause in the set"), rows)))


def _states(score: Scorecard) -> str:
    rows = [(name, str(h), str(f)) for name, (h, f) in score.states.items()]
    return text_table(("state", "healthy cars", "cars with a fault"), rows)


def _detections(score: Scorecard) -> str:
    edges = [f"to {high:g}" for high in SEVERITY_EDGES[1:]]
    rows = [
        (
            each.fault,
            *(f"{share.n_hits}/{share.n_all}" for share in each.by_severity),
            each.detected.text,
            _severity(each.i50),
            _severity(each.i90),
        )
        for each in score.detections
    ]
    return text_table(("fault, detected by severity", *edges, "detected", "i50", "i90"), rows)


def _severity(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def _strata(score: Scorecard) -> str:
    rows = [
        (f"{what} {name}", _counted(detected), _counted(false_alarms))
        for what, name, detected, false_alarms in score.strata
    ]
    return text_table(("tests of", "faulty cars detected", "alarms on healthy cars"), rows)


def _months(score: Scorecard) -> str:
    if not score.months:
        return ""
    rows = [(each.month, _counted(each.false_service)) for each in score.months]
    return text_table(("month", "healthy cars in `service`"), rows)
