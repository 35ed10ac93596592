"""The shipped profiles against the dialects of the simulator, which shares no code."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from log_writing import door, request, write

from pipeline.readers import read_logs
from synthetic.dialects import SENSORS, WRITERS, Recording, packed

SITE_KPA = 94.0
# half a step of what each dialect prints: 0.1 psi, 0.01 bar, 0.1 kPa; 0.1 degF, 0.1 degC
PRESSURE_STEP_KPA = {
    "header_block_imperial": 0.05 * 6.894757,
    "semicolon_metric": 0.5,
    "timestamp_comma": 0.05,
    "long_parquet": 0.05,
}
# one dialect needs no profile of its own: its headers tell name and unit
PROFILES = {name: name for name in WRITERS} | {"timestamp_comma": "self_describing"}


def recording(seed, n=120):
    rng = np.random.default_rng(seed)
    spans = {
        "pressure": (150.0, 2000.0), "temperature": (0.0, 90.0), "share": (0.0, 100.0),
        "speed": (700.0, 2500.0), "power": (200.0, 4000.0), "switch": (0.0, 0.0),
    }  # fmt: skip
    readings = {sensor.curve: rng.uniform(*spans[sensor.kind], n) for sensor in SENSORS}
    readings["compressor_on"] = rng.integers(0, 2, n).astype(float)
    # a minute before midnight, so that the clock passes it
    started = dt.datetime(2026, 5, 11, 23, 59, 0, tzinfo=dt.UTC)
    return Recording(readings, started, SITE_KPA, "S1", "I1")


@pytest.mark.parametrize("packing", ["", "gz", "zst"])
@pytest.mark.parametrize("dialect", list(WRITERS))
def test_every_sensor_of_a_dialect_is_read_back(tmp_path, dialect, packing):
    if dialect == "long_parquet" and packing:
        pytest.skip("Parquet is packed inside")
    logs = [recording(seed) for seed in (1, 2, 3)]
    ending = ".parquet" if dialect == "long_parquet" else f".csv{'.' + packing if packing else ''}"
    requests = [
        request(
            write(tmp_path, f"log{n}{ending}", packed(WRITERS[dialect](log), packing)),
            barometric_kpa=SITE_KPA,
        )
        for n, log in enumerate(logs)
    ]
    batch = read_logs(requests, door())
    assert batch.refusals.rows() == []
    assert batch.notices.rows() == []
    assert batch.readings["profile"].unique().to_list() == [PROFILES[dialect]]
    for n, log in enumerate(logs):
        samples = batch.samples.slice(n * 120, 120)
        assert samples["time_s"].to_list() == list(range(120))
        for sensor in log.sensors:
            step = {
                "pressure": PRESSURE_STEP_KPA[dialect], "temperature": 0.06,
                "share": 0.5, "speed": 0.5, "power": 0.5, "switch": 0.5,
            }[sensor.kind]  # fmt: skip
            read = samples[sensor.curve].to_numpy()
            np.testing.assert_allclose(read, log.readings[sensor.curve], atol=step * 1.001)
