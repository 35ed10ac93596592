"""Groups with a like pattern: planted ones are found with their members, noise has none."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy.stats import binom

from models.causes_table import CAUSES
from models.settings import AssessmentSettings
from models.signature_clusters import find_signature_clusters
from models.signatures import alike_groups, alikeness, signatures
from tests.models.invented_batches import Plan, invent, shuffled

SETTINGS = AssessmentSettings()
# no row of the sign tables: duct far above the coil, low pressure ratio, warm suction
PATTERN = {
    "evaporator_approach_k": 4.5, "pressure_ratio": -4.0, "compressor_suction_superheat_k": 4.0,
}  # fmt: skip
PLANTED = Plan(n_bad=14, shift=PATTERN)


def _groups(invented, records=None, causes=None):
    named = CAUSES.empty() if causes is None else causes
    return find_signature_clusters(invented.residuals, records or invented.records, named, SETTINGS)


def test_a_planted_group_is_told_with_its_members_and_what_they_share():
    invented = invent(1, PLANTED)
    found = _groups(invented)
    assert found["cluster_number"].n_unique() == 1
    members = set(found["vehicle_id"])
    assert len(members & set(invented.bad)) >= 8
    assert found["shared_kind"][0] == "build_month"
    assert found["chance"][0] <= 0.05
    assert "no named cause fits" in found["sentence"][0]
    assert "duct air over evaporating temperature" in found["pattern"][0]
    assert found["alikeness"].is_between(-1, 1).all()


def test_most_planted_groups_are_found():
    found = sum(_groups(invent(10 + k, PLANTED)).height > 0 for k in range(10))
    assert found >= 6


def test_cars_with_a_named_cause_belong_to_no_group():
    invented = invent(1, PLANTED)
    causes = CAUSES.conform(
        pl.DataFrame(
            {"vehicle_id": invented.bad, "cause_code": "expansion_valve", "is_named": True}
        )
    )
    found = _groups(invented, causes=causes)
    assert not set(found["vehicle_id"]) & set(invented.bad)


def test_row_order_does_not_matter_and_nothing_gives_nothing():
    invented = invent(1, PLANTED)
    mixed = invented.residuals.sample(fraction=1.0, shuffle=True, seed=3)
    again = find_signature_clusters(mixed, invented.records, CAUSES.empty(), SETTINGS)
    assert again.equals(_groups(invented))
    nothing = find_signature_clusters(
        invented.residuals.clear(), invented.records, CAUSES.empty(), SETTINGS
    )
    assert nothing.is_empty()


def test_groups_go_by_direction_not_by_size():
    rng = np.random.default_rng(4)
    votes = rng.normal(size=(100, 6))
    votes[:8] = 0.2 * votes[:8] + rng.uniform(4, 12, 8)[:, None] * np.array([1, -1, 0, 0, 1, 0])
    found = alike_groups(signatures(votes), np.ones(100, dtype=bool), 5)
    assert any(set(range(8)) <= set(group.tolist()) for group in found)
    group = next(group for group in found if 0 in group)
    assert (alikeness(signatures(votes), group) > 0.5).all()


def test_quantities_alike_in_all_cars_or_hardly_known_do_no_harm():
    votes = np.random.default_rng(5).normal(size=(60, 4))
    votes[:, 1] = 0.0
    votes[:40, 2] = np.nan
    directions = signatures(votes)
    assert np.isfinite(directions).all()
    assert np.abs(directions[:, 1]).max() < np.abs(directions[:, 0]).max()


def _mere_names(n: int) -> int:
    hits = 0
    for number in range(n):
        invented = invent(2000 + number, PLANTED)
        hits += _groups(invented, shuffled(invented.records, number)).height > 0
    return hits


def test_shuffled_labels_give_groups_no_more_often_than_stated():
    assert _mere_names(12) <= binom.ppf(0.999, 12, SETTINGS.batch_error_rate)


@pytest.mark.slow
def test_shuffled_labels_in_a_thousand_fleets():
    hits = _mere_names(1000)
    print(f"shuffled groups: told in {hits} of 1,000 fleets")  # noqa: T201 - the figure
    assert hits <= binom.ppf(0.999, 1000, SETTINGS.batch_error_rate)
