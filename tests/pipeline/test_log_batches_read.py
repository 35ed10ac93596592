"""How often a batch is scanned: once when it is sound, twice when a log in it is not."""

from __future__ import annotations

import math

import pytest
from log_writing import door, request, write

from pipeline import scanning
from pipeline.readers import read_logs

N_LOGS = 64
HEADER = "Time [s],Low side [kPa abs],Ambient [degC]\n"
SOUND = HEADER + "".join(f"{n},{200 + n % 7},20.5\n" for n in range(300))


@pytest.fixture
def scans(monkeypatch):
    counted = []
    bare = scanning._scan

    def counting(paths, *rest, **how):
        counted.append(len(paths))
        return bare(paths, *rest, **how)

    monkeypatch.setattr(scanning, "_scan", counting)
    return counted


def read_with(folder, **odd):
    names = [f"log{n:02}.csv" for n in range(N_LOGS)]
    for name in names:
        write(folder, name, odd.get(name.removesuffix(".csv"), SOUND))
    return read_logs([request(folder / name) for name in names], door())


def test_a_sound_batch_is_scanned_once(tmp_path, scans):
    assert read_with(tmp_path).refusals.is_empty()
    assert scans == [N_LOGS]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("\n250,", "\n250,x,"),
        ("\n250,205,", "\n250,---,"),
        ("\n250,205,", "\n250,2x5,"),
        ("\n250,205,20.5\n", "\n250,205,20.5\nMean,203,20.5\n"),
        ("\n250,205,20.5\n", "\n# door opened\n250,205,20.5\n"),
        ("\n250,205,20.5\n", "\n250,205\n"),
    ],
)
def test_one_odd_log_costs_one_more_scan(tmp_path, scans, old, new):
    assert old in SOUND
    batch = read_with(tmp_path, log17=SOUND.replace(old, new))
    assert batch.refusals.is_empty()
    assert batch.readings["n_rows"].sum() in range(N_LOGS * 300 - 1, N_LOGS * 300 + 1)
    assert len(scans) <= 2
    assert set(scans) == {N_LOGS}


def test_many_odd_logs_cost_no_more(tmp_path, scans):
    odd = SOUND.replace("\n250,205,", "\n250,2x5,")
    batch = read_with(tmp_path, **{f"log{n:02}": odd for n in range(1, N_LOGS, 2)})
    assert batch.notices.height == N_LOGS // 2
    assert scans == [N_LOGS, N_LOGS]


def test_a_log_that_cannot_be_scanned_at_all_is_found_by_halving(tmp_path, monkeypatch):
    counted = []
    bare = scanning._scan

    def failing(paths, *rest, **how):
        counted.append(len(paths))
        if any(path.name == "log17.csv" for path in paths):
            raise OSError(5, "Input/output error")
        return bare(paths, *rest, **how)

    monkeypatch.setattr(scanning, "_scan", failing)
    batch = read_with(tmp_path)
    # the careful path opens the file in its own way, and can read it
    assert batch.readings["n_rows"].to_list() == [300] * N_LOGS
    # two scans at each of the log2(64) levels below the first
    assert len(counted) == 1 + 2 * math.log2(N_LOGS)
