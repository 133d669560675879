"""Rows of each batch of an Arrow file, from its metadata alone, before anything is unpacked.

Layout: Arrow Columnar Format 1.5, "Serialization and Interprocess Communication"; tables and
vectors as FlatBuffers store them. Only lengths are read; all else is left to pyarrow.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

FILE_MAGIC = b"ARROW1"
_CONTINUATION = 0xFFFFFFFF
_RECORD_BATCH = 3  # of the union of message headers
_BLOCK = struct.Struct("<qi4xq")  # offset, length of the metadata, length of the body
# Metadata of one message: 16 bytes a buffer, so that a schema of a thousand columns fits.
_LONGEST_METADATA = 1 << 24


def batches_in(path: Path) -> list[int]:
    """Rows of each record batch in file order.

    Raises ValueError, IndexError or struct.error where the metadata are damaged.
    """
    with open(path, "rb") as file:
        size = file.seek(0, 2)
        file.seek(0)
        if file.read(len(FILE_MAGIC)) == FILE_MAGIC:
            rows = [_rows(_message(file, place, size)[0]) for place in _places(file, size)]
            if None in rows:
                raise ValueError("what the footer names as a batch is none")
        else:
            rows = [_rows(metadata) for metadata in _stream(file, size)]
    found = [n for n in rows if n is not None]
    if any(n < 0 for n in found):
        raise ValueError("a batch has a negative number of rows")
    return found


def _places(file: BinaryIO, size: int) -> Iterator[int]:
    """Where the footer says that batches begin."""
    file.seek(max(0, size - 10))
    tail = file.read(10)
    if len(tail) < 10 or tail[4:] != FILE_MAGIC:
        raise ValueError("it does not end as it should; it was not finished or not copied whole")
    length = int.from_bytes(tail[:4], "little")
    if not 0 < length <= size - 18:
        raise ValueError(f"its footer has {length} bytes")
    file.seek(size - 10 - length)
    footer = file.read(length)
    batches = _Table.root(footer).child(3)
    if batches is None:
        return
    (n,) = struct.unpack_from("<I", footer, batches)
    for index in range(n):
        offset, metadata, body = _BLOCK.unpack_from(footer, batches + 4 + index * _BLOCK.size)
        if min(offset, metadata, body) < 0 or offset + metadata + body > size:
            raise ValueError(f"batch {index} lies outside the file")
        yield offset


def _stream(file: BinaryIO, size: int) -> Iterator[bytes]:
    """Metadata of one message after another."""
    place = 0
    while place < size:
        metadata, body = _message(file, place, size)
        if not metadata:
            return
        yield metadata
        place = body


def _message(file: BinaryIO, place: int, size: int) -> tuple[bytes, int]:
    """Metadata of the message at a place, empty at the end of a stream, and where it ends."""
    file.seek(place)
    marker, length = struct.unpack("<II", file.read(8))
    if marker != _CONTINUATION or length > min(_LONGEST_METADATA, size - place - 8):
        raise ValueError(f"there is no message at byte {place}")
    metadata = file.read(length)
    if not metadata:
        return b"", place + 8
    body = _Table.root(metadata).number(3, "<q")
    end = place + 8 + length + body
    if body < 0 or end > size:
        raise ValueError(f"the message at byte {place} ends behind the file")
    return metadata, end


def _rows(metadata: bytes) -> int | None:
    """Rows of a message that is a record batch."""
    message = _Table.root(metadata)
    kind = message.number(1, "<B")
    header = message.child(2)
    if kind != _RECORD_BATCH or header is None:
        return None
    return _Table(metadata, header).number(0, "<q")


class _Table:
    """A FlatBuffers table."""

    def __init__(self, data: bytes, place: int) -> None:
        self._data = data
        self._place = place
        (back,) = struct.unpack_from("<i", data, place)
        self._fields = place - back
        if self._fields < 0:
            raise ValueError("its metadata are damaged")
        (self._size,) = struct.unpack_from("<H", data, self._fields)

    @classmethod
    def root(cls, data: bytes) -> _Table:
        """The table that a buffer is about."""
        return cls(data, *struct.unpack_from("<I", data, 0))

    def _field(self, number: int) -> int | None:
        entry = 4 + 2 * number
        if entry + 2 > self._size:
            return None
        (offset,) = struct.unpack_from("<H", self._data, self._fields + entry)
        return self._place + int(offset) if offset else None

    def number(self, number: int, form: str) -> int:
        """A number that stands in the table; 0 where it is left out."""
        place = self._field(number)
        return 0 if place is None else int(struct.unpack_from(form, self._data, place)[0])

    def child(self, number: int) -> int | None:
        """Where a table or vector stands to which the table points."""
        place = self._field(number)
        if place is None:
            return None
        (offset,) = struct.unpack_from("<I", self._data, place)
        return place + int(offset)
