"""Packed logs are counted by what they hold, so that a batch of them fits into memory."""

from __future__ import annotations

import gzip

import pytest
from log_writing import write

from pipeline.expanded_sizes import expanded_bytes
from pipeline.fingerprints import hash_logs
from pipeline.log_batches import batches

# a calm log packs to a hundredth
CALM = b"Time [s],Ambient [degC]\n" + b"0,20.5\n" * 30_000


def test_a_gzip_file_tells_its_size(tmp_path):
    log = write(tmp_path, "a.csv.gz", gzip.compress(CALM))
    assert log.stat().st_size * 100 < len(CALM)
    assert expanded_bytes(log, log.stat().st_size) == len(CALM)


@pytest.mark.parametrize("content", [b"", b"x", b"\x1f\x8b"])
def test_a_broken_gzip_file_counts_at_least_as_it_lies(tmp_path, content):
    log = write(tmp_path, "a.csv.gz", content)
    assert expanded_bytes(log, len(content)) == 4 * len(content)
    assert expanded_bytes(tmp_path / "gone.csv.gz", 7) == 28


@pytest.mark.parametrize(("name", "times"), [("a.csv", 1), ("a.csv.zst", 4), ("a.parquet", 3)])
def test_other_files_are_estimated_by_their_kind(tmp_path, name, times):
    assert expanded_bytes(tmp_path / name, 1000) == 1000 * times


def test_a_batch_is_bounded_by_what_its_logs_hold(tmp_path):
    class Planned:
        def __init__(self, file):
            self.file = file

    names = [f"log{n}.csv.gz" for n in range(10)]
    files = [write(tmp_path, name, gzip.compress(CALM)) for name in names]
    planned = [Planned(file) for file in hash_logs(names, files)]
    # 210 kB each: four fit into a megabyte, though all ten together take 20 kB on disk
    assert [len(batch) for batch in batches(planned, 100, 1, tmp_path)] == [4, 4, 2]
    assert [len(batch) for batch in batches(planned, 100, 1)] == [10]
