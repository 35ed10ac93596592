"""What must hold for any readings: written and read back, units and marks make no difference."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from log_writing import door, read_one, request, values, write

from features.channels import CHANNELS
from features.units import UNITS
from pipeline.readers import read_logs

FEW = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
# what a logger prints: a plain decimal
decimals = st.decimals(-50, 180, places=2, allow_nan=False, allow_infinity=False)
cells = st.one_of(decimals.map(str), st.just(""))


@FEW
@given(rows=st.lists(st.tuples(cells, cells), min_size=1, max_size=30))
def test_a_written_csv_reads_back_to_the_same_numbers(tmp_path, rows):
    text = "Time [s],Ambient [degC],Intake [degC]\n"
    text += "".join(f"{n},{one},{other}\n" for n, (one, other) in enumerate(rows))
    batch = read_one(write(tmp_path, "a.csv", text))
    for position, channel in enumerate(("ambient_air_c", "intake_air_c")):
        expected = [float(row[position]) if row[position] else None for row in rows]
        if any(row[0] or row[1] for row in rows):
            assert values(batch, channel) == expected
        else:
            assert batch.samples.is_empty()


@FEW
@given(
    readings=st.lists(decimals, min_size=2, max_size=20),
    delimiter=st.sampled_from([";", "\t", "|"]),
)
def test_decimal_mark_and_delimiter_make_no_difference(tmp_path, readings, delimiter):
    point = "Time [s],Ambient [degC]\n" + "".join(f"{n},{v}\n" for n, v in enumerate(readings))
    comma = point.replace(",", delimiter).replace(".", ",")
    first, second = write(tmp_path, "a.csv", point), write(tmp_path, "b.csv", comma)
    assert values(read_one(first), "ambient_air_c") == values(read_one(second), "ambient_air_c")


@FEW
@given(
    readings_kpa=st.lists(st.floats(110.0, 3000.0), min_size=1, max_size=20),
    name=st.sampled_from([u.name for u in UNITS.values() if u.quantity == "pressure"]),
)
def test_a_pressure_is_the_same_in_every_unit(tmp_path, readings_kpa, name):
    unit, local_kpa = UNITS[name], 93.7
    zero = {"absolute": 0.0, "gauge_vented": local_kpa, "gauge_sealed": 101.325}[unit.reference]
    text = f"Time [s];Low side [{name}]\n" + "".join(
        f"{n};{(kpa - zero) / unit.factor!r}\n" for n, kpa in enumerate(readings_kpa)
    )
    batch = read_one(write(tmp_path, "a.csv", text), barometric_kpa=local_kpa)
    assert values(batch, "low_side_kpa") == pytest.approx(readings_kpa, rel=1e-12)


@FEW
@given(cut=st.integers(min_value=1, max_value=400))
def test_a_log_cut_anywhere_gives_the_head_of_the_whole_log(tmp_path, cut):
    header = "Time [s],Low side [psia],Ambient [degC]\n"
    text = header + "".join(f"{n},{40.0 + n % 9:.1f},{30.0 + n % 7:.2f}\n" for n in range(30))
    whole = read_one(write(tmp_path, "a.csv", text)).samples.drop("test_id")
    batch = read_one(write(tmp_path, "b.csv", text[: len(header) + cut]))
    samples = batch.samples.drop("test_id")
    n_whole_lines = text[len(header) : len(header) + cut].count("\n")
    assert samples.height in {n_whole_lines, n_whole_lines + 1}
    if samples.height:
        assert samples.equals(whole.head(samples.height))


@FEW
@given(content=st.binary(max_size=400))
@pytest.mark.parametrize("name", ["a.csv", "a.csv.gz", "a.csv.zst", "a.parquet"])
def test_any_bytes_are_read_or_refused(tmp_path, name, content):
    batch = read_one(write(tmp_path, name, content))
    assert batch.readings.height == 1
    is_refused = batch.readings["outcome_code"][0] == "refused"
    whole = batch.refusals.filter(batch.refusals["column_name"].is_null())
    assert whole.height == (1 if is_refused else 0)


@FEW
@given(body=st.text(alphabet='0123456789.,;:-+eE\n\r\t" abc', max_size=300))
def test_any_text_below_a_header_is_read_or_refused(tmp_path, body):
    batch = read_one(write(tmp_path, "a.csv", "Time [s],Ambient [degC]\n" + body))
    for name in batch.samples.columns[1:]:
        assert batch.samples[name].drop_nulls().is_finite().all()
    assert batch.readings["n_rows"][0] == batch.samples.height


@FEW
@given(order=st.permutations(range(6)))
def test_order_of_files_makes_no_difference(tmp_path, order):
    header = "Time [s],Low side [psia],Ambient [degC]\n"
    for n in range(6):
        rows = "".join(f"{second},{n},{second}\n" for second in range(3 + n))
        write(tmp_path, f"log{n}.csv", header + rows + ("7," if n == 3 else ""))
    batch = read_logs([request(tmp_path / f"log{n}.csv") for n in order], door())
    one = read_logs([request(tmp_path / f"log{n}.csv") for n in range(6)], door())
    by = ["test_id", "time_s"]
    assert batch.samples.sort(by).equals(one.samples.sort(by))
    assert batch.notices.sort("path").equals(one.notices.sort("path"))


@FEW
@given(names=st.lists(st.text(max_size=30), min_size=1, max_size=6))
def test_no_column_name_breaks_the_door(tmp_path, names):
    stream = io.StringIO()
    writer = csv.writer(stream)
    writer.writerow(["Time [s]", "Ambient [degC]", *(name.replace("\x00", "") for name in names)])
    writer.writerow(["0", "20.5", *("1" for _ in names)])
    content = stream.getvalue().encode("utf-8", errors="replace")
    batch = read_one(write(tmp_path, "a.csv", content))
    assert batch.readings.height == 1


def test_every_canonical_name_is_read_in_its_canonical_unit(tmp_path):
    names = [channel.name for channel in CHANNELS]
    row = ["1" if name == "compressor_on" else "75.5" for name in names]
    text = ",".join(["time_s", *names]) + "\n" + ",".join(["0", *row]) + "\n"
    batch = read_one(write(tmp_path, "a.csv", text))
    assert batch.refusals.is_empty()
    assert batch.samples.columns == ["test_id", "time_s", *names]
    expected = [1.0 if name == "compressor_on" else 75.5 for name in names]
    assert list(batch.samples.row(0)[2:]) == expected
