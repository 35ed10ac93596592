"""Fleets of `residual_fleets` taken through the judgement: who is flagged, by how small a p.

From expectation to q value this is the code under test: baselines per model, spreads,
calibration, directions, combination, false discovery rate. Conditions are held constant, so
that the figures speak of residuals alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.comparison import Fleet, fit_groups
from models.conditions import CONDITION_NAMES, CONDITIONS
from models.family_q_values import add_q_values, known_tests
from models.findings import JUDGED_FEATURE
from models.flags import add_flags, add_test_ranks, p_values_of_tests
from models.norms import Judged
from models.residuals import Compared, direction_frame, residual_frame
from models.scores import learn
from models.settings import AssessmentSettings
from tests.studies.residual_fleets import FEATURES, ResidualFleet

# Five folds for all models: leaving out one car at a time gives the same within a few
# percent and takes ten times as long.
SETTINGS = AssessmentSettings(leave_one_out_up_to=0)
# A least effect is three standard deviations of healthy cars, of which the sensors have 0.3.
_JUDGED = tuple(JUDGED_FEATURE[name] for name in FEATURES)
_UNIT = np.array([feature.least_effect / 3.0 for feature in _JUDGED])
_SENSOR_SHARE = 0.3
_ARCHITECTURES = 6


@dataclass(frozen=True)
class JudgedFleet:
    """`residuals` as after `add_flags`; `tests` with p and q value; both know `is_faulty`."""

    residuals: pl.DataFrame
    tests: pl.DataFrame


def judge_fleet(drawn: ResidualFleet, settings: AssessmentSettings = SETTINGS) -> JudgedFleet:
    """The fleet judged; vehicle_id is `v` and the place in `drawn`."""
    rows = _rows(drawn)
    fleet = _fleet(drawn, rows)
    _, comparison = fit_groups(fleet, settings)
    reasons = np.where(np.isfinite(fleet.values), comparison.expectation.reasons, 1)
    _, scores = learn(fleet, comparison, reasons == 0, settings)
    compared = Compared(rows, fleet, Judged(comparison, reasons, scores))
    ranks = add_test_ranks(rows.select("test_id", "vehicle_id", "started_at")).with_columns(
        expansion_device=pl.lit("txv")
    )
    plain = residual_frame(compared)
    tests = p_values_of_tests(plain, direction_frame([compared]), settings)
    known = known_tests(tests, ranks)
    tests = add_q_values(tests, ranks, known, growth=settings.refit_growth)
    residuals = add_flags(plain, tests, ranks, settings)
    truth = rows.select("test_id", "vehicle_id", "is_faulty")
    ranked = tests.join(truth, on="test_id").join(ranks.select("test_id", "age_rank"), on="test_id")
    return JudgedFleet(residuals.join(truth.drop("vehicle_id"), on="test_id"), ranked)


def _rows(drawn: ResidualFleet) -> pl.DataFrame:
    n, n_tests, _ = drawn.values.shape
    car, visit = np.repeat(np.arange(n), n_tests), np.tile(np.arange(n_tests), n)
    ids = [f"v{c:05d}" for c in car]
    return pl.DataFrame(
        {
            "test_id": [f"{v}-t{k}" for v, k in zip(ids, visit, strict=True)],
            "vehicle_id": ids,
            "model_id": [f"m{m:02d}" for m in drawn.models[car]],
            "started_at": visit,
            "regime": "saturated",
            "window_kind_code": "steady",
            "n_windows": 1,
            "steady_s": 120.0,
            "rear_evaporator": True,
            "is_faulty": drawn.faults[car] >= 0,
        }
    )


def _fleet(drawn: ResidualFleet, rows: pl.DataFrame) -> Fleet:
    values = drawn.values.reshape(rows.height, -1) * _UNIT
    conditions = np.full((rows.height, len(CONDITIONS)), np.nan)
    conditions[:, CONDITION_NAMES.index("condenser_air_c@ambient_air_c")] = 25.0
    conditions[:, CONDITION_NAMES.index("intake_enthalpy_kj_per_kg")] = 50.0
    pools = pl.Series([f"a{int(m[1:]) % _ARCHITECTURES}" for m in rows["model_id"]])
    return Fleet(
        vehicle_ids=_texts(rows["vehicle_id"]),
        model_ids=_texts(rows["model_id"]),
        pools=_texts(pools),
        regimes=_texts(rows["regime"]),
        kinds=_texts(rows["window_kind_code"]),
        stages=np.full(rows.height, "", dtype=object),
        conditions=conditions,
        values=values,
        uncertainties=np.broadcast_to(_SENSOR_SHARE * _UNIT, values.shape).copy(),
        is_orifice_tube=np.zeros(rows.height, dtype=bool),
        features=_JUDGED,
    )


def _texts(column: pl.Series) -> np.ndarray:
    return np.array(column.to_list(), dtype=object)
