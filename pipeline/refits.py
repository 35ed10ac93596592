"""When baselines are fitted anew: the reasons, and which of them holds now.

Takes the version in force and what is known now, gives a reason or none. Pure. Does not belong
here: the fitting (`models`), what is kept of it (`baseline_ledger`, `standing`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from enum import Enum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from models.settings import AssessmentSettings
    from pipeline.baseline_ledger import Fit


class RefitReason(Enum):
    """Why baselines are fitted; the value is how it is told."""

    FIRST = "there were none"
    ORDERED = "by command"
    CODE = "another version of the program"
    SETTINGS = "other settings"
    CLOCK = "the clock stands before the last fit"
    GROWN = "so many tests are new or were read anew (setting `refit_growth`)"
    OLD = "the last fit is older than the setting `refit_days`"

    @property
    def code(self) -> str:
        """The code stored: `first`."""
        return self.name.lower()


@dataclass(frozen=True)
class Known:
    """What a fit would rest on now: its instant, its tests as they were read, fingerprints."""

    clock: datetime
    tests: Mapping[str, str]
    tests_hash: str
    code_hash: str
    settings_hash: str


def refit_reason(
    last: Fit | None, known: Known, settings: AssessmentSettings, *, is_ordered: bool
) -> RefitReason | None:
    """Why baselines are to be fitted anew, None where those in force stand.

    However old, they stand while a fit would rest on the same tests.
    """
    if last is None:
        return RefitReason.FIRST
    same = last.facts
    is_other = same["tests_hash"] != known.tests_hash
    n_new = sum(last.tests.get(test) != reading for test, reading in known.tests.items())
    holds = {
        RefitReason.ORDERED: is_ordered,
        RefitReason.CODE: same["code_hash"] != known.code_hash,
        RefitReason.SETTINGS: same["settings_hash"] != known.settings_hash,
        RefitReason.CLOCK: is_other and last.fitted_at > known.clock,
        RefitReason.GROWN: n_new > settings.refit_growth * last.facts["n_vehicles"],
        RefitReason.OLD: is_other
        and known.clock - last.fitted_at >= timedelta(days=settings.refit_days),
    }
    return next((reason for reason, is_so in holds.items() if is_so), None)
