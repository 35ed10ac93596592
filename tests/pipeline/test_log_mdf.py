"""ASAM MDF 4 logs, written by the format's own library (asammdf) and by the simulator."""

from __future__ import annotations

import builtins
import gc
import struct
import sys
import zlib
from datetime import UTC, datetime

import numpy as np
import pytest
from log_writing import SEA_LEVEL_KPA, door, read_one, refusal_codes, values, write

from pipeline.profiles import Profile, shipped_profiles
from pipeline.refusals import PASSING_CODES
from synthetic.dialects import Recording
from synthetic.mdf_dialect import mdf4

asammdf = pytest.importorskip("asammdf")

START = datetime(2026, 5, 11, 9, 30, 12, tzinfo=UTC)


def signal(name, samples, unit, times=None, **more):
    samples = np.asarray(samples)
    times = np.arange(float(len(samples))) if times is None else np.asarray(times, dtype=float)
    return asammdf.Signal(samples, times, name=name, unit=unit, **more)


def write_mdf(folder, *groups, start=START, compression=0, name="a.mf4"):
    path = folder / name
    with asammdf.MDF(version="4.10") as mdf:
        mdf.start_time = start
        for group in groups:
            mdf.append(list(group))
        mdf.save(path, overwrite=True, compression=compression)
    return path


LOW = ("low_side_kpa_abs", [300.0, 301.0, 302.0], "kPa")


def test_units_and_start_come_from_the_file(tmp_path):
    path = write_mdf(tmp_path, [signal(*LOW), signal("Duct", [50.0, 41.0, 32.0], "degF")])
    batch = read_one(path)
    assert values(batch, "low_side_kpa") == [300.0, 301.0, 302.0]
    assert values(batch, "duct_air_c") == pytest.approx([10.0, 5.0, 0.0])
    assert batch.samples["time_s"].to_list() == [0.0, 1.0, 2.0]
    assert batch.readings["first_time"][0] == START
    assert batch.readings["profile"].to_list() == ["self_describing_mdf"]


def test_a_pressure_without_reference_is_refused_for_its_channel(tmp_path):
    path = write_mdf(tmp_path, [signal(*LOW), signal("High side", [12.0, 12.1, 12.2], "bar")])
    batch = read_one(path)
    assert refusal_codes(batch) == [("High side", "unit_ambiguous")]
    assert "high_side_kpa" not in batch.samples.columns


def test_a_unit_that_contradicts_the_name_is_refused(tmp_path):
    path = write_mdf(tmp_path, [signal(*LOW), signal("duct_degC", [50.0, 50.0, 50.0], "degF")])
    assert refusal_codes(read_one(path)) == [("duct_degC", "unit_contradiction")]


def test_groups_of_several_rates_are_merged_on_time(tmp_path):
    fast = signal("engine_rpm", [800.0, 810.0, 820.0, 830.0], "rpm", [0.0, 0.5, 1.0, 1.5])
    slow = signal(*LOW)
    batch = read_one(write_mdf(tmp_path, [slow], [fast]))
    assert batch.samples["time_s"].to_list() == [0.0, 0.5, 1.0, 1.5, 2.0]
    assert values(batch, "engine_rpm") == [800.0, 810.0, 820.0, 830.0, None]
    assert values(batch, "low_side_kpa") == [300.0, None, 301.0, None, 302.0]


def test_the_same_signal_in_two_groups_is_refused_not_chosen(tmp_path):
    twice = signal(LOW[0], [1.0, 2.0, 3.0], "kPa")
    other = signal("duct_degC", [9.0, 9.0, 9.0], "degC")
    batch = read_one(write_mdf(tmp_path, [signal(*LOW), other], [twice]))
    assert refusal_codes(batch) == [(LOW[0], "two_columns_one_channel")] * 2


def test_a_group_whose_time_goes_back_is_refused(tmp_path):
    back = signal("engine_rpm", [800.0, 810.0, 820.0], "rpm", [0.0, 60.0, 30.0])
    batch = read_one(write_mdf(tmp_path, [signal(*LOW)], [back]))
    assert refusal_codes(batch) == [(None, "time_goes_back")]


def test_invalid_samples_are_not_known(tmp_path):
    invalid = np.array([False, True, False])
    batch = read_one(
        write_mdf(
            tmp_path,
            [signal(*LOW, invalidation_bits=invalid), signal("duct_degC", [1.0, 2.0, 3.0], "degC")],
        )
    )
    assert values(batch, "low_side_kpa") == [300.0, None, 302.0]
    assert values(batch, "duct_air_c") == [1.0, 2.0, 3.0]


def test_conversions_of_the_file_are_applied(tmp_path):
    raw = signal(
        "duct", np.array([0, 10, 20], dtype=np.uint16), "degC", conversion={"a": 0.5, "b": -40.0}
    )
    words = signal(
        "compressor_on",
        np.array([0, 1, 1], dtype=np.uint8),
        "",
        conversion={"val_0": 0, "text_0": b"off", "val_1": 1, "text_1": b"on"},
    )
    batch = read_one(write_mdf(tmp_path, [raw, words]))
    assert values(batch, "duct_air_c") == [-40.0, -35.0, -30.0]
    assert values(batch, "compressor_on") == [0.0, 1.0, 1.0]


def test_words_where_numbers_should_be_are_refused_for_their_channel(tmp_path):
    words = signal("duct", np.array([b"warm", b"cold", b"cold"]), "degC", encoding="utf-8")
    batch = read_one(write_mdf(tmp_path, [signal(*LOW), words]))
    assert refusal_codes(batch) == [("duct", "not_numbers")]


@pytest.mark.parametrize("compression", [0, 1, 2])
def test_packed_and_plain_files_read_the_same(tmp_path, compression):
    samples = np.arange(3000.0)
    path = write_mdf(tmp_path, [signal(LOW[0], samples, "kPa")], compression=compression)
    assert values(read_one(path), "low_side_kpa") == samples.tolist()


def test_files_of_the_simulator(tmp_path):
    recording = Recording(
        readings={
            "low_side_kpa": np.array([295.0, 296.25, np.nan, 297.0]),
            "duct_left_c": np.array([5.0, 5.04, 4.96, 4.9]),
            "compressor_on": np.array([1.0, 1.0, 0.0, 1.0]),
        },
        started_at=datetime.fromisoformat("2026-05-11T23:59:59+02:00"),
        site_kpa=95.0,
        site_id="old_mill",
        instrument_id="inst_i",
    )
    batch = read_one(write(tmp_path, "s.mf4", mdf4(recording)))
    assert values(batch, "low_side_kpa") == [295.0, 296.25, None, 297.0]
    assert values(batch, "duct_left_c") == [5.0, 5.04, 4.96, 4.9]
    assert values(batch, "compressor_on") == [1.0, 1.0, 0.0, 1.0]
    assert batch.readings["first_time"][0].isoformat() == "2026-05-11T21:59:59+00:00"
    assert batch.refusals.is_empty()


def test_a_profile_names_channels_as_for_any_other_file(tmp_path):
    profile = Profile.model_validate(
        {
            "name": "bench",
            "kind": "mdf",
            "recognise": {"columns": ["P1"]},
            "channels": [{"column": "P1", "channel": "low_side_kpa", "unit": "bar gauge"}],
        }
    )
    path = write_mdf(tmp_path, [signal("P1", [2.0, 2.5], "bar")])
    batch = read_one(path, with_door=door(profiles=(profile, *shipped_profiles())))
    assert values(batch, "low_side_kpa") == pytest.approx(
        [200 + SEA_LEVEL_KPA, 250 + SEA_LEVEL_KPA]
    )
    assert batch.readings["profile"].to_list() == ["bench"]


def test_without_the_library_the_refusal_says_what_to_install_and_is_tried_again(
    tmp_path, monkeypatch
):
    path = write_mdf(tmp_path, [signal(*LOW)])
    monkeypatch.setitem(sys.modules, "asammdf", None)
    batch = read_one(path)
    assert refusal_codes(batch) == [(None, "mdf_library_missing")]
    assert "chillroster[mdf]" in batch.refusals["hint"][0]
    assert "mdf_library_missing" in PASSING_CODES


def test_an_unfinalised_file_is_refused(tmp_path):
    content = bytearray(write_mdf(tmp_path, [signal(*LOW)]).read_bytes())
    content[:8] = b"UnFinMF "
    batch = read_one(write(tmp_path, "u.mf4", bytes(content)))
    assert refusal_codes(batch) == [(None, "mdf_unfinalised")]
    content[:8] = b"MDF     "
    struct.pack_into("<H", content, 60, 1)
    batch = read_one(write(tmp_path, "v.mf4", bytes(content)))
    assert refusal_codes(batch) == [(None, "mdf_unfinalised")]


def test_a_file_cut_anywhere_is_refused_or_read_whole(tmp_path):
    content = write_mdf(tmp_path, [signal(*LOW), signal("Duct", [9.0] * 3, "degC")]).read_bytes()
    outcomes = set()
    for cut in range(0, len(content), 41):
        batch = read_one(write(tmp_path, "cut.mf4", content[:cut]))
        codes = refusal_codes(batch)
        # beyond the last block that matters nothing is lost
        outcomes.add(codes[0][1] if codes else "read")
        if not codes:
            assert values(batch, "low_side_kpa") == [300.0, 301.0, 302.0]
    assert {"empty_file", "damaged_mdf"} <= outcomes <= {"empty_file", "damaged_mdf", "read"}


def test_a_file_with_fewer_readings_than_it_says_is_refused(tmp_path):
    content = bytearray(write_mdf(tmp_path, [signal(*LOW)]).read_bytes())
    group = content.index(b"##CG")
    n_links = struct.unpack_from("<Q", content, group + 16)[0]
    struct.pack_into("<Q", content, group + 24 + 8 * n_links + 8, 1_000_000)
    batch = read_one(write(tmp_path, "c.mf4", bytes(content)))
    assert refusal_codes(batch) == [(None, "damaged_mdf")]
    assert "fewer readings than it says" in batch.refusals["sentence"][0]


@pytest.mark.parametrize("kind", [b"##DG", b"##CG", b"##CN"])
def test_a_ring_of_blocks_ends(tmp_path, kind):
    content = bytearray(write_mdf(tmp_path, [signal(*LOW)]).read_bytes())
    place = content.index(kind)
    struct.pack_into("<Q", content, place + 24, place)
    batch = read_one(write(tmp_path, "r.mf4", bytes(content)))
    assert refusal_codes(batch)[0][1] in {"damaged_mdf", "too_many_columns"}


def test_readings_that_unpack_to_more_than_they_say_are_refused(tmp_path):
    path = write_mdf(tmp_path, [signal(LOW[0], np.arange(3000.0), "kPa")], compression=1)
    content = bytearray(path.read_bytes())
    place = content.index(b"##DZ") + 24
    packed = zlib.compress(bytes(50_000_000), 9)
    room = struct.unpack_from("<Q", content, place + 16)[0]
    content[place + 24 : place + 24 + room] = packed[:room].ljust(room, b"\0")
    batch = read_one(write(tmp_path, "b.mf4", bytes(content)))
    assert refusal_codes(batch) == [(None, "damaged_mdf")]


def test_more_than_a_log_should_hold_is_refused(tmp_path):
    path = write_mdf(tmp_path, [signal(LOW[0], np.zeros(20_000), "kPa")], compression=1)
    assert path.stat().st_size < 40_000
    batch = read_one(path, with_door=door(largest_bytes=100_000))
    assert refusal_codes(batch) == [(None, "too_large")]


def test_more_channels_than_a_log_has_are_refused_before_the_library_opens_the_file(
    tmp_path, monkeypatch
):
    path = write_mdf(tmp_path, [signal(f"k{n}", [0.0], "V") for n in range(5001)])
    real = builtins.__import__

    def without_asammdf(name, *more, **others):
        assert name != "asammdf"
        return real(name, *more, **others)

    monkeypatch.setattr(builtins, "__import__", without_asammdf)
    assert refusal_codes(read_one(path)) == [(None, "too_many_columns")]


def test_another_version_or_another_file_is_refused(tmp_path):
    content = bytearray(write_mdf(tmp_path, [signal(*LOW)]).read_bytes())
    struct.pack_into("<H", content, 28, 330)
    assert refusal_codes(read_one(write(tmp_path, "o.mf4", bytes(content)))) == [
        (None, "mdf_version")
    ]
    other = write(tmp_path, "t.mf4", "Time [s],low_side_kpa\n0,300\n" * 4)
    assert refusal_codes(read_one(other)) == [(None, "damaged_mdf")]


def test_without_a_start_the_times_are_relative(tmp_path):
    content = bytearray(write_mdf(tmp_path, [signal(*LOW)]).read_bytes())
    n_links = struct.unpack_from("<Q", content, 64 + 16)[0]
    struct.pack_into("<Q", content, 64 + 24 + 8 * n_links, 0)
    batch = read_one(write(tmp_path, "n.mf4", bytes(content)))
    assert batch.readings["first_time"].to_list() == [None]
    assert batch.samples["time_s"].to_list() == [0.0, 1.0, 2.0]


def test_heads_of_lists_that_name_themselves_are_refused(tmp_path):
    path = write_mdf(tmp_path, [signal(*LOW)], compression=2)
    content = bytearray(path.read_bytes())
    place = content.find(b"##DG")
    # a data group whose readings begin at a head of a list, which names itself
    head = len(content) + (-len(content)) % 8
    content += b"\0" * (head - len(content))
    content += b"##HL" + struct.pack("<4xQQQ", 40, 1, head) + b"\0" * 8
    content[place + 40 : place + 48] = struct.pack("<Q", head)
    path.write_bytes(bytes(content))
    batch = read_one(path)
    assert refusal_codes(batch) == [(None, "damaged_mdf")]
    assert "ring" in batch.refusals["sentence"][0]


def test_what_the_library_leaves_half_opened_is_swept_away_in_silence(tmp_path, monkeypatch):
    path = write_mdf(tmp_path, [signal(*LOW)])
    content = bytearray(path.read_bytes())
    # ASAM MDF 4.1: the sixth link of the header block names its comment
    content[64 + 24 + 5 * 8 : 64 + 24 + 6 * 8] = struct.pack("<Q", 2**63 - 1)
    path.write_bytes(bytes(content))
    unseen = []
    monkeypatch.setattr(sys, "unraisablehook", unseen.append)
    assert refusal_codes(read_one(path)) == [(None, "damaged_mdf")]
    gc.collect()
    assert unseen == []


def test_a_group_that_states_no_records_but_holds_data_gives_no_readings(tmp_path):
    path = write_mdf(tmp_path, [signal(*LOW)], [signal("Duct", [50.0, 41.0, 32.0], "degF")])
    content = bytearray(path.read_bytes())
    # ASAM MDF 4, block ##CG: 24 bytes of head, 6 links, record id, then the number of records
    second = content.index(b"##CG", content.index(b"##CG") + 4)
    place = second + 24 + 6 * 8 + 8
    assert struct.unpack_from("<Q", content, place) == (3,)
    struct.pack_into("<Q", content, place, 0)
    path.write_bytes(content)
    batch = read_one(path)
    readings = {name: batch.samples[name].count() for name in ("duct_air_c", "low_side_kpa")}
    assert sorted(readings.values()) == [0, 3]
