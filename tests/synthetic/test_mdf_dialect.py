"""MDF 4 logs, read back with the format's own library."""

from __future__ import annotations

import importlib
import io
import sys
from datetime import datetime

import numpy as np
import pytest

from synthetic.dialects import Recording
from synthetic.mdf_dialect import MdfMissingError, mdf4

asammdf = pytest.importorskip("asammdf")


@pytest.fixture
def recording():
    return Recording(
        readings={
            "low_side_kpa": np.array([295.0, 296.25, np.nan, 297.0]),
            "duct_left_c": np.array([5.0, 5.04, 4.96, 4.9]),
        },
        started_at=datetime.fromisoformat("2026-05-11T23:59:59+02:00"),
        site_kpa=95.0,
        site_id="old_mill",
        instrument_id="inst_i",
    )


def test_signals_units_and_start_are_in_the_file(recording):
    with asammdf.MDF(io.BytesIO(mdf4(recording))) as mdf:
        assert mdf.version == "4.10"
        assert mdf.start_time == recording.started_at
        duct = mdf.get("duct_left_degc")
        assert duct.unit == "degC"
        assert duct.samples.tolist() == [5.0, 5.04, 4.96, 4.9]
        assert duct.timestamps.tolist() == [0.0, 1.0, 2.0, 3.0]


def test_missing_samples_are_invalid_not_zero(recording):
    with asammdf.MDF(io.BytesIO(mdf4(recording))) as mdf:
        low = mdf.get("low_side_kpa_abs")
        assert low.unit == "kPa"
        assert low.samples.tolist() == [295.0, 296.25, 297.0]
        assert low.timestamps.tolist() == [0.0, 1.0, 3.0]


def test_the_clock_of_the_machine_is_not_in_the_file(recording, monkeypatch):
    blocks = importlib.import_module("asammdf.blocks.v4_blocks")
    first = mdf4(recording)
    monkeypatch.setattr(blocks.time, "time", lambda: 2.0e9)
    assert mdf4(recording) == first


def test_without_the_library_the_error_says_what_to_install(recording, monkeypatch):
    monkeypatch.setitem(sys.modules, "asammdf", None)
    with pytest.raises(MdfMissingError, match=r"chillroster\[mdf\]"):
        mdf4(recording)
