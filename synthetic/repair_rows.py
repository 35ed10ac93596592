"""One row per repair: what the books say, and beside it what was really done (`true_`).

Books round, scales err, and a claim reaches them weeks later. Does not belong here: the
decisions themselves (`service`).
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from synthetic.planned_tests import ZONE

if TYPE_CHECKING:
    import numpy as np

    from synthetic.service import Repair

# a recovery machine gets most of the charge out; its scale errs by so much (chosen)
_RECOVERED_SHARE, _SCALE_G = 0.95, 8.0


def _books(rng: np.random.Generator, repair: Repair) -> dict[str, object]:
    """Masses, oil and costs as written down."""
    is_open = repair.charged_g is not None
    part = rng.gamma(4.0, 60.0) if repair.action == "replace" else rng.gamma(2.0, 8.0)
    recovered = _RECOVERED_SHARE * repair.before.charge_g + float(rng.normal(0, _SCALE_G))
    charged = (repair.charged_g or 0.0) + float(rng.normal(0, _SCALE_G))
    return {
        "recovered_g": float(max(0, round(recovered))) if is_open else None,
        "charged_g": float(round(charged)) if is_open else None,
        "oil_ml": float(rng.integers(0, 25)) if is_open else None,
        "leak_found": repair.leak_found,
        "part_number": f"pn_{repair.component}" if repair.action == "replace" else None,
        "supplier": repair.supplier,
        "part_lot": repair.part_lot,
        "parts_cost": round(float(part), 2),
        "labour_cost": round(float(rng.gamma(5.0, 22.0)), 2),
    }


def _truth(repair: Repair) -> dict[str, object]:
    """What was wrong before, what is wrong after, and what really went in."""
    before, after = repair.before, repair.after or repair.before
    return {
        "true_fault_before": before.worst,
        "true_severity_before": before.severity,
        "true_fault_after": after.worst,
        "true_severity_after": after.severity,
        "true_charge_before_g": before.charge_g,
        "true_charge_after_g": after.charge_g,
        "true_leak_left_g_per_year": round(repair.left_leak_g_per_year, 1),
        "true_found_cause": repair.found_cause,
        "true_cured": not after.severities and repair.left_leak_g_per_year == 0,
    }


def repair_row(rng: np.random.Generator, repair_id: str, repair: Repair) -> dict[str, object]:
    """One repair as a row."""
    car = repair.life.car
    when = datetime.combine(repair.day, datetime.min.time(), ZONE) + timedelta(hours=7)
    reported = repair.claim_reported
    return {
        "repair_id": repair_id,
        "vehicle_id": car.vehicle_id,
        "performed_at": when.isoformat(),
        "shop_id": repair.site.site_id,
        "technician_id": repair.technician.technician_id,
        "odometer_km": car.odometer_km(repair.day),
        "complaint": repair.complaint,
        "component": repair.component,
        "action": repair.action,
        **_books(rng, repair),
        "claim_id": f"c{repair_id[1:]}" if reported else None,
        "reported_at": reported.isoformat() if reported else None,
        **_truth(repair),
    }
