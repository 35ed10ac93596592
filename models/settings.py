"""Settings of the judgement: how large a baseline must be, how sure a finding, how old a test.

Holds `AssessmentSettings`, a frozen record whose field descriptions become the commented
settings file. Every default is a proposal to be tuned on data unless its description names
a source. Does not belong here: the least effect of each feature (`findings`) and the
margins of each operating condition (`conditions`), which are physics, not taste.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from models.repair_settings import RepairSettings


class AssessmentSettings(BaseModel):
    """Everything about the judgement of a fleet that its owner may change."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    least_vehicles: int = Field(
        default=12,
        ge=6,
        description=(
            "Other cars of the same model that a baseline needs. With fewer, the car is "
            "compared with its architecture; with fewer there too, it gets no verdict."
        ),
    )
    least_vehicles_per_term: float = Field(
        default=4.0,
        ge=2.0,
        description="Cars needed per fitted coefficient; with fewer, conditions are left out.",
    )
    leave_one_out_up_to: int = Field(
        default=60,
        ge=0,
        description=(
            "Up to this many cars in a group, each car is judged by a fit to all the others; "
            "above it, by a fit to the cars of the other folds."
        ),
    )
    folds: int = Field(
        default=5, ge=2, le=50, description="Folds of cars in a group too large to leave one out."
    )
    fold_seed: int = Field(
        default=20260511, ge=0, description="Seed of the assignment of cars to folds."
    )
    leverage_limit: float = Field(
        default=3.0,
        gt=1.0,
        description=(
            "A test whose operating conditions have more than this many times the mean "
            "leverage lies outside the range seen, and is not judged."
        ),
    )
    tail_degrees_of_freedom: float = Field(
        default=6.0,
        ge=3.0,
        le=100.0,
        description=(
            "Degrees of freedom of the Student t tail given to healthy cars (heavier than "
            "normal) before the fleet's own residuals say otherwise; small baselines lower "
            "them further."
        ),
    )
    lightest_tail_degrees_of_freedom: float = Field(
        default=30.0,
        ge=3.0,
        le=100.0,
        description="Most degrees of freedom that the fleet's own residuals may earn.",
    )
    least_residuals_for_tail: int = Field(
        default=200,
        ge=100,
        description="Residuals from which on scale and tail are estimated from the fleet.",
    )
    least_calibration_vehicles: int = Field(
        default=200,
        ge=50,
        description=(
            "Cars from whose deviations the chance of a deviation is counted: of the model, "
            "else of its architecture, else of all in the same control state. With fewer "
            "everywhere, the stated tail is used and the value marked approximate."
        ),
    )
    direction_share: float = Field(
        default=0.8,
        gt=0.0,
        lt=1.0,
        description=(
            "Share of the tolerated chance of error that goes to quantities straying "
            "together in an adverse direction; the rest goes to single quantities."
        ),
    )
    largest_relative_uncertainty: float = Field(
        default=1.0,
        gt=0.0,
        description=(
            "A quantity whose standard uncertainty exceeds this share of the least effect "
            "worth reporting is too uncertain to judge."
        ),
    )
    false_discovery_rate: float = Field(
        default=0.1,
        gt=0.0,
        lt=1.0,
        description="Largest q-value of a finding: the share of wrong flags that is tolerated.",
    )
    least_z: float = Field(
        default=3.0,
        gt=0.0,
        description="Least distance of a finding from the expected value, in spreads.",
    )
    watch_z: float = Field(
        default=4.0,
        gt=0.0,
        description=(
            "Distance, in spreads, from which a quantity of the latest test makes for `watch` "
            "though it is not certain enough for a finding, when it is large enough for one."
        ),
    )
    far_beyond_z: float = Field(
        default=8.0,
        gt=0.0,
        description=(
            "Distance, in spreads, from which a single test is enough for `service`, when "
            "the findings do not all rest on one sensor, nor on clamps that read the air under "
            "the hood."
        ),
    )
    far_beyond_effects: float = Field(
        default=2.0,
        ge=1.0,
        description="The same in multiples of the least effect worth reporting; both must hold.",
    )
    far_beyond_false_discovery_rate: float = Field(
        default=0.01,
        gt=0.0,
        lt=1.0,
        description=(
            "The same in q-value: a single test is enough only for what so few healthy cars of "
            "the fleet show, however many spreads it is."
        ),
    )
    recent_tests: int = Field(
        default=3, ge=1, description="Tests since the last repair that a state looks at."
    )
    confirming_tests: int = Field(
        default=2, ge=1, description="Of these, tests that must share a finding for `service`."
    )
    silent_after_days: float = Field(
        default=400.0, gt=0.0, description="Days without a test after which a car is `silent`."
    )
    refit_days: float = Field(
        default=7.0,
        ge=0.0,
        description=(
            "Days after which baselines are fitted anew, at the next run that knows of other "
            "tests. Until then they stand, and a new log changes its own car alone. 0: at every "
            "run. `chillroster assess --refit` fits them at once."
        ),
    )
    refit_growth: float = Field(
        default=0.2,
        ge=0.0,
        description=(
            "They are fitted anew before that when more tests are new or were read anew than "
            "this share of the vehicles fitted to, as while a fleet is being built up. The larger "
            "it is, the more certain a finding has to be: room is kept for the tests to come."
        ),
    )
    least_visits: int = Field(
        default=4,
        ge=3,
        description="Visits since the last service from which on drift between them is looked at.",
    )
    drift_horizon_years: float = Field(
        default=5.0,
        gt=0.0,
        le=50.0,
        description="A band that is likely left later than this many years ahead is not dated.",
    )
    drift_watch_days: float = Field(
        default=365.0,
        gt=0.0,
        description=(
            "A drift makes a car `watch` when even the late end of the interval of its date lies "
            "within so many days ahead."
        ),
    )
    drift_watch_share: float = Field(
        default=0.01,
        gt=0.0,
        lt=1.0,
        description=(
            "Largest share of cars that stay as they are which may be called `watch` by drift "
            "in error."
        ),
    )
    weighing_uncertainty_g: float = Field(
        default=25.0,
        gt=0.0,
        description=(
            "Standard uncertainty, g, of the refrigerant lost as weighed at a service: filling, "
            "recovery and scales together."
        ),
    )
    instrument_offset_k: float = Field(
        default=2.0,
        gt=0.0,
        description=(
            "What the thermometers of an instrument may read off on all its standing cars, K, "
            "before it is reported and its tests count as so much more uncertain."
        ),
    )
    instrument_offset_kpa: float = Field(
        default=25.0, gt=0.0, description="The same for a gauge against the other gauge, kPa."
    )
    false_warnings_per_100_cohorts: float = Field(
        default=1.0,
        gt=0.0,
        le=10.0,
        description=(
            "False early warnings tolerated per 100 cohorts (such as build months) whose claims "
            "are followed for all of `followed_months`."
        ),
    )
    followed_months: int = Field(
        default=36,
        ge=6,
        le=240,
        description="Months in service over which a cohort's claims are followed.",
    )
    warning_ratio: float = Field(
        default=2.5,
        ge=1.5,
        le=10.0,
        description=(
            "How many times as many claims as expected the early warning is made for: soonest "
            "near this, slower for less."
        ),
    )
    watched_cohorts: list[Literal["build_month", "build_month_and_plant", "plant", "region"]] = (
        Field(
            default=["build_month", "plant"],
            description=(
                "Kinds of cohorts whose claims are watched, each against the others of its "
                "model. Regions differ in climate, so that warnings of regions may say no more "
                "than that."
            ),
        )
    )
    batch_error_rate: float = Field(
        default=0.05,
        gt=0.0,
        lt=0.5,
        description=(
            "Share of wrong warnings tolerated among batches whose tests stray together, and the "
            "chance at which a group of cars with a like pattern is no longer put down to chance."
        ),
    )
    repairs: RepairSettings = Field(
        default_factory=RepairSettings,
        description="How repairs are followed up, and shops and parts compared.",
    )
