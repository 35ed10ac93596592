"""The study of false discovery: are p-values, flags and confirmed flags what they claim?

`python -m tests.studies.false_discovery [--replicates 200] [--json FILE]` draws fleets of
2,000 cars (or `--vehicles`), forty to a model, with a known truth, judges them, and prints shares
with intervals.
It writes a JSON file; docs/make_false_discovery.py makes the page of it.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import polars as pl

from tests.studies.judged_fleets import SETTINGS, JudgedFleet, judge_fleet
from tests.studies.persistence import confirmed_rate
from tests.studies.residual_fleets import (
    DIRECTIONS,
    FleetPlan,
    ResidualFleet,
    draw_fleet,
    healthy_correlation,
)

LEVELS = (0.01, 0.05, 0.1)
NOISES = {
    "normal": FleetPlan(),
    "Student t, 5 degrees, each quantity for itself": FleetPlan(tail=5.0),
    "Student t, 5 degrees, all quantities of a car together": FleetPlan(tail=5.0, is_shared=True),
}
CONTAMINATIONS = (0.0, 0.1, 0.2)
_TESTS_A_YEAR = 4
_CARS_PER_MODEL = 40
_TESTS = 3
_REPEATABLE = 0.5


@dataclass(frozen=True)
class Share:
    """A mean over replicates with its 95 % interval."""

    mean: float
    low: float
    high: float


def share(values: list[float]) -> Share:
    """Mean of one value per replicate; the replicates are independent."""
    known = np.array([v for v in values if np.isfinite(v)])
    if known.size == 0:
        return Share(np.nan, np.nan, np.nan)
    half = 1.96 * known.std(ddof=1) / np.sqrt(known.size) if known.size > 1 else np.nan
    return Share(float(known.mean()), float(known.mean() - half), float(known.mean() + half))


def measure(drawn: ResidualFleet, judged: JudgedFleet) -> dict[str, float]:
    """The figures of one replicate."""
    healthy = ~pl.col("is_faulty")
    rows = judged.residuals.filter(healthy & pl.col("p_value").is_not_null())["p_value"]
    tests = judged.tests.filter(healthy)["p_value"]
    called = judged.tests.filter(pl.col("q_value") <= SETTINGS.false_discovery_rate)
    found = judged.residuals.filter(pl.col("finding_code").is_not_null()).unique("test_id")
    n_faulty = int((drawn.faults >= 0).sum())
    false_alarms = called.filter(healthy).height / max(tests.len(), 1)
    places = called["vehicle_id"].str.slice(1).cast(pl.Int64).to_numpy()
    is_called = np.zeros(len(drawn.faults), dtype=bool)
    is_called[places] = True
    whole = _lacks_nothing(drawn) & (drawn.faults >= 0)
    return {
        **{f"row_p_at_{a}": float((rows <= a).mean()) for a in LEVELS},
        **{f"test_p_at_{a}": float((tests <= a).mean()) for a in LEVELS},
        "false_discoveries": called.filter(healthy).height / max(called.height, 1),
        "false_findings": found.filter(healthy).height / max(found.height, 1),
        "false_alarms": false_alarms,
        "power": called["is_faulty"].sum() / n_faulty if n_faulty else np.nan,
        "power_with_finding": found["is_faulty"].sum() / n_faulty if n_faulty else np.nan,
        "power_of_whole": is_called[whole].mean() if n_faulty else np.nan,
        "oracle_power": oracle_power(drawn, false_alarms) if n_faulty else np.nan,
    }


def _lacks_nothing(drawn: ResidualFleet) -> np.ndarray:
    return np.isfinite(drawn.values).all(axis=(1, 2))


def oracle_power(drawn: ResidualFleet, false_alarms: float) -> float:
    """Power of one that knows mean, covariance and direction, at as many false alarms.

    The likelihood ratio of a normal shift along the true direction, its limit taken from the
    tests of healthy cars; over the cars that lack nothing, in any of their tests.
    """
    whole = _lacks_nothing(drawn)
    weights = np.linalg.solve(healthy_correlation(), DIRECTIONS.T)
    # (vehicles, tests, faults); a car is detected when any of its tests is
    scores = np.nan_to_num(drawn.values) @ weights
    healthy = whole & (drawn.faults < 0)
    least = max(false_alarms, 1.0 / healthy.sum())
    limits = np.quantile(scores[healthy].reshape(-1, scores.shape[2]), 1.0 - least, axis=0)
    mine = np.flatnonzero(whole & (drawn.faults >= 0))
    faults = drawn.faults[mine]
    largest = scores[mine].max(axis=1)[np.arange(mine.size), faults]
    return float((largest > limits[faults]).mean())


def study(plan: FleetPlan, replicates: int, seed: int) -> dict[str, Share]:
    """The figures of many fleets of one plan."""
    measured = []
    for number in range(replicates):
        rng = np.random.default_rng([seed, number, round(100 * plan.contamination)])
        drawn = draw_fleet(rng, plan)
        measured.append(measure(drawn, judge_fleet(drawn)))
    return {name: share([m[name] for m in measured]) for name in measured[0]}


def confirmed(plan: FleetPlan, replicates: int, seed: int) -> dict[str, Share]:
    """Healthy cars with three tests: how many are flagged once, and how many confirmed."""
    found = []
    for number in range(replicates):
        rng = np.random.default_rng([seed, 1, number, round(100 * plan.contamination)])
        drawn = draw_fleet(rng, replace(plan, n_tests=_TESTS))
        found.append(_persisting(drawn, judge_fleet(drawn)))
    return {name: share([each[name] for each in found]) for name in found[0]}


def _persisting(drawn: ResidualFleet, judged: JudgedFleet) -> dict[str, float]:
    """Healthy cars found once and again; faulty ones detected within all their tests."""
    n_healthy = int((drawn.faults < 0).sum())
    found = judged.residuals.filter(pl.col("finding_code").is_not_null(), ~pl.col("is_faulty"))
    tests = found.group_by("vehicle_id", "finding_code").agg(pl.col("test_id").n_unique())
    repeated = tests.filter(pl.col("test_id") >= SETTINGS.confirming_tests)
    beyond = found.filter(pl.col("is_far_beyond"))
    both = set(repeated["vehicle_id"]) | set(beyond["vehicle_id"])
    called = judged.tests.filter(pl.col("q_value") <= SETTINGS.false_discovery_rate)
    false_alarms = called.filter(~pl.col("is_faulty")).height / (_TESTS * n_healthy)
    whole = np.flatnonzero(_lacks_nothing(drawn) & (drawn.faults >= 0))
    cars = called["vehicle_id"].str.slice(1).cast(pl.Int64).unique().to_numpy()
    return {
        "single_test": found["test_id"].n_unique() / (_TESTS * n_healthy),
        "far_beyond": beyond["vehicle_id"].n_unique() / n_healthy,
        "confirmed": len(both) / n_healthy,
        "false_alarms": false_alarms,
        "power_of_whole": float(np.isin(whole, cars).mean()) if whole.size else np.nan,
        "oracle_power": oracle_power(drawn, false_alarms) if whole.size else np.nan,
    }


def main() -> None:
    """Study, print, write."""
    options = _options()
    document: dict[str, object] = {"replicates": options.replicates, "fleets": [], "confirmed": []}
    for noise, base in NOISES.items():
        for contamination in CONTAMINATIONS:
            plan = replace(
                base,
                contamination=contamination,
                n_vehicles=options.vehicles,
                n_models=max(options.vehicles // _CARS_PER_MODEL, 1),
            )
            label = {"noise": noise, "contamination": contamination}
            # the harshest noise is one more question, not asked of the promise
            replicates = options.replicates if not base.is_shared else options.replicates // 4
            found = study(plan, replicates, options.seed)
            _print(label, found)
            document["fleets"].append(label | _plain(found))
            again = confirmed(plan, options.confirmed_replicates, options.seed)
            _print(label, again)
            _print_persistence(again)
            document["confirmed"].append(label | _plain(again))
            options.json.parent.mkdir(parents=True, exist_ok=True)
            options.json.write_text(json.dumps(document, indent=1) + "\n")


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.studies.false_discovery")
    parser.add_argument("--replicates", type=int, default=200)
    parser.add_argument("--vehicles", type=int, default=2000)
    parser.add_argument("--confirmed-replicates", type=int, default=12)
    parser.add_argument("--seed", type=int, default=4101)
    parser.add_argument("--json", type=Path, default=Path("build/false_discovery.json"))
    return parser.parse_args()


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def _print(label: dict[str, object], found: dict[str, Share]) -> None:
    _say(f"\n{label['noise']}, {label['contamination']:.0%} faulty")
    for name, value in found.items():
        _say(f"  {name:22} {value.mean:.4f} ({value.low:.4f} to {value.high:.4f})")


def _print_persistence(found: dict[str, Share]) -> None:
    """False alarms per car-month, seen and by calculation from the single tests."""
    by_month = found["confirmed"].mean * _TESTS_A_YEAR / 12
    implied = confirmed_rate(
        max(found["single_test"].mean, 1e-9),
        _REPEATABLE,
        SETTINGS.confirming_tests,
        SETTINGS.recent_tests,
    )
    _say(f"  confirmed per car-month at {_TESTS_A_YEAR} tests a year: {by_month:.5f}")
    _say(f"  by calculation from single tests, two of three: {implied:.6f}")


def _plain(found: dict[str, Share]) -> dict[str, list[float | None]]:
    return {
        name: [None if not np.isfinite(x) else round(x, 6) for x in (v.mean, v.low, v.high)]
        for name, v in found.items()
    }


if __name__ == "__main__":
    main()
