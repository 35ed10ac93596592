"""Named damages: each takes the bytes of a sound file and gives those of a damaged one.

A damage is a pure function of the content and a source of chance, so a corpus made twice
is the same. Does not belong here: which files are damaged (`corpus`).
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from random import Random

    Damage = Callable[[bytes, Random], bytes]


def _cut(share: float) -> Damage:
    return lambda content, _: content[: int(len(content) * share)]


def _flip(count: int) -> Damage:
    def damage(content: bytes, chance: Random) -> bytes:
        damaged = bytearray(content)
        for _ in range(count if damaged else 0):
            damaged[chance.randrange(len(damaged))] ^= 1 << chance.randrange(8)
        return bytes(damaged)

    return damage


def _without_middle(content: bytes, chance: Random) -> bytes:
    start = chance.randrange(len(content) // 2)
    return content[:start] + content[start + len(content) // 4 :]


def _doubled(content: bytes, _: Random) -> bytes:
    return content + content


def _zeros_inside(content: bytes, chance: Random) -> bytes:
    start = chance.randrange(len(content))
    return content[:start] + b"\0" * 64 + content[start:]


def _zeros_after(content: bytes, _: Random) -> bytes:
    return content + b"\0" * 4096


def _junk_after(content: bytes, chance: Random) -> bytes:
    return content + chance.randbytes(300)


def _junk_before(content: bytes, chance: Random) -> bytes:
    return chance.randbytes(64) + content


def _swapped_blocks(content: bytes, _: Random) -> bytes:
    middle = len(content) // 2
    return content[middle:] + content[:middle]


ANY: dict[str, Damage] = {
    "cut_at_5_pct": _cut(0.05),
    "cut_at_50_pct": _cut(0.5),
    "cut_at_97_pct": _cut(0.97),
    "one_bit_flipped": _flip(1),
    "fifty_bits_flipped": _flip(50),
    "middle_missing": _without_middle,
    "twice_over": _doubled,
    "zeros_inside": _zeros_inside,
    "zeros_after": _zeros_after,
    "junk_after": _junk_after,
    "junk_before": _junk_before,
    "halves_swapped": _swapped_blocks,
}


def _lines(content: bytes) -> list[bytes]:
    return content.split(b"\n")


def _header_only(content: bytes, _: Random) -> bytes:
    kept = [line for line in _lines(content) if not re.match(rb"\d", line)]
    return b"\n".join(kept[:9]) + b"\n"


def _without_header(content: bytes, _: Random) -> bytes:
    return b"\n".join(line for line in _lines(content) if re.match(rb"\d", line))


def _last_cell(value: bytes) -> Damage:
    """The last cell of every third row replaced."""

    def damage(content: bytes, _: Random) -> bytes:
        lines = _lines(content)
        for number in range(10, len(lines), 3):
            lines[number] = re.sub(rb"[^,;]*$", lambda _: value, lines[number])
        return b"\n".join(lines)

    return damage


def _first_cell(value: bytes) -> Damage:
    """The time of every fourth row replaced."""

    def damage(content: bytes, _: Random) -> bytes:
        lines = _lines(content)
        for number in range(10, len(lines), 4):
            lines[number] = re.sub(rb"^[^,;]*", lambda _: value, lines[number])
        return b"\n".join(lines)

    return damage


def _mark(content: bytes) -> bytes:
    return b";" if content.count(b";") > content.count(b",") else b","


def _wider(count: int) -> Damage:
    def damage(content: bytes, _: Random) -> bytes:
        mark = _mark(content)
        return b"\n".join(
            line + b"".join(mark + b"x%d" % n for n in range(count)) if line else line
            for line in _lines(content)[:12]
        )

    return damage


def _names_twice(content: bytes, _: Random) -> bytes:
    return b"\n".join(line + _mark(content) + line if line else line for line in _lines(content))


def _all_names_alike(content: bytes, _: Random) -> bytes:
    return re.sub(rb"(Ambient|Duct left)", b"Low side", content)


def _ragged(content: bytes, chance: Random) -> bytes:
    mark = _mark(content)
    return b"\n".join(
        mark.join(line.split(mark)[: chance.randrange(1, 5)]) for line in _lines(content)
    )


def _other_encoding(content: bytes, _: Random) -> bytes:
    middle = len(content) // 2
    return content[:middle] + "°µ€\N{SNOWMAN}".encode() + b"\xb0\xff\x80" + content[middle:]


def _quotes(content: bytes, _: Random) -> bytes:
    lines = _lines(content)
    for number in range(9, len(lines), 2):
        lines[number] = lines[number].replace(_mark(content), b'""",""', 1)
    return b"\n".join(lines)


TEXT: dict[str, Damage] = {
    "header_only": _header_only,
    "no_header": _without_header,
    "huge_line": lambda content, _: content + b"7" * 2_000_000 + b"\n",
    "huge_header": lambda content, _: b"x" * 1_500_000 + content,
    "ten_thousand_columns": _wider(10_000),
    "three_hundred_columns": _wider(300),
    "nul_in_a_cell": _last_cell(b"1\x002"),
    "escape_in_a_cell": _last_cell(b"\x1b[31m9\x1b[0m"),
    "endless_numbers": _last_cell(b"inf"),
    "no_numbers": _last_cell(b"nan"),
    "too_large_numbers": _last_cell(b"1e400"),
    "very_long_number": _last_cell(b"9" * 5000),
    "arabic_digits": _last_cell("\u0663\u0664".encode()),
    "time_out_of_range": _first_cell(b"9e300"),
    "time_before_the_calendar": _first_cell(b"-99999999999999999999"),
    "clock_out_of_range": _first_cell(b"25:61:99"),
    "day_out_of_range": _first_cell(b"2026-02-31T09:30:00"),
    "year_out_of_range": _first_cell(b"99999-01-01T00:00:00Z"),
    "names_twice": _names_twice,
    "names_alike": _all_names_alike,
    "ragged": _ragged,
    "mixed_encodings": _other_encoding,
    "nested_quotes": _quotes,
    "open_quote": lambda content, _: content.replace(b"\n", b'\n"', 3),
    "carriage_returns": lambda content, _: content.replace(b"\n", b"\r"),
    "mixed_line_ends": lambda content, _: content.replace(b"0\n", b"0\r\n").replace(b"1\n", b"1\r"),
    "blank_lines_between": lambda content, _: content.replace(b"\n", b"\n\n\n"),
    "byte_order_mark_twice": lambda content, _: b"\xef\xbb\xbf\xef\xbb\xbf" + content,
    "wrong_byte_order_mark": lambda content, _: b"\xff\xfe" + content,
    "unit_unknown": lambda content, _: content.replace(b"degC", b"furlong").replace(b"degF", b"?"),
    "unit_endless": lambda content, _: content.replace(b"degC", b"(" * 300),
    "only_marks": lambda content, _: re.sub(rb"[^,;\n]", b"", content),
}
