"""Blocks of an ASAM MDF 4 file: groups, channels and data, with every link checked.

Layout after the standard ASAM MDF 4.2: each block has an identifier, its length, its links and its
data. A damaged link may lead anywhere, back to where one came from too, so each block is met once
in a chain and lies inside the file.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from html import unescape
from pathlib import Path
from typing import BinaryIO

from ingest.errors import RecordingError

_HEADER = struct.Struct("<4s4xQQ")
_GROUP = struct.Struct("<QQHH4xII")
_CHANNEL = struct.Struct("<BBBBIIII")
_CONVERSION = struct.Struct("<BBHHH16x")
_FIRST_BLOCK = 64
# A block of metadata is read whole; a conversion table with a million rows has 16 MB.
_LONGEST_BLOCK = 1 << 24
_MOST_CHANNELS = 50_000
_TX = re.compile(r"<TX[^>]*>(.*?)</TX>", re.DOTALL)

_OF_ONE_CHANNEL, _REMOTE_MASTER = 1, 8  # flags of a channel group


@dataclass(frozen=True)
class Block:
    """One block of metadata."""

    kind: bytes  # "##CN"
    place: int
    links: tuple[int, ...]
    data: bytes

    def link(self, number: int) -> int:
        """A link by its number; 0 where there is none."""
        return self.links[number] if number < len(self.links) else 0


@dataclass(frozen=True)
class Conversion:
    """Rule from a stored number to the physical value."""

    kind: int  # cc_type
    values: tuple[float, ...]
    unit: str | None


@dataclass(frozen=True)
class Channel:
    """One channel and where its values stand in a record."""

    name: str
    unit: str | None
    kind: int  # cn_type
    sync: int  # cn_sync_type
    data_type: int
    bit_offset: int
    byte_offset: int
    bit_count: int
    flags: int
    invalid_bit: int
    conversion: Conversion | None
    is_array: bool


@dataclass(frozen=True)
class ChannelGroup:
    """Channels whose values stand in the same records."""

    place: int
    record_id: int
    cycles: int
    flags: int
    data_bytes: int
    invalid_bytes: int
    master_place: int  # of the group that holds the time; 0 where it is this one
    channels: tuple[Channel, ...]

    @property
    def holds_one_channel(self) -> bool:
        """Whether its records, each with its own length, are values of a channel of another."""
        return bool(self.flags & _OF_ONE_CHANNEL)

    @property
    def record_bytes(self) -> int:
        """Of one record without its identifier."""
        return self.data_bytes + self.invalid_bytes


@dataclass(frozen=True)
class DataGroup:
    """Channel groups whose records stand in the same blocks."""

    id_bytes: int  # of the number before each record; 0: one group, no numbers
    data_place: int
    groups: tuple[ChannelGroup, ...]


class BlockFile:
    """An opened file, read block by block."""

    def __init__(self, path: Path, file: BinaryIO) -> None:
        self._path = path
        self._file = file
        self.size = file.seek(0, 2)

    def damaged(self, place: int, problem: str) -> RecordingError:
        """The error about a block."""
        return RecordingError(
            self._path,
            f"block at byte {place}",
            f"the file is damaged ({problem})",
            "copy the file again, or write it anew from the logger",
        )

    def read(self, place: int, count: int) -> bytes:
        """Bytes of a block that has been found to lie in the file."""
        self._file.seek(place)
        data = self._file.read(count)
        if len(data) != count:
            raise self.damaged(place, "the file ends inside it")
        return data

    def header(self, place: int, *kinds: bytes) -> tuple[bytes, int, int]:
        """Kind, length and number of links of a block, which must be of one of these kinds."""
        if place + _HEADER.size > self.size:
            raise self.damaged(place, f"the file ends at byte {self.size}")
        kind, length, links = _HEADER.unpack(self.read(place, _HEADER.size))
        if kind not in kinds:
            names = " or ".join(name.decode() for name in kinds)
            raise self.damaged(place, f"{names} wanted, found {kind!r}")
        if place + length > self.size or length < _HEADER.size + 8 * links:
            raise self.damaged(place, f"{kind.decode()} of {length} bytes with {links} links")
        return kind, length, links

    def block(self, place: int, *kinds: bytes) -> Block:
        """A block of metadata."""
        kind, length, n = self.header(place, *kinds)
        if length > _LONGEST_BLOCK:
            raise self.damaged(place, f"{kind.decode()} of {length} bytes")
        body = self.read(place + _HEADER.size, length - _HEADER.size)
        return Block(kind, place, struct.unpack_from(f"<{n}Q", body), body[8 * n :])

    def chain(self, place: int, kind: bytes) -> Iterator[Block]:
        """Blocks that follow one another by their first link."""
        seen: set[int] = set()
        while place:
            if place in seen:
                raise self.damaged(place, f"{kind.decode()} is linked to twice")
            seen.add(place)
            block = self.block(place, kind)
            yield block
            place = block.link(0)

    def fields(self, form: struct.Struct, block: Block) -> tuple[int, ...]:
        """Numbers at the beginning of a block's data."""
        if len(block.data) < form.size:
            raise self.damaged(block.place, f"{block.kind.decode()} is too short")
        return form.unpack_from(block.data)


def data_groups(file: BlockFile) -> tuple[DataGroup, ...]:
    """All groups and channels of a file, in file order."""
    reader = _Structure(file)
    return tuple(reader.data_group(block) for block in file.chain(reader.first, b"##DG"))


class _Structure:
    """Reads groups and channels, and keeps conversions that many channels share."""

    def __init__(self, file: BlockFile) -> None:
        self._file = file
        self._conversions: dict[int, Conversion] = {}
        self._channels = 0
        self.first = file.block(_FIRST_BLOCK, b"##HD").link(0)

    def data_group(self, block: Block) -> DataGroup:
        """A data group with its channel groups."""
        id_bytes = block.data[0] if block.data else -1
        if id_bytes not in (0, 1, 2, 4, 8):
            raise self._file.damaged(block.place, f"record numbers of {id_bytes} bytes")
        groups = tuple(self._group(cg) for cg in self._file.chain(block.link(1), b"##CG"))
        if id_bytes == 0 and len(groups) > 1:
            raise self._file.damaged(block.place, f"{len(groups)} groups without record numbers")
        return DataGroup(id_bytes, block.link(2), groups)

    def _group(self, block: Block) -> ChannelGroup:
        record_id, cycles, flags, _, data_bytes, invalid = self._file.fields(_GROUP, block)
        master = block.link(6) if flags & _REMOTE_MASTER else 0
        channels = tuple(self._walk(block.link(1), 0))
        return ChannelGroup(
            block.place, record_id, cycles, flags, data_bytes, invalid, master, channels
        )

    def _walk(self, place: int, depth: int) -> Iterator[Channel]:
        """Channels of a chain, each followed by what it is made of."""
        if depth > 16:  # structures in structures: more than anyone writes
            raise self._file.damaged(place, "channels are made of one another")
        for block in self._file.chain(place, b"##CN"):
            self._channels += 1
            if self._channels > _MOST_CHANNELS:
                raise self._file.damaged(block.place, f"more than {_MOST_CHANNELS} channels")
            part = block.link(1)
            kind = self._file.header(part, b"##CN", b"##CA")[0] if part else b""
            yield self._channel(block, kind != b"")
            if kind == b"##CN":
                yield from self._walk(part, depth + 1)

    def _channel(self, block: Block, is_array: bool) -> Channel:
        kind, sync, data_type, bit_offset, byte_offset, bits, flags, invalid = self._file.fields(
            _CHANNEL, block
        )
        conversion = self._conversion(block.link(4))
        # The channel's own unit overrules that of a conversion which several channels may share.
        unit = self._text(block.link(6)) if block.link(6) else conversion and conversion.unit
        return Channel(
            self._text(block.link(2)),
            unit or None,
            kind,
            sync,
            data_type,
            bit_offset,
            byte_offset,
            bits,
            flags,
            invalid,
            conversion,
            is_array,
        )

    def _conversion(self, place: int) -> Conversion | None:
        if not place:
            return None
        if place not in self._conversions:
            block = self._file.block(place, b"##CC")
            kind, _, _, _, n = self._file.fields(_CONVERSION, block)
            if len(block.data) < _CONVERSION.size + 8 * n:
                raise self._file.damaged(place, f"##CC with {n} values is too short")
            values = struct.unpack_from(f"<{n}d", block.data, _CONVERSION.size)
            unit = self._text(block.link(1)) if block.link(1) else None
            self._conversions[place] = Conversion(kind, values, unit)
        return self._conversions[place]

    def _text(self, place: int) -> str:
        if not place:
            return ""
        block = self._file.block(place, b"##TX", b"##MD")
        text = block.data.split(b"\0", 1)[0].decode("utf-8", "replace").strip()
        if block.kind == b"##MD":  # XML of which the text proper is the element TX
            found = _TX.search(text)
            text = unescape(found.group(1)).strip() if found else ""
        return text
