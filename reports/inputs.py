"""What a page is made of, as one hash: equal inputs, equal bytes.

Takes the rows of a vehicle's `Ledger`, the settings and the code, gives SHA-256 digits by
which `site` leaves pages alone that would come out the same. The clock is not among them:
no vehicle page takes it; what it does to a state stands in the state's row. Does not belong
here: keeping the hashes (`manifest`).
"""

from __future__ import annotations

import hashlib
import json
import platform
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from reports.content import SiteContent
    from reports.ledger import Ledger

# packages whose code or data a page passes through, and libraries whose version may show
_PACKAGES = ("reports", "features", "models")
_LIBRARIES = ("altair", "CoolProp", "jinja2", "numpy", "polars", "vl-convert-python")


@cache
def code_hash() -> str:
    """SHA-256 of the code, templates and data behind the pages, and of the libraries' versions."""
    root = Path(__file__).resolve().parent.parent
    digest = hashlib.sha256(platform.python_version().encode())
    for library in _LIBRARIES:
        digest.update(f"{library} {version(library)}\n".encode())
    for package in _PACKAGES:
        for file in sorted((root / package).rglob("*")):
            if file.is_file() and "__pycache__" not in file.parts:
                digest.update(file.relative_to(root).as_posix().encode())
                digest.update(file.read_bytes())
    return digest.hexdigest()


def vehicle_inputs_hash(vehicle_id: str, ledger: Ledger, content: SiteContent) -> str | None:
    """SHA-256 of all that a vehicle's page and twin are made of; null if that is not known.

    The samples of its latest test are told by the `inputs_hash` of their log: without it
    the page is made anew each time.
    """
    state = ledger.states[vehicle_id]
    tests = ledger.tests.get(vehicle_id, [])
    latest_id = state["latest_test_id"]
    samples_hash = ledger.samples_hashes.get(latest_id)
    if samples_hash is None and any(test["test_id"] == latest_id for test in tests):
        return None
    of_vehicle = (ledger.evidence, ledger.residuals, ledger.drifts, ledger.causes, ledger.repairs)
    of_test = (
        ledger.windows, ledger.regimes, ledger.unread, ledger.stories,
        ledger.events, ledger.trust,
    )  # fmt: skip
    of_log = (ledger.refused_columns, ledger.notices)
    told = [
        code_hash(),
        content.code_version,
        content.settings.model_dump(),
        samples_hash,
        state,
        tests,
        [rows.get(vehicle_id) for rows in of_vehicle],
        [[rows.get(test["test_id"]) for rows in of_test] for test in tests],
        [[rows.get(test["log_path"]) for rows in of_log] for test in tests],
        [ledger.duct_sources.get(test["test_id"]) for test in tests],
    ]
    return hashlib.sha256(json.dumps(told, default=str).encode()).hexdigest()
