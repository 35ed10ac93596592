"""Table contracts of the early warning: cohorts by claims, batches by tests, shared patterns.

Holds the declarations and the codes that stand in them; the frames are made by
`early_warning`, `batch_warning` and `signature_clusters`. Does not belong here: arithmetic,
sentences (`early_warning_words`).
"""

from __future__ import annotations

from enum import Enum

import polars as pl

from features.tables import Column, Table

_TEXT, _REAL, _COUNT = pl.String(), pl.Float64(), pl.Int32()
_INSTANT = pl.Datetime("us", "UTC")


class WatchState(Enum):
    """Where a watched cohort or batch stands; the value is what it means."""

    WARNED = "beyond the limit that chance is held to"
    WATCHED = "more than usual, yet short of the limit"
    QUIET = "nothing out of line"
    TOO_FEW = "too little to compare with to say anything"

    @property
    def code(self) -> str:
        """The code stored: `warned`."""
        return self.name.lower()


_COHORT = (
    Column(
        "kind_code", _TEXT, "",
        "what the cars have in common: build_month, build_month_and_plant, plant, region",
    ),
    Column("model_id", _TEXT, "", "the vehicle model"),
    Column("cohort", _TEXT, "", "the cohort: 2025-03, or 2025-03 / plant"),
)  # fmt: skip

CLAIM_WARNINGS = Table(
    "claim_warnings",
    "one row per cohort watched and component, by its claims",
    ("kind_code", "model_id", "cohort", "component"),
    (
        *_COHORT,
        Column("component", _TEXT, "", "the component of the claims"),
        Column("state_code", _TEXT, "", "warned, watched, quiet or too_few"),
        Column("n_vehicles", _COUNT, "1", "cars of the cohort in service"),
        Column("n_claims", _COUNT, "1", "cars with a claim reported by now"),
        Column(
            "expected_claims", _REAL, "1",
            "claims expected to be reported by now at the ages, in the months and at the "
            "reporting delay of the other cohorts of the model",
        ),
        Column("expected_ahead", _REAL, "1", "the same over all the time it is followed"),
        Column("other_claims", _COUNT, "1", "claims of the other cohorts behind the expectation"),
        Column("ratio", _REAL, "1", "claims over expected claims; no order is made by it"),
        Column("ratio_low", _REAL, "1", "lower end of its 90 % interval"),
        Column("ratio_high", _REAL, "1", "upper end of its 90 % interval"),
        Column("shrunken_ratio", _REAL, "1", "the ratio drawn towards that of all cohorts"),
        Column("shrunken_low", _REAL, "1", "lower end of its 90 % interval; lists go by it"),
        Column("shrunken_high", _REAL, "1", "upper end of its 90 % interval"),
        Column(
            "evidence", _REAL, "1",
            "largest logarithm of the likelihood ratio so far, of the watch nearest its limit",
        ),
        Column("evidence_limit", _REAL, "1", "the limit of that watch"),
        Column(
            "watch_code", _TEXT, "",
            "since_first_day, or later for what begins after good times",
        ),
        Column("warned_at", _INSTANT, "", "report that crossed the limit, UTC; null: none"),
        Column("warned_at_claim", _COUNT, "1", "which claim of the cohort that was"),
        Column("sentence", _TEXT, "", "all of it in words"),
    ),
)  # fmt: skip

BATCH_WARNINGS = Table(
    "batch_warnings",
    "one row per batch of tested cars and quantity",
    ("kind_code", "model_id", "cohort", "feature"),
    (
        Column(
            "kind_code", _TEXT, "",
            "what the cars have in common: build_month, build_month_and_plant, plant, part_lot",
        ),
        *_COHORT[1:],
        Column("feature", _TEXT, "", "name of the derived quantity"),
        Column("state_code", _TEXT, "", "warned, watched, quiet or too_few"),
        Column("n_vehicles", _COUNT, "1", "cars of the batch tested; each counts once"),
        Column("n_tests", _COUNT, "1", "their tests"),
        Column("n_reference", _COUNT, "1", "other cars of the model tested"),
        Column("shift", _REAL, "spreads", "typical distance of a batch car from another car"),
        Column("shift_low", _REAL, "spreads", "lower end of its 90 % interval"),
        Column("shift_high", _REAL, "spreads", "upper end of its 90 % interval"),
        Column("n_far", _COUNT, "1", "batch cars among the outermost tenth of the model"),
        Column("p_value", _REAL, "1", "chance of a batch so far off, were labels mere names"),
        Column("q_value", _REAL, "1", "false discovery rate over all batches and quantities"),
        Column("sentence", _TEXT, "", "all of it in words"),
    ),
)  # fmt: skip

SIGNATURE_CLUSTERS = Table(
    "signature_clusters",
    "one row per car of a group that strays alike without a named cause",
    ("cluster_number", "vehicle_id"),
    (
        Column("cluster_number", _COUNT, "1", "the group"),
        Column("vehicle_id", _TEXT, "", "a member"),
        Column("model_id", _TEXT, "", "its model"),
        Column("n_members", _COUNT, "1", "cars of the group"),
        Column("shared_kind", _TEXT, "", "what they share: build_month, plant, part_lot or shop"),
        Column("shared_value", _TEXT, "", "its value; months from and to"),
        Column("n_sharing", _COUNT, "1", "members that share it"),
        Column("shared_elsewhere", _REAL, "1", "share of the model's other tested cars that do"),
        Column("has_it", pl.Boolean(), "", "whether this member shares it"),
        Column("alikeness", _REAL, "1", "how alike this car's pattern is to the group's, to 1"),
        Column(
            "chance", _REAL, "1",
            "how often groups share something as markedly when the labels are shuffled",
        ),
        Column("pattern", _TEXT, "", "how the group strays, in words"),
        Column("sentence", _TEXT, "", "all of it in words"),
    ),
)  # fmt: skip

FINDING_SHARES = Table(
    "finding_shares",
    "one row per batch of tested cars: how many have a finding",
    ("kind_code", "model_id", "cohort"),
    (
        Column(
            "kind_code", _TEXT, "",
            "what the cars have in common: build_month, build_month_and_plant, plant, part_lot",
        ),
        *_COHORT[1:],
        Column("n_vehicles", _COUNT, "1", "cars of the batch tested"),
        Column("n_with_finding", _COUNT, "1", "of these, cars with a finding in any test"),
        Column("shrunken_share", _REAL, "1", "that share, drawn towards the share of all batches"),
        Column("share_low", _REAL, "1", "lower end of its 90 % interval; lists go by it"),
        Column("share_high", _REAL, "1", "upper end of its 90 % interval"),
    ),
)  # fmt: skip
