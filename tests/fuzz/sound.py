"""Sound files of every kind that the tool reads: what damage and search start from.

Small logs of invented readings, and one registry table in its three forms. Each is the
same whenever it is made. Does not belong here: damaging them (`damages`).
"""

from __future__ import annotations

import gzip
import importlib.util
import io
import json
import math
import zipfile
from dataclasses import dataclass
from datetime import datetime
from functools import cache

import numpy as np
import polars as pl
import pyarrow as pa

ROWS = 40
_SPACE = "http://schemas.openxmlformats.org"
_SHEETS = f"{_SPACE}/spreadsheetml/2006/main"
_OFFICE = f"{_SPACE}/officeDocument/2006/relationships"


@dataclass(frozen=True)
class Sound:
    """A sound file: its kind, the ending of its name, its bytes."""

    kind: str
    ending: str
    content: bytes


def readings(row: int) -> tuple[float, float, float]:
    """Low side [kPa absolute], ambient [degC], duct [degC] of a second: plain swings."""
    return (
        300.0 + 8.0 * math.sin(row / 7.0),
        30.0 + 0.2 * math.sin(row / 11.0),
        9.0 + 16.0 * math.exp(-row / 15.0),
    )


def _lines(mark: str, *, comma: bool = False) -> str:
    rows = [[str(row), *(f"{value:.2f}" for value in readings(row))] for row in range(ROWS)]
    text = "".join(mark.join(cells) + "\n" for cells in rows)
    return text.replace(".", ",") if comma else text


def wide_text() -> str:
    """Comma, decimal point, units in brackets."""
    return "Time [s],Low side [kPa abs],Ambient [degC],Duct left [degC]\n" + _lines(",")


def semicolon_text() -> str:
    """Semicolon, decimal comma, a clock."""
    rows = []
    for row in range(ROWS):
        cells = ";".join(f"{value:.2f}" for value in readings(row)).replace(".", ",")
        rows.append(f"09:30:{row:02d};{cells}\n")
    return "Clock;Low side [kPa abs];Ambient [degC];Duct left [degC]\n" + "".join(rows)


def block_text() -> str:
    """A block of facts, then names, then units."""
    block = [
        "Test record", "Instrument: bench 3", "Site: old mill", "Started: 2026-05-11 09:30:12",
        "Channels: 3", "Interval s: 1", "", "Elapsed,Low side,Ambient,Duct left",
        "s,psia,degF,degF",
    ]  # fmt: skip
    return "\n".join(block) + "\n" + _lines(",")


def long_text() -> str:
    """One row per time and channel."""
    names = ("low_side_kpa_abs", "ambient_air_c", "duct_left_c")
    rows = [
        f"{row},{name},{value:.2f}\n"
        for row in range(ROWS)
        for name, value in zip(names, readings(row), strict=True)
    ]
    return "time_s,channel,value\n" + "".join(rows)


def json_wide_text() -> str:
    """One JSON object per sample."""
    names = ("low_side_kpa", "ambient_air_c", "duct_left_c")
    rows = [{"time_s": n, **dict(zip(names, readings(n), strict=True))} for n in range(ROWS)]
    return "".join(json.dumps(row) + "\n" for row in rows)


def json_long_text() -> str:
    """One JSON object per time and channel."""
    names = ("low_side_kpa", "ambient_air_c", "duct_left_c")
    rows = [
        {"time_s": row, "channel": name, "value": value}
        for row in range(ROWS)
        for name, value in zip(names, readings(row), strict=True)
    ]
    return "".join(json.dumps(row) + "\n" for row in rows)


def parquet_wide() -> bytes:
    """A frame of canonical columns."""
    rows = [(float(row), *readings(row)) for row in range(ROWS)]
    names = ["time_s", "low_side_kpa", "ambient_air_c", "duct_left_c"]
    return parquet(pl.DataFrame(rows, schema=names, orient="row"))


def parquet_long() -> bytes:
    """Time, channel and value, the time a timestamp."""
    names = ("low_side_kpa_abs", "ambient_air_c", "duct_left_c")
    rows = [
        (f"2026-05-11T09:30:{row:02d}+00:00", name, value)
        for row in range(ROWS)
        for name, value in zip(names, readings(row), strict=True)
    ]
    return parquet(pl.DataFrame(rows, schema=["timestamp", "channel", "value"], orient="row"))


def parquet(frame: pl.DataFrame) -> bytes:
    """The frame as a Parquet file."""
    stream = io.BytesIO()
    frame.write_parquet(stream)
    return stream.getvalue()


def zstd(content: bytes) -> bytes:
    """The bytes as one zstd frame."""
    return bytes(pa.Codec("zstd").compress(content, asbytes=True))


@cache
def mdf4() -> bytes:
    """A recording as MDF 4; empty where the library of that format is not installed."""
    if importlib.util.find_spec("asammdf") is None:
        return b""
    from synthetic.dialects import Recording  # noqa: PLC0415 - asammdf is slow to import
    from synthetic.mdf_dialect import mdf4 as written  # noqa: PLC0415

    columns = np.array([readings(row) for row in range(ROWS)]).T
    recording = Recording(
        readings=dict(zip(("low_side_kpa", "ambient_air_c", "duct_left_c"), columns, strict=True)),
        started_at=datetime.fromisoformat("2026-05-11T09:30:00+00:00"),
        site_kpa=95.0,
        site_id="old_mill",
        instrument_id="bench_3",
    )
    return bytes(written(recording))


@cache
def sound_logs() -> tuple[Sound, ...]:
    """One sound log of each kind."""
    wide = wide_text().encode()
    texts = {
        "wide": wide,
        "semicolon": semicolon_text().encode(),
        "block": block_text().encode(),
        "long": long_text().encode(),
        "utf16": wide_text().encode("utf-16"),
    }
    logs = [Sound(kind, ".csv", content) for kind, content in texts.items()]
    logs += [
        Sound("gzip", ".csv.gz", gzip.compress(wide, mtime=0)),
        Sound("zstd", ".csv.zst", zstd(wide)),
        Sound("parquet", ".parquet", parquet_wide()),
        Sound("parquet_long", ".parquet", parquet_long()),
        Sound("json", ".jsonl", json_wide_text().encode()),
        Sound("json_long", ".jsonl", json_long_text().encode()),
    ]
    return (*logs, Sound("mdf", ".mf4", mdf4())) if mdf4() else tuple(logs)


MODELS = [
    ["model_id", "refrigerant", "charge_g", "compressor", "rear_evaporator"],
    ["tolvanne_kombi", "R134a", "520", "fixed_clutch", "no"],
    ["tolvanne_lang", "R1234yf", "610", "variable_external", "yes"],
]


def registry_csv() -> bytes:
    """The models table as CSV."""
    return "".join(",".join(row) + "\n" for row in MODELS).encode()


def registry_parquet() -> bytes:
    """The models table as Parquet."""
    return parquet(pl.DataFrame(MODELS[1:], schema=MODELS[0], orient="row"))


def sheet_xml(rows: list[list[str]]) -> bytes:
    """A worksheet whose cells are inline texts."""
    cells = "".join(
        f'<row r="{r}">'
        + "".join(
            f'<c r="{chr(65 + c)}{r}" t="inlineStr"><is><t>{cell}</t></is></c>'
            for c, cell in enumerate(row)
        )
        + "</row>"
        for r, row in enumerate(rows, start=1)
    )
    return _sheet(cells).encode()


def _sheet(cells: str) -> str:
    opening = f'<?xml version="1.0"?><worksheet xmlns="{_SHEETS}">'
    return f"{opening}<sheetData>{cells}</sheetData></worksheet>"


def sheet_of_cells(cells: dict[str, str]) -> bytes:
    """A worksheet with single cells by their place, such as A1."""
    rows = "".join(
        f'<row r="{place.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ")}">'
        f'<c r="{place}" t="inlineStr"><is><t>{text}</t></is></c></row>'
        for place, text in cells.items()
    )
    return _sheet(rows).encode()


def xlsx(sheet: bytes, more: dict[str, bytes] | None = None) -> bytes:
    """A workbook of one sheet, written part by part; the clock is not in it."""
    book = f'<workbook xmlns="{_SHEETS}" xmlns:r="{_OFFICE}"><sheets>'
    book += '<sheet name="a" sheetId="1" r:id="rId1"/></sheets></workbook>'
    parts = {
        "[Content_Types].xml": _content_types(),
        "_rels/.rels": _relation("officeDocument", "xl/workbook.xml"),
        "xl/workbook.xml": book.encode(),
        "xl/_rels/workbook.xml.rels": _relation("worksheet", "worksheets/sheet1.xml"),
        "xl/worksheets/sheet1.xml": sheet,
        **(more or {}),
    }
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(zipfile.ZipInfo(name), content, zipfile.ZIP_DEFLATED)
    return stream.getvalue()


def _relation(kind: str, target: str) -> bytes:
    relation = f'<Relationship Id="rId1" Type="{_OFFICE}/{kind}" Target="{target}"/>'
    space = f"{_SPACE}/package/2006/relationships"
    return f'<Relationships xmlns="{space}">{relation}</Relationships>'.encode()


def _content_types() -> bytes:
    package = "application/vnd.openxmlformats-package"
    office = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    return (
        f'<Types xmlns="{_SPACE}/package/2006/content-types">'
        f'<Default Extension="rels" ContentType="{package}.relationships+xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{office}.sheet.main+xml"/>'
        '<Override PartName="/xl/worksheets/sheet1.xml" '
        f'ContentType="{office}.worksheet+xml"/></Types>'
    ).encode()


def registry_xlsx() -> bytes:
    """The models table as a workbook."""
    return xlsx(sheet_xml(MODELS))


PROFILE = """\
name = "bench_logger"
description = "an invented logger"

[recognise]
first_line = "Bench log"
columns = ["Clock"]

[text]
delimiter = ";"
decimal_mark = ","
header_line = 3

[time]
column = "Clock"
format = "clock"

[[channels]]
column = "LP*"
channel = "low_side_kpa"
unit = "bar gauge"

[[channels]]
column = "Air ?"
channel = "duct_left_c"

[default_units]
temperature = "degC"
"""
