"""What `warnings` tells, from a store filled by the models on invented claims and residuals."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from models.causes_table import CAUSES
from models.fleet_warnings import find_warnings
from models.recurrence.settings import RecurrenceSettings
from models.settings import AssessmentSettings
from pipeline.progress import Silence
from pipeline.settings import Settings
from pipeline.store_tables import STORE_TABLES, WARNING_TABLES
from pipeline.warehouse import Replacement, StoreLimits, open_store
from pipeline.warn import update_warnings
from pipeline.warnings_text import read_warnings, warnings_lines
from tests.models.invented_batches import Plan, invent
from tests.studies.early_warning import Plan as ClaimPlan
from tests.studies.early_warning import records_of, simulate

SETTINGS = AssessmentSettings()
AS_OF = datetime(2026, 1, 1, tzinfo=UTC)
BY_NAME = {table.name: table for table in STORE_TABLES}
PATTERN = {
    "evaporator_approach_k": 4.5, "pressure_ratio": -4.0, "compressor_suction_superheat_k": 4.0,
}  # fmt: skip


@pytest.fixture
def store(tmp_path):
    limits = StoreLimits("256MB", 1, tmp_path / "temp", "1GB")
    with open_store(tmp_path / "s.duckdb", STORE_TABLES, limits) as warehouse:
        yield warehouse


def _put(store, frames):
    store.replace([Replacement(BY_NAME[name], frame) for name, frame in frames.items()])


def _update(store):
    settings = Settings(recurrence=RecurrenceSettings(registered_cars="fleet"))
    return update_warnings(store, settings, AS_OF, Silence())


def _text(store, model=None, component=None, *, with_quiet=False):
    listed = read_warnings(store, model, component, with_quiet=with_quiet)
    return "\n".join(warnings_lines(listed, SETTINGS))


@pytest.fixture
def full(store):
    invented = invent(1, Plan(n_bad=14, shift=PATTERN))
    settings = (SETTINGS, RecurrenceSettings(registered_cars="fleet"))
    claims = find_warnings(
        (invented.residuals.clear(), CAUSES.empty()), records_of(simulate(11, ClaimPlan(), 14)),
        settings, AS_OF,
    )  # fmt: skip
    tests = find_warnings((invented.residuals, CAUSES.empty()), invented.records, settings, AS_OF)
    _put(store, {name.name: getattr(tests, name.name) for name in WARNING_TABLES})
    _put(store, {"claim_warnings": claims.claim_warnings})
    return store


def test_an_empty_store_is_told_as_such(store):
    text = _text(store)
    assert "No cohort could be watched" in text
    assert "No batch strays as a whole." in text
    assert "None that share a build period" in text
    assert "Only weighing" in " ".join(text.split())


def test_the_warned_cohort_its_numbers_and_the_budget_are_told(full):
    text = " ".join(_text(full).split())
    assert "warned model_1 built 2023-03 condenser" in text
    assert "Of 100 sound cohorts followed for 36 months about 1 would be warned of" in text
    assert "built 2023-03, condenser: " in text
    claims = full.read("claim_warnings").filter(kind_code="build_month", cohort="2023-03")
    row = claims.to_dicts()[0]
    assert f"{row['n_claims']} cars of {row['n_vehicles']} with a claim" in text


def test_the_group_and_its_members_are_told(full):
    text = " ".join(_text(full).split())
    group = full.read("signature_clusters")
    assert "stray alike, and no named cause fits" in text
    assert all(vehicle in text for vehicle in group["vehicle_id"])


def test_lists_go_by_the_lower_end_and_options_narrow_them(full):
    listed = read_warnings(full, None, None, with_quiet=True).listed["claim_warnings"]
    for _, own in listed.group_by("state_code"):
        assert own["shrunken_low"].is_sorted(descending=True)
    assert listed.height == full.read("claim_warnings").height
    assert read_warnings(full, "m", None, with_quiet=True).listed["claim_warnings"].is_empty()
    none = read_warnings(full, None, "hose", with_quiet=True).listed["claim_warnings"]
    assert none.is_empty()


def test_warnings_are_stored_once_and_again_when_volumes_change(store):
    records = records_of(simulate(11, ClaimPlan(), 14))
    names = ("vehicles", "models", "repairs", "volumes")
    _put(store, {name: BY_NAME[name].conform(getattr(records, name)) for name in names})
    assert _update(store) > 0
    before = store.read("claim_warnings")
    assert "2023-03" in before.filter(state_code="warned", kind_code="build_month")["cohort"]
    assert _update(store) == 0
    _put(store, {"volumes": records.volumes.head(1).select(*BY_NAME["volumes"].schema)})
    _update(store)
    assert store.read("claim_warnings").schema == before.schema
