"""One small hand-made log per ordinary dialect of text files, read without any profile.

The arithmetic of each expected value stands beside it. psi: 1 psi = 6.894757 kPa (NIST SP
811); bar: 100 kPa; (F - 32) * 5 / 9 = C.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest
from log_writing import notice_codes, read_one, refusal_codes, values, write


@dataclass(frozen=True)
class Dialect:
    """A log, its values in canonical units by channel, and the remarks it must bring."""

    name: str
    content: str | bytes
    expected: dict[str, list[float | None]]
    notices: list[tuple[str | None, str]] = field(default_factory=list)


# 40 psi absolute * 6.894757 = 275.79028 kPa; 41 psi: 282.685037 kPa; 86 degF: 54 * 5/9 = 30
IMPERIAL = "Time [s],Low side [psia],Ambient [degF]\n0,40,86\n1,41,95\n"
IMPERIAL_VALUES = {
    "time_s": [0.0, 1.0],
    "low_side_kpa": [40 * 6.894757, 41 * 6.894757],
    "ambient_air_c": [30.0, 35.0],  # (95 - 32) * 5/9 = 63 * 5/9 = 35
}
# 2.1 bar absolute = 210 kPa
METRIC = "Time [s];Low side [bar abs];Ambient [°C]\n0;2,1;20,5\n1;2,25;21,5\n"
METRIC_VALUES = {"low_side_kpa": [210.0, 225.0], "ambient_air_c": [20.5, 21.5]}
HEADER_BLOCK = "".join(f"Note {n}: nothing, of use; here\n" for n in range(700))


def table(text, *, header="Time [s],Low side [kPa abs],Ambient [degC]"):
    return f"{header}\n{text}"


DIALECTS = [
    # --- marks between columns
    Dialect("comma", IMPERIAL, IMPERIAL_VALUES),
    Dialect("semicolon", IMPERIAL.replace(",", ";"), IMPERIAL_VALUES),
    Dialect("tab", IMPERIAL.replace(",", "\t"), IMPERIAL_VALUES),
    Dialect("bar", IMPERIAL.replace(",", "|"), IMPERIAL_VALUES),
    Dialect("comma and blank", IMPERIAL.replace(",", ", "), IMPERIAL_VALUES),
    Dialect(
        "blanks",
        "time_s low_side_psia ambient_degF\n 0  40.0   86\n 1  41.0   95\n10 41.0   95\n",
        {"low_side_kpa": [40 * 6.894757, 41 * 6.894757, 41 * 6.894757], "time_s": [0.0, 1.0, 10.0]},
    ),
    Dialect(
        "blanks, names of several words between wider gaps",
        "Time [s]   Low side [psia]   Ambient [degF]\n\n0          40.0              86\n"
        "1          41.0              95\n",
        IMPERIAL_VALUES,
    ),
    # --- decimal and thousands marks
    Dialect("decimal comma", METRIC, METRIC_VALUES),
    Dialect(
        "decimal commas in quotes between commas",
        'Time [s],Low side [bar abs],Ambient [degC]\n0,"2,1","20,5"\n1,"2,25","21,5"\n',
        METRIC_VALUES,
    ),
    Dialect(
        "decimal commas in quotes between commas, whole numbers bare",
        'Time [s],Low side [bar abs],Ambient [degC]\n0,2,20\n1,"2,25","21,5"\n',
        {"low_side_kpa": [200.0, 225.0], "ambient_air_c": [20.0, 21.5]},
    ),
    Dialect(
        "thousands points beside decimal commas",
        "Time [s];High side [kPa abs];Ambient [degC]\n0;1.234,5;20,5\n1;987,5;21,5\n",
        {"high_side_kpa": [1234.5, 987.5]},
    ),
    Dialect(
        "thousands commas in quotes beside decimal points",
        'Time [s],High side [kPa abs],Ambient [degC]\n0,"1,234.5",20.5\n1,987.5,21.5\n',
        {"high_side_kpa": [1234.5, 987.5], "ambient_air_c": [20.5, 21.5]},
    ),
    Dialect(
        "thousands blanks",
        "Time [s];High side [kPa abs];Engine speed [rpm]\n0;1 234,5;2 100\n1;987,5;900\n",
        {"high_side_kpa": [1234.5, 987.5], "engine_rpm": [2100.0, 900.0]},
    ),
    Dialect(
        "thousands in narrow blanks that do not break",
        "Time [s];Engine speed [rpm]\n0;2\u202f100\n1;2\u00a0200\n2;900\n",
        {"engine_rpm": [2100.0, 2200.0, 900.0]},
    ),
    Dialect(
        "thousands apostrophes",
        "Time [s];High side [kPa abs];Engine speed [rpm]\n"
        "0;1'234.5;2\N{RIGHT SINGLE QUOTATION MARK}100\n1;987.5;900\n",
        {"high_side_kpa": [1234.5, 987.5], "engine_rpm": [2100.0, 900.0]},
    ),
    Dialect(
        "numbers in scientific notation, a long minus sign, a plus sign",
        table("0,2.1E+02,\u22125.5\n1,2.25e2,+5.5\n"),
        {"low_side_kpa": [210.0, 225.0], "ambient_air_c": [-5.5, 5.5]},
    ),
    # --- encodings and line ends
    Dialect("byte order mark", b"\xef\xbb\xbf" + METRIC.encode(), METRIC_VALUES),
    Dialect("latin-1", METRIC.encode("latin-1"), METRIC_VALUES),
    Dialect("utf-16 with mark", METRIC.encode("utf-16"), METRIC_VALUES),
    Dialect("utf-16 little end first, no mark", METRIC.encode("utf-16-le"), METRIC_VALUES),
    Dialect("utf-16 big end first, no mark", METRIC.encode("utf-16-be"), METRIC_VALUES),
    Dialect("line ends of two letters", METRIC.replace("\n", "\r\n"), METRIC_VALUES),
    Dialect("line ends of bare returns", METRIC.replace("\n", "\r"), METRIC_VALUES),
    Dialect(
        "mixed line ends",
        "Time [s],Ambient [degC]\r\n0,20\n1,21\r2,22\r\n3,23\n",
        {"time_s": [0.0, 1.0, 2.0, 3.0], "ambient_air_c": [20.0, 21.0, 22.0, 23.0]},
    ),
    Dialect(
        "lines filled up with zeros",
        b"Time [s],Ambient [degC]\0\0\0\n" + b"".join(b"%d,20.5\0\0\0\0\n" % n for n in range(9)),
        {"ambient_air_c": [20.5] * 9},
    ),
    # --- lines above the data
    Dialect("header block", "Shop: a, b\nCar: 7\n\n" + IMPERIAL, IMPERIAL_VALUES),
    Dialect("header block of 700 lines", HEADER_BLOCK + IMPERIAL, IMPERIAL_VALUES),
    Dialect(
        "line of units",
        "Time,Low side,Ambient\ns,psia,degF\n0,40,86\n1,41,95\n",
        IMPERIAL_VALUES,
    ),
    Dialect(
        "line of units in brackets",
        "Time;Low side;Ambient\n[s];[bar abs];[°C]\n0;2,1;20,5\n1;2,25;21,5\n",
        METRIC_VALUES,
    ),
    Dialect(
        "column names behind a comment mark",
        "# made by a logger\n# Time [s],Low side [psia],Ambient [degF]\n0,40,86\n1,41,95\n",
        IMPERIAL_VALUES,
    ),
    *(
        Dialect(
            f"comment lines with {mark}",
            f"{mark} one, of many\n" + table(f"0,210,20\n{mark} door, opened, now\n1,225,21\n"),
            {"low_side_kpa": [210.0, 225.0], "ambient_air_c": [20.0, 21.0]},
        )
        for mark in ("#", ";", "//", "%")
    ),
    # --- cells
    Dialect(
        "units glued to values",
        "Time [s];Low side;Ambient;Engine speed\n0;210kPa abs;21.4 °C;1500rpm\n"
        "1;225kPa abs;-1.5 °C;900rpm\n",
        {"low_side_kpa": [210.0, 225.0], "ambient_air_c": [21.4, -1.5], "engine_rpm": [1500, 900]},
    ),
    Dialect(
        "units glued to values and in the header, one saying more",
        "Time [s];Low side [psia];Ambient [degF]\n0 s;40psi;86 °F\n1 s;41psi;95 °F\n",
        IMPERIAL_VALUES,
    ),
    Dialect(
        "percent signs",
        table("0,45%,20\n1,46 %,21\n", header="Time [s],Intake humidity,Ambient [degC]"),
        {"intake_humidity_pct": [45.0, 46.0]},
    ),
    Dialect(
        "marks of no reading",
        table(
            "".join(
                f"{n},{mark},20\n"
                for n, mark in enumerate(
                    [
                        "210",
                        "-",
                        "--",
                        "---",
                        "n/a",
                        "N/A",
                        "#N/A",
                        "OL",
                        "-OL",
                        "O.L",
                        "null",
                        "NaN",
                        "*****",
                        "????",
                        "\N{EN DASH}",
                        "",
                    ]
                )
            )
        ),
        {"low_side_kpa": [210.0] + [None] * 15, "ambient_air_c": [20.0] * 16},
    ),
    Dialect(
        "quoted cells that hold the mark between columns",
        'Time [s],Note,"Ambient [degC]"\n0,"doors, open",20\n1,"a ""b"", c",21\n2,shut,22\n',
        {"ambient_air_c": [20.0, 21.0, 22.0]},
        [("Note", "unused_column")],
    ),
    Dialect(
        "several rates of sampling",
        table("0,210,\n0.5,211,\n1,212,20.5\n1.5,213,\n2,214,20.7\n"),
        {
            "low_side_kpa": [210, 211, 212, 213, 214],
            "ambient_air_c": [None, None, 20.5, None, 20.7],
        },
    ),
    # --- ends of lines and files
    Dialect("rows end in the mark", IMPERIAL.replace("\n", ",\n"), IMPERIAL_VALUES),
    Dialect(
        "only the names end in the mark",
        "Time [s],Low side [psia],Ambient [degF],\n0,40,86\n1,41,95\n",
        IMPERIAL_VALUES,
    ),
    Dialect(
        "only the rows end in the mark",
        "Time [s],Low side [psia],Ambient [degF]\n0,40,86,\n1,41,95,,\n",
        IMPERIAL_VALUES,
    ),
    Dialect(
        "summary lines at the end",
        table(
            "".join(f"{n},210,20\n" for n in range(20)) + "\nMin,210,20\nMax,210,20\nEnd of log\n"
        ),
        {"low_side_kpa": [210.0] * 20, "time_s": [float(n) for n in range(20)]},
        [(None, "closing_lines")],
    ),
    Dialect(
        "the names come again where the logger went on",
        "Clock,Ambient [degC]\n09:00:00,20\n09:00:01,21\nClock,Ambient [degC]\n09:00:05,22\n",
        {"time_s": [0.0, 1.0, 5.0], "ambient_air_c": [20.0, 21.0, 22.0]},
        [(None, "names_repeated")],
    ),
    Dialect(
        "tabs, with empty cells at both ends and a closing line",
        "Note\tTime [s]\tLow side [psia]\tAmbient [degF]\n\t0\t40\t\nx\t1\t41\t95\n\t\t\t\nEnd\n",
        {"low_side_kpa": [40 * 6.894757, 41 * 6.894757], "ambient_air_c": [None, 35.0]},
        [(None, "closing_lines"), ("Note", "unused_column")],
    ),
    # --- the long form
    Dialect(
        "long form with a column of units",
        "Time [s],channel,value,unit\n0,Low side,40,psia\n0,Ambient,86,degF\n"
        "1,Low side,41,psia\n1,Ambient,95,degF\n",
        IMPERIAL_VALUES,
    ),
    Dialect(
        "long form, semicolons and decimal commas",
        "Time [s];channel;value\n0;low_side_bar_abs;2,1\n0;ambient_air_c;20,5\n"
        "1;low_side_bar_abs;2,25\n1;ambient_air_c;---\n",
        {"low_side_kpa": [210.0, 225.0], "ambient_air_c": [20.5, None]},
    ),
    Dialect(
        "long form with units glued to values",
        "Time [s];channel;value\n0;Low side;2,1 bar abs\n0;Ambient;20,5 °C\n"
        "1;Low side;2,25 bar abs\n1;Ambient;21,5 °C\n",
        METRIC_VALUES,
    ),
]


@pytest.mark.parametrize("dialect", DIALECTS, ids=[one.name for one in DIALECTS])
def test_a_dialect_is_read_without_a_profile(tmp_path, dialect):
    batch = read_one(write(tmp_path, "a.csv", dialect.content))
    assert refusal_codes(batch) == []
    assert notice_codes(batch) == dialect.notices
    for channel, expected in dialect.expected.items():
        read = values(batch, channel)
        assert [value is None for value in read] == [value is None for value in expected]
        known = [value for value in expected if value is not None]
        assert [value for value in read if value is not None] == pytest.approx(known, rel=1e-6)
