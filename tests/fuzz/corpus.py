"""The malformed corpus: sound files of every kind with every damage that fits, and bombs.

`malformed()` gives the same files whenever it is called; `python -m tests.fuzz.corpus
FOLDER` writes them. Does not belong here: what must become of them (`tests/pipeline`).
"""

from __future__ import annotations

import datetime as dt
import gzip
import io
import json
import struct
import sys
import zlib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from random import Random

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from tests.fuzz.damages import ANY, TEXT
from tests.fuzz.sound import (
    ROWS,
    Sound,
    mdf4,
    parquet,
    parquet_wide,
    semicolon_text,
    sound_logs,
    wide_text,
    zstd,
)

_TEXT_KINDS = ("wide", "semicolon", "block", "long", "utf16")
_WRONG_ENDINGS = (".csv", ".csv.gz", ".csv.zst", ".parquet", ".jsonl", ".mf4")


@dataclass(frozen=True)
class Malformed:
    """One damaged file."""

    name: str
    content: bytes


@cache
def malformed() -> tuple[Malformed, ...]:
    """Every file of the corpus, by name."""
    files: dict[str, bytes] = {}
    for sound in sound_logs():
        files |= _damaged(sound)
        files |= _misnamed(sound)
    files |= {**_packings(), **_parquets(), **_json_lines(), **_mdf_cuts(), **_texts()}
    return tuple(Malformed(name, files[name]) for name in sorted(files))


def _damaged(sound: Sound) -> dict[str, bytes]:
    damages = {**ANY, **TEXT} if sound.kind in (*_TEXT_KINDS, "json", "json_long") else ANY
    return {
        f"{sound.kind}-{name}{sound.ending}": damage(sound.content, Random(f"{sound.kind} {name}"))
        for name, damage in damages.items()
    }


def _misnamed(sound: Sound) -> dict[str, bytes]:
    return {
        f"{sound.kind}-named_as_{ending[1:].replace('.', '_')}{ending}": sound.content
        for ending in _WRONG_ENDINGS
        if ending != sound.ending
    }


def _packings() -> dict[str, bytes]:
    """Damage that only packed files can have, and bombs."""
    text = wide_text().encode()
    packed = gzip.compress(text, mtime=0)
    raw = zlib.compressobj(9, zlib.DEFLATED, -15)
    huge_window = _zstd_header(31) + b"\x01\x00\x00"
    return {
        "packed-empty.csv.gz": b"",
        "packed-of_nothing.csv.gz": gzip.compress(b"", mtime=0),
        "packed-of_nothing.csv.zst": zstd(b""),
        "packed-wrong_checksum.csv.gz": packed[:-8] + b"\1\2\3\4" + packed[-4:],
        "packed-wrong_length.csv.gz": packed[:-4] + b"\xff\xff\xff\x7f",
        "packed-junk_after.csv.gz": packed + b"junk after the end",
        "packed-zeros_after.csv.gz": packed + b"\0" * 512,
        "packed-two_members.csv.gz": packed + gzip.compress(b"40,1,2,3\n41,1,2,3\n", mtime=0),
        "packed-a_hundred_thousand_members.csv.gz": packed + gzip.compress(b"", mtime=0) * 100_000,
        "packed-twice.csv.gz": gzip.compress(packed, mtime=0),
        "packed-in_itself_five_times.csv.gz": _packed_deeply(text, 5),
        "packed-header_without_body.csv.gz": packed[:10],
        "packed-without_header.csv.gz": raw.compress(text) + raw.flush(),
        "packed-bomb_of_30_MB.csv.gz": gzip_bomb(30_000_000),
        "packed-bomb_of_ten_members.csv.gz": gzip_bomb(3_000_000) * 10,
        "packed-bomb_of_16_MB.csv.zst": zstd(b"0,1,2,3\n" * 2_000_000),
        "packed-two_frames.csv.zst": zstd(text) + zstd(b"40,1,2,3\n41,1,2,3\n"),
        "packed-huge_window.csv.zst": huge_window,
        "packed-junk_after.csv.zst": zstd(text) + b"junk after the end",
        "packed-skippable_frame.csv.zst": b"\x50\x2a\x4d\x18\x04\x00\x00\x00abcd" + zstd(text),
        "packed-skippable_frame_of_4_GB.csv.zst": zstd(text) + b"\x50\x2a\x4d\x18\xff\xff\xff\xff",
    }


def gzip_bomb(n_bytes: int) -> bytes:
    """A packed log of so many bytes, nearly all of them line ends: about a thousandth of it."""
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    parts = [packer.compress(wide_text().encode())]
    block = b"\n" * 1_000_000
    parts += [packer.compress(block) for _ in range(n_bytes // len(block))]
    return b"".join([*parts, packer.flush()])


def _packed_deeply(content: bytes, depth: int) -> bytes:
    for _ in range(depth):
        content = gzip.compress(content, mtime=0)
    return content


def _zstd_header(window_log: int) -> bytes:
    """A frame header that asks for a window of 2 to that power."""
    return b"\x28\xb5\x2f\xfd" + b"\x00" + bytes([(window_log - 10) << 3])


def _arrow(table: pa.Table, **options: object) -> bytes:
    stream = io.BytesIO()
    pq.write_table(table, stream, **options)
    return stream.getvalue()


def _parquets() -> dict[str, bytes]:
    """Types, shapes and footers that a log of readings does not have."""
    sound = parquet_wide()
    seconds = [float(row) for row in range(ROWS)]
    columns: dict[str, object] = {
        "nested_list": pl.Series([[1.0, 2.0]] * ROWS),
        "nested_record": pl.Series([{"a": 1.0}] * ROWS),
        "truth": pl.Series([True] * ROWS),
        "dates": pl.Series([dt.date(2026, 5, 11)] * ROWS),
        "decimals": pl.Series(["12.5"] * ROWS).cast(pl.Decimal(10, 2)),
        "bytes": pl.Series([b"\xff\xfe"] * ROWS),
        "words": pl.Series(["warm"] * ROWS),
        "endless": pl.Series([float("inf"), float("nan")] * (ROWS // 2)),
        "nulls": pl.Series([None] * ROWS, dtype=pl.Null),
        "huge_integers": pl.Series([2**63 - 1] * ROWS),
        "small_integers": pl.Series([-128] * ROWS, dtype=pl.Int8),
        "categories": pl.Series(["40.5"] * ROWS).cast(pl.Categorical),
    }
    files = {
        f"parquet-value_{name}.parquet": parquet(
            pl.DataFrame({"time_s": seconds, "low_side_kpa": values})
        )
        for name, values in columns.items()
    }
    files |= {
        f"parquet-time_{name}.parquet": parquet(
            pl.DataFrame({"time_s": values, "low_side_kpa": seconds})
        )
        for name, values in columns.items()
    }
    files |= {
        "parquet-no_columns.parquet": parquet(pl.DataFrame()),
        "parquet-no_rows.parquet": parquet(
            pl.DataFrame(schema={"time_s": pl.Float64, "low_side_kpa": pl.Float64})
        ),
        "parquet-ten_thousand_columns.parquet": parquet(
            pl.DataFrame({f"x{n}": [1.0] for n in range(10_000)})
        ),
        "parquet-names_alike.parquet": _arrow(
            pa.table([pa.array([1.0]), pa.array([2.0])], names=["time_s", "time_s"])
        ),
        "parquet-bomb_of_one_cell.parquet": _arrow(
            pa.table({"time_s": [1.0], "low_side_kpa": ["9" * 30_000_000]}), compression="zstd"
        ),
        "parquet-bomb_of_rows.parquet": _arrow(
            pa.table({"time_s": [1.0] * 3_000_000, "low_side_kpa": [1.0] * 3_000_000}),
            compression="zstd",
        ),
        "parquet-map.parquet": _arrow(
            pa.table(
                {"time_s": [1.0], "low_side_kpa": pa.array([[("a", 1)]], pa.map_("string", "int8"))}
            )
        ),
        "parquet-encrypted_footer.parquet": b"PARE" + sound[4:-4] + b"PARE",
        "parquet-footer_longer_than_file.parquet": sound[:-8] + b"\xff\xff\xff\x7f" + b"PAR1",
        "parquet-footer_of_zero.parquet": sound[:-8] + b"\0\0\0\0" + b"PAR1",
        "parquet-footer_negative.parquet": sound[:-8] + b"\xff\xff\xff\xff" + b"PAR1",
        "parquet-footer_of_zeros.parquet": sound[:-200] + b"\0" * 192 + sound[-8:],
        "parquet-only_the_footer.parquet": b"PAR1" + sound[-8 - _footer_bytes(sound) :],
        "parquet-odd_names.parquet": parquet(
            pl.DataFrame({"time_s": seconds, "path": seconds, "file": seconds, "": seconds,
                          "seconds": seconds, "low_side_kpa": seconds})
        ),
    }  # fmt: skip
    return files


def _footer_bytes(content: bytes) -> int:
    """Length of the footer as a sound Parquet file states it before its last mark."""
    return int(struct.unpack("<I", content[-8:-4])[0])


def _json_lines() -> dict[str, bytes]:
    rows = [{"time_s": n, "low_side_kpa": 300.0 + n} for n in range(ROWS)]
    sound = "".join(json.dumps(row) + "\n" for row in rows)
    texts = {
        "deep_nesting": "[" * 100_000 + "\n",
        "deep_nesting_in_a_cell": sound + '{"time_s": 99, "low_side_kpa": ' + "[" * 50_000 + "\n",
        "deep_objects": '{"a":' * 50_000 + "1" + "}" * 50_000 + "\n",
        "one_array": json.dumps(rows),
        "one_object": json.dumps({"rows": rows}),
        "numbers_only": "1\n2\n3\n",
        "null_lines": "null\n" * 20,
        "keys_twice": '{"time_s": 0, "time_s": 1, "low_side_kpa": 300, "low_side_kpa": 301}\n' * 20,
        "no_keys": "{}\n" * 20,
        "ten_thousand_keys": json.dumps({f"x{n}": n for n in range(10_000)}) + "\n",
        "other_keys_on_each_line": "".join(f'{{"time_s": {n}, "x{n}": 1}}\n' for n in range(3000)),
        "endless": sound.replace("310.0", "Infinity").replace("311.0", "NaN"),
        "huge_number": sound.replace("310.0", "1e999").replace("311.0", "9" * 4000),
        "mixed_types": sound.replace("310.0", '"warm"').replace("311.0", "[1]"),
        "lone_surrogate": sound.replace("310.0", '"\\ud800"'),
        "nul_escape": sound.replace("310.0", '"\\u0000"'),
        "no_line_end": sound.rstrip("\n"),
        "cut": sound[:-9],
        "single_quotes": sound.replace('"', "'"),
        "trailing_commas": sound.replace("}\n", ",}\n"),
        "csv_inside": wide_text(),
        "empty": "",
        "truth": sound.replace("310.0", "true"),
        "long_line": sound + '{"time_s": 99, "note": "' + "x" * 3_000_000 + '"}\n',
    }  # fmt: skip
    return {f"json-{name}.jsonl": text.encode() for name, text in texts.items()}


def _mdf_cuts() -> dict[str, bytes]:
    """An MDF 4 file cut at many places, its links led astray, its lengths made huge."""
    sound = mdf4()
    if not sound:
        return {}
    files = {f"mdf-cut_at_{n:05}.mf4": sound[:n] for n in (3, 8, 63, 64, 100, 168, 500, 1000)}
    files["mdf-version_3.mf4"] = sound[:8] + b"3.30    " + sound[16:]
    files["mdf-unfinished.mf4"] = b"UnFinMF " + sound[8:]
    for number, place in enumerate(range(64 + 8, min(len(sound) - 8, 1400), 56)):
        damaged = bytearray(sound)
        damaged[place : place + 8] = struct.pack("<Q", 2**63 - 1 if number % 2 else 64)
        files[f"mdf-led_astray_at_{place:05}.mf4"] = bytes(damaged)
    return files


def _texts() -> dict[str, bytes]:
    """Texts whose trouble is not that of one damaged cell."""
    wide = wide_text()
    names, body = wide.split("\n", 1)
    row = body.split("\n", 1)[0]
    return {
        "text-empty.csv": b"",
        "text-one_byte.csv": b"\n",
        "text-only_byte_order_mark.csv": b"\xef\xbb\xbf",
        "text-utf16_mark_only.csv": b"\xff\xfe",
        "text-utf16_odd_length.csv": wide.encode("utf-16") + b"\x0a",
        "text-utf16_lone_surrogates.csv": wide.encode("utf-16") + b"\x00\xd8" * 40,
        "text-utf32.csv": wide.encode("utf-32"),
        "text-utf7.csv": wide.encode("utf-7"),
        "text-spreadsheet.csv": b"PK\x03\x04" + b"\0" * 400,
        "text-page.csv": b"<!doctype html><html><body>404 not found</body></html>\n",
        "text-program.csv": b"\x7fELF" + bytes(range(256)) * 8,
        "text-time_stands_still.csv": (names + "\n" + (row + "\n") * ROWS).encode(),
        "text-time_runs_back.csv": (names + "\n" + "\n".join(reversed(body.split("\n")))).encode(),
        "text-one_row.csv": f"{names}\n{row}\n".encode(),
        "text-names_twice_over.csv": (wide + wide).encode(),
        "text-names_repeated_each_row.csv": (names + "\n").encode() * 50,
        "text-a_name_of_a_megabyte.csv": ("x" * 1_000_000 + "," + wide).encode(),
        "text-a_million_marks.csv": (names + "\n" + "," * 1_000_000 + "\n").encode(),
        "text-a_million_quotes.csv": (names + "\n" + '"' * 1_000_000 + "\n").encode(),
        "text-quoted_line_ends.csv": (names + "\n" + '0,"3\n0\n0",1,2\n' * 20).encode(),
        "text-right_to_left.csv": wide.replace("Ambient", "\u202etneibmA").encode(),
        "text-comments.csv": ("# a\n# b\n" + wide.replace("\n5,", "\n# 5,")).encode(),
        "text-hour_that_is_skipped.csv": semicolon_text().replace("09:30", "02:30").encode(),
        "text-decimal_commas_between_commas.csv": wide.replace(".", ",").encode(),
        "text-epochs.csv": ("epoch,Ambient [degC]\n" + "1.7e18,20.5\n" * 30).encode(),
        "text-times_of_the_end_of_the_world.csv": (
            "timestamp,Ambient [degC]\n" + "9999-12-31T23:59:59Z,20.5\n" * 30
        ).encode(),
        "text-fields_that_look_like_code.csv": (
            "Time [s],Ambient [degC],{{7*7}},${jndi:x},'; DROP TABLE logs;--\n" + "0,20.5,1,1,1\n"
        ).encode(),
    }  # fmt: skip


def main() -> None:
    """Write the corpus into the folder named."""
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for file in malformed():
        (folder / file.name).write_bytes(file.content)
    sys.stdout.write(f"{len(malformed())} files in {folder}\n")


if __name__ == "__main__":
    main()
