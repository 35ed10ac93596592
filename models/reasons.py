"""Why a row could not be judged: the enum `NotAssessable`, its value is the sentence.

Holds the reason codes. Does not belong here: which of them a better test would cure
(`coverage`), words for distrusted samples (`features.screening`) and for deviations
(`findings`).
"""

from __future__ import annotations

from enum import Enum


class NotAssessable(Enum):
    """Why a feature of a test has no residual."""

    NOT_KNOWN = "not logged, or its samples were not trustworthy"
    UNCERTAINTY_NOT_KNOWN = "its uncertainty is not known"
    TOO_UNCERTAIN = "the sensors are too uncertain to see the least effect worth reporting"
    CONDITIONS_MISSING = "the operating conditions that it depends on were not logged"
    BASELINE_TOO_SMALL = "too few other cars to compare with"
    OUTSIDE_RANGE_SEEN = "the operating conditions lie outside the range seen on other cars"

    @property
    def code(self) -> str:
        """The code stored with a residual: `baseline_too_small`."""
        return self.name.lower()


REASON: dict[str, NotAssessable] = {reason.code: reason for reason in NotAssessable}

# Small integers for arrays: 0 is judged, the others in the order of the enum.
REASONS_IN_ORDER: tuple[NotAssessable, ...] = tuple(NotAssessable)
NUMBER: dict[NotAssessable, int] = {
    reason: place + 1 for place, reason in enumerate(REASONS_IN_ORDER)
}
