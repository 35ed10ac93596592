"""The study of the early warning: how soon a bad build month is warned of, and how often a
sound one.

`python -m tests.studies.early_warning [--seed 1] [--bad 100] [--sound 40]` simulates years of
claims of one model with 36 build months, judges them month by month with what was reported by
then, and prints the claims at the first warning beside those that Wald's test needs, and the
false warnings per hundred sound build months followed for three years; then yes or no to what
was asked for. `--variation` is the variance between cars, `--spread` that between sound build
months, `--design` the ratio that the watch is made for.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np

from features.context import CONTEXT
from models.claim_cohorts import CohortClaims, cohort_claims, known_claims
from models.early_warning import watch_cohorts
from models.recurrence.exposure import ClaimRecords
from models.recurrence.settings import RecurrenceSettings
from models.sequential import first_day_limit, log_ratio
from models.settings import AssessmentSettings
from synthetic.claim_order import Batch, ClaimOrder, Component
from synthetic.claim_years import ClaimYears, simulate_claim_years

SETTINGS = AssessmentSettings()
_RECURRENCE = RecurrenceSettings(registered_cars="fleet")
_COMPONENT = "condenser"
# of the Weibull lives
SHAPE = 1.4
_FIRST, _LAST, _END = date(2022, 1, 1), date(2024, 12, 31), date(2028, 2, 1)
_LEAST_OTHER_CLAIMS = 20


@dataclass(frozen=True)
class Plan:
    """One model: cars in all its 36 build months, and how many times as many claims a bad
    month has; `variation` is the variance between cars, `spread` that between sound months
    (of factors of mean 1), `scale` the Weibull life, months; `design` the ratio watched for.
    """

    n_vehicles: int = 5000
    hazard_factor: float = 3.0
    scale: float = 160.0
    variation: float = 0.0
    spread: float = 0.0
    design: float = SETTINGS.warning_ratio

    @property
    def settings(self) -> AssessmentSettings:
        """Settings of the judgement."""
        return SETTINGS.model_copy(update={"warning_ratio": self.design})


def simulate(seed: int, plan: Plan, bad_month: int | None) -> ClaimYears:
    """Claims of a model; `bad_month` counts build months from 0, None: all are sound."""
    rng = np.random.default_rng([seed, 2])
    factors = rng.gamma(1.0 / plan.spread, plan.spread, 36) if plan.spread else np.ones(36)
    if bad_month is not None:
        factors[bad_month] *= plan.hazard_factor
    batches = tuple(_batch(k, factor) for k, factor in enumerate(factors) if factor != 1.0)
    return simulate_claim_years(
        ClaimOrder(
            plan.n_vehicles, seed, n_models=1,
            components=(Component(_COMPONENT, SHAPE, plan.scale),),
            batches=batches, first_build=_FIRST, last_build=_LAST, as_of=_END,
            vehicle_variation=plan.variation,
        )
    )  # fmt: skip


def _batch(month: int, factor: float) -> Batch:
    """The cars of one build month, counted from 0, with so many times as many failures."""
    first = date(2022 + month // 12, month % 12 + 1, 1)
    last = (first + timedelta(days=32)).replace(day=1) - timedelta(days=1)
    return Batch(_COMPONENT, first, last, hazard_factor=float(factor))


def records_of(years: ClaimYears) -> ClaimRecords:
    """The registry's frames; there are no tests."""
    return ClaimRecords(years.vehicles, years.models, years.repairs, years.volumes, CONTEXT.empty())


def months(first: int = 6) -> list[datetime]:
    """The days of judgement: month by month."""
    return [datetime(2022 + k // 12, k % 12 + 1, 1, tzinfo=UTC) for k in range(first, 6 * 12 + 2)]


def cohorts_on(years: ClaimYears, day: datetime) -> CohortClaims | None:
    """The build months as they stood on a day; None before the first claim."""
    claims = known_claims(records_of(years), _RECURRENCE, day.date())
    found = list(cohort_claims(claims, SETTINGS.followed_months, ("build_month",)))
    return found[0] if found else None


def first_warnings(
    years: ClaimYears, only: str | None = None, settings: AssessmentSettings = SETTINGS
) -> dict[str, int]:
    """Per build month ever warned of: its claims at the first warning.

    A warning is given at the claim that crosses, but not before the day of judgement before,
    at which there was none. Looks until `only` is warned of.
    """
    warned: dict[str, int] = {}
    before: dict[str, int] = {}
    for day in months():
        claims = cohorts_on(years, day)
        if claims is None:
            continue
        watched, expected, _ = watch_cohorts(claims, settings)
        for number, name in enumerate(claims.cohorts):
            crossing = watched[number].crossing
            if crossing and name not in warned and expected.others[number] >= _LEAST_OTHER_CLAIMS:
                warned[name] = max(crossing, before.get(name, 0) + 1)
            before[name] = len(claims.reports[number])
        if only in warned:
            break
    return warned


def bad_months(seed: int, count: int, plan: Plan) -> np.ndarray:
    """Claims at the warning of one bad month in each of `count` models; inf: never."""
    found = []
    for number in range(count):
        month = int(np.random.default_rng([seed, number, 1]).integers(3, 33))
        name = f"{2022 + month // 12}-{month % 12 + 1:02d}"
        years = simulate(seed * 100_000 + number, plan, month)
        found.append(first_warnings(years, name, plan.settings).get(name, np.inf))
    return np.array(found, dtype=float)


def false_warnings(seed: int, count: int, plan: Plan) -> tuple[int, int]:
    """Sound build months warned of, and how many were followed, over `count` models."""
    n_warned = n_followed = 0
    for number in range(count):
        years = simulate(seed * 100_000 + 50_000 + number, plan, None)
        n_warned += len(first_warnings(years, settings=plan.settings))
        n_followed += years.vehicles["build_date"].dt.strftime("%Y-%m").n_unique()
    return n_warned, n_followed


def wald_claims(chance: float, plan: Plan, n: int = 20_000) -> np.ndarray:
    """Claims at the warning of Wald's test that knows what to expect and what to look for.

    Its limit is exact for the chance of a false warning over all the claims that a sound month
    can expect while it is followed; it may speak at any moment, and no reports are late.
    """
    ratio, months_followed = plan.hazard_factor, SETTINGS.followed_months
    share = 1.0 - np.exp(-((months_followed / plan.scale) ** SHAPE))
    limit = first_day_limit(chance, ratio, 2000.0, share * plan.n_vehicles / 36.0)
    rng = np.random.default_rng(1)
    due = np.cumsum(rng.exponential(1.0 / ratio, size=(n, 200)), axis=1)
    crossed = log_ratio(np.arange(1, 201)[None, :], due, ratio, 1e12) >= limit
    return crossed.argmax(axis=1) + 1.0


@dataclass(frozen=True)
class Criterion:
    """What was asked for, like held against like: shares with shares, means with means.

    `by_tenth` share warned of by the tenth claim; `claims_of_most` those by which 8 of 10 were,
    here and by Wald's test, `mean` likewise, of those ever warned of; `false_share` of the sound
    months.
    """

    by_tenth: float
    claims_of_most: tuple[float, ...]
    mean: tuple[float, float]
    false_share: float

    @property
    def is_soon(self) -> bool:
        """By the tenth claim in 8 of 10, or within 1.3 times the claims by which Wald's is."""
        return self.claims_of_most[0] <= max(10.0, 1.3 * self.claims_of_most[1])

    @property
    def is_soon_on_average(self) -> bool:
        """The same of the mean number of claims."""
        return self.mean[0] <= max(10.0, 1.3 * self.mean[1])

    @property
    def keeps_budget(self) -> bool:
        """No more than one sound month in a hundred, as counted."""
        return self.false_share <= SETTINGS.false_warnings_per_100_cohorts / 100.0


def held_against(found: np.ndarray, wald: np.ndarray, false_share: float) -> Criterion:
    """The criterion from claims at the warnings and the share of false ones."""
    return Criterion(
        float((found <= 10).mean()),
        # of months never warned of the claims are without end: no mean between two counts
        tuple(float(np.quantile(each, 0.8, method="higher")) for each in (found, wald)),
        (float(found[np.isfinite(found)].mean()), float(wald.mean())),
        false_share,
    )


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def _main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--bad", type=int, default=100)
    parser.add_argument("--sound", type=int, default=40)
    parser.add_argument("--vehicles", type=int, default=Plan().n_vehicles)
    parser.add_argument("--variation", type=float, default=0.0)
    parser.add_argument("--spread", type=float, default=0.0)
    parser.add_argument("--factor", type=float, default=Plan().hazard_factor)
    parser.add_argument("--design", type=float, default=SETTINGS.warning_ratio)
    asked = parser.parse_args()
    plan = Plan(
        n_vehicles=asked.vehicles, hazard_factor=asked.factor, variation=asked.variation,
        spread=asked.spread, design=asked.design,
    )  # fmt: skip
    chance = SETTINGS.false_warnings_per_100_cohorts / 100.0
    _say(f"{plan}, seed {asked.seed}, {asked.bad} bad months")
    warned, followed = false_warnings(asked.seed, asked.sound, plan)
    _say(
        f"sound months warned of: {warned} of {followed} ({100 * warned / max(followed, 1):.2f} %)"
    )
    if asked.bad:
        found = bad_months(asked.seed, asked.bad, plan)
        _say(f"bad months ever warned of: {np.isfinite(found).mean():.3f}")
        _tell(held_against(found, wald_claims(chance, plan), warned / max(followed, 1)))


def _tell(found: Criterion) -> None:
    words = {True: "yes", False: "no"}
    _say(f"warned of by the tenth claim: {found.by_tenth:.2f} of the bad months")
    _say("8 of 10 by claim {:.1f}, by Wald's test {:.0f}".format(*found.claims_of_most))
    _say("mean {:.2f} claims, of Wald's test {:.2f}".format(*found.mean))
    _say(f"8 of 10 by the tenth claim or 1.3 times those of Wald's test: {words[found.is_soon]}")
    _say(f"the same of the mean: {words[found.is_soon_on_average]}")
    _say(f"no more false warnings than stated: {words[found.keeps_budget]}")


if __name__ == "__main__":
    _main()
