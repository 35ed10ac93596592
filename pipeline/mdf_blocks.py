"""The chain of blocks of an MDF 4 file, walked before its library may open it.

Takes a file, checks that it is finalised and whole, that its chains of blocks end, and
that its channels and unpacked data stay within limits; refuses it with a sentence where
not. Does not belong here: values, names, units (`mdf_logs`). Block layout after ASAM MDF
4.1, which the tests hold against files that the format's library writes.
"""

from __future__ import annotations

import mmap
import struct
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.layouts import MOST_COLUMNS, too_many_columns
from pipeline.refusals import LogRefusedError, not_readable, too_large

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_IDENTIFICATION_BYTES = 64
_HEADER = struct.Struct("<4s4xQQ")
_FINALISED = b"MDF     "
_UNFINISHED = b"UnFinMF "
# A log of 5000 channels in lists of small blocks has fewer; a chain that is longer is a ring.
_MOST_BLOCKS = 100_000
_DEFLATED = (0, 1)
_VARIABLE_LENGTH = 1
# kinds of channel whose values are the number of the record
_WITHOUT_BYTES = (3, 6)
_HAS_INVALID_BIT = 2


@dataclass(frozen=True)
class _Block:
    """A block: its kind, the blocks it points to, and where its own data stand."""

    kind: bytes
    links: tuple[int, ...]
    start: int
    end: int

    def link(self, number: int) -> int:
        """The place of the block that a link points to; 0 means none."""
        return self.links[number] if number < len(self.links) else 0


class _Walk:
    """The blocks of one file; counts them, so that a ring of blocks ends."""

    def __init__(self, content: mmap.mmap, largest_bytes: int) -> None:
        self.content = content
        self.largest_bytes = largest_bytes
        self.n_blocks = 0
        self.n_channels = 0
        self.n_data_bytes = 0

    def block(self, place: int) -> _Block:
        """The block at a place of the file."""
        self.n_blocks += 1
        if self.n_blocks > _MOST_BLOCKS:
            raise damaged_mdf("its blocks form a ring, or are far too many")
        size = len(self.content)
        if place < _IDENTIFICATION_BYTES or place + _HEADER.size > size:
            raise damaged_mdf("a block lies beyond the end of the file")
        kind, length, n_links = _HEADER.unpack_from(self.content, place)
        start = place + _HEADER.size + 8 * n_links
        if kind[:2] != b"##" or place + length > size or start > place + length:
            raise damaged_mdf("a block is cut or overwritten")
        links = struct.unpack_from(f"<{n_links}Q", self.content, place + _HEADER.size)
        return _Block(kind[2:], links, start, place + length)

    def chain(self, place: int, kind: bytes) -> Iterator[_Block]:
        """The blocks of a list, which point to each other by their first link."""
        while place:
            block = self.block(place)
            if block.kind != kind:
                raise damaged_mdf("a block is of another kind than the one that names it says")
            yield block
            place = block.link(0)

    def read(self, form: str, block: _Block, offset: int) -> tuple[int, ...]:
        """Numbers of a block's own data."""
        if block.start + offset + struct.calcsize(form) > block.end:
            raise damaged_mdf("a block is cut or overwritten")
        return struct.unpack_from(form, self.content, block.start + offset)


def check_mdf(file: Path, largest_bytes: int) -> None:
    """Refuse a file that its library should not open.

    Raises
    ------
    LogRefusedError
        The file is no MDF 4, unfinalised, damaged or cut, or holds more than a log can.
    """
    try:
        with file.open("rb") as stream:
            head = stream.read(_IDENTIFICATION_BYTES)
            _check_identification(head)
            with mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as content:
                _check_blocks(_Walk(content, largest_bytes))
    except OSError as error:
        raise not_readable(error) from error


def _check_identification(head: bytes) -> None:
    if not head:
        raise LogRefusedError(
            "empty_file",
            "The file is empty.",
            hint="Copy it from the logger again; if it is empty there too, repeat the test.",
        )
    if len(head) < _IDENTIFICATION_BYTES or head[:8] not in {_FINALISED, _UNFINISHED}:
        raise damaged_mdf("it does not begin as one")
    version = struct.unpack_from("<H", head, 28)[0]
    if not 400 <= version < 500:
        raise LogRefusedError(
            "mdf_version",
            f"The file is MDF version {version / 100:.2f}; version 4 is read.",
            place="start of the file",
            hint="Export the log again as MDF 4 (.mf4), or as CSV.",
        )
    unfinished = struct.unpack_from("<HH", head, 60)
    if head[:8] == _UNFINISHED or any(unfinished):
        raise LogRefusedError(
            "mdf_unfinalised",
            "The recording was never finished: the file says of itself that its counts and "
            "lists are not final.",
            place="start of the file",
            hint="Finalise it with the logger's own software, or repeat the test and stop the "
            "recording before the power goes.",
        )


def _check_blocks(walk: _Walk) -> None:
    header = walk.block(_IDENTIFICATION_BYTES)
    if header.kind != b"HD":
        raise damaged_mdf("it has no header block")
    for data_group in walk.chain(header.link(0), b"DG"):
        n_bytes = _data_bytes(walk, data_group.link(2))
        least = 0
        for group in walk.chain(data_group.link(1), b"CG"):
            least += _record_bytes(walk, group)
            _check_channels(walk, group)
        if least > n_bytes:
            raise damaged_mdf("it has fewer readings than it says, as if it were broken off")


def _record_bytes(walk: _Walk, group: _Block) -> int:
    """Bytes that the records of a channel group take at least."""
    cycles, flags = walk.read("<QH", group, 8)
    data_bytes, invalid_bytes = walk.read("<II", group, 24)
    return 0 if flags & _VARIABLE_LENGTH else cycles * (data_bytes + invalid_bytes)


def _check_channels(walk: _Walk, group: _Block) -> None:
    """Count the channels of a group and of those made of others, and place each in its record."""
    data_bytes, invalid_bytes = walk.read("<II", group, 24)
    waiting = [group.link(1)]
    while waiting:
        start = waiting.pop()
        if start and walk.block(start).kind != b"CN":
            continue  # an array is described by a block of its own
        for channel in walk.chain(start, b"CN"):
            walk.n_channels += 1
            if walk.n_channels > MOST_COLUMNS:
                raise too_many_columns(walk.n_channels)
            _check_place(walk, channel, data_bytes, invalid_bytes)
            waiting.append(channel.link(1))


def _check_place(walk: _Walk, channel: _Block, data_bytes: int, invalid_bytes: int) -> None:
    """Refuse a channel that lies beyond its record: the library would read foreign memory."""
    kind, _, _, bit_offset = walk.read("<BBBB", channel, 0)
    byte_offset, n_bits, flags, invalid_bit = walk.read("<IIII", channel, 4)
    last_bit = 0 if kind in _WITHOUT_BYTES else byte_offset * 8 + bit_offset + n_bits
    has_invalid_bit = invalid_bit > 0 or bool(flags & _HAS_INVALID_BIT)
    if last_bit > data_bytes * 8 or (has_invalid_bit and invalid_bit >= invalid_bytes * 8):
        raise damaged_mdf("a channel lies beyond the end of its record")


def _data_bytes(walk: _Walk, place: int) -> int:
    """Unpacked bytes of the readings below a data group."""
    if not place:
        return 0
    block = walk.block(place)
    while block.kind == b"HL":  # the head of a list of packed blocks
        place = block.link(0)
        block = walk.block(place)
    if block.kind in {b"DL", b"LD"}:
        parts = (link for one in walk.chain(place, block.kind) for link in one.links[1:] if link)
        return sum(_piece_bytes(walk, walk.block(part)) for part in parts)
    return _piece_bytes(walk, block)


def _piece_bytes(walk: _Walk, block: _Block) -> int:
    size = _packed_bytes(walk, block) if block.kind == b"DZ" else block.end - block.start
    walk.n_data_bytes += size
    if walk.n_data_bytes > walk.largest_bytes:
        raise too_large(walk.largest_bytes)
    return size


def _packed_bytes(walk: _Walk, block: _Block) -> int:
    """Unpacked size of a packed block, which must be what it says of itself."""
    (zip_kind,) = walk.read("<B", block, 2)
    size, packed = walk.read("<QQ", block, 8)
    start = block.start + 24
    if start + packed > block.end:
        raise damaged_mdf("a packed block is cut")
    if zip_kind in _DEFLATED and size <= walk.largest_bytes:
        opened = zlib.decompressobj()
        try:
            unpacked = len(opened.decompress(walk.content[start : start + packed], size + 1))
        except zlib.error as error:
            raise damaged_mdf("a packed block cannot be unpacked") from error
        if unpacked != size:
            raise damaged_mdf("a packed block holds more or less than it says")
    return size


def damaged_mdf(reason: str) -> LogRefusedError:
    """The refusal of a file that is no sound MDF 4."""
    return LogRefusedError(
        "damaged_mdf",
        f"The file is not an MDF 4 file, or it is damaged or broken off: {reason}.",
        hint="Copy it again from the logger; if it is the same there, export it as CSV.",
    )
