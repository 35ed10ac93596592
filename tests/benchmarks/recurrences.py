"""All recurrence tables of a million cars with three million repairs, beside bare scans.

`python -m tests.benchmarks.recurrences [--vehicles 1000000]` simulates the claims in a process of
its own, so that the peak is that of the tables, then prints the time of the tables, that of a
plain group-by and of a sort of the same repairs, and the ratios; processor time counts on a
machine that is busy elsewhere.
"""

from __future__ import annotations

import argparse
import resource
import time
from datetime import UTC, date, datetime
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl

from features.context import CONTEXT
from models.recurrence.exposure import ClaimRecords
from models.recurrence.recurrence import find_recurrences
from models.recurrence.settings import RecurrenceSettings
from pipeline.registry_tables import REGISTRY_TABLES
from synthetic.claim_order import ClaimOrder, Component
from synthetic.claim_years import simulate_claim_years

_FILES = ("vehicles", "models", "repairs", "volumes")
_AS_OF = datetime(2026, 1, 1, tzinfo=UTC)
# lives so short that cars bring about three repairs each in their two and a half years
_COMPONENTS = tuple(
    Component(name, shape, 31.4)
    for name, shape in (("condenser", 1.0), ("seal", 1.2), ("fan", 0.9))
)


def _timed(work):
    clock, processors = time.perf_counter(), time.process_time()
    found = work()
    return time.perf_counter() - clock, time.process_time() - processors, found


def _simulate(n_vehicles, folder):
    order = ClaimOrder(
        n_vehicles, 1, n_models=8, components=_COMPONENTS, vehicle_variation=0.5,
        last_build=date(2024, 12, 31), first_build=date(2021, 1, 1),
    )  # fmt: skip
    years = simulate_claim_years(order)
    for name in _FILES:
        REGISTRY_TABLES[name].conform(getattr(years, name)).write_parquet(
            folder / f"{name}.parquet"
        )


def _records(n_vehicles):
    with TemporaryDirectory() as name:
        folder = Path(name)
        work = get_context("spawn").Process(target=_simulate, args=(n_vehicles, folder))
        work.start()
        work.join()
        frames = [pl.read_parquet(folder / f"{each}.parquet", memory_map=False) for each in _FILES]
    return ClaimRecords(*frames, CONTEXT.empty())


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--vehicles", type=int, default=1_000_000)
    options = parser.parse_args()
    records = _records(options.vehicles)
    repairs = records.repairs
    month = pl.col("performed_at").dt.truncate("1mo").alias("month")
    scan = _timed(
        lambda: (
            repairs.join(records.vehicles, on="vehicle_id")
            .group_by("model_id", "component", month)
            .len()
        )
    )
    ordered = _timed(lambda: repairs.sort("vehicle_id", "performed_at"))
    tables = _timed(lambda: find_recurrences(records, RecurrenceSettings(), _AS_OF))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{records.vehicles.height:,} vehicles, {repairs.height:,} repairs, peak {peak:,.0f} MiB")
    for what, (seconds, processors, _) in (
        ("join and group-by", scan), ("sort by car and time", ordered), ("all tables", tables),
    ):  # fmt: skip
        print(
            f"{what:22} {seconds:8.2f} s  {processors:8.2f} s of processors  "
            f"{processors / scan[1]:6.1f} x the group-by"
        )
    rows = {name: getattr(tables[2], name).height for name in tables[2].__dataclass_fields__}
    print(", ".join(f"{name} {count:,}" for name, count in rows.items()))


if __name__ == "__main__":
    main()
