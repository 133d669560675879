"""Sizes of the pages of a Parquet file, read from their headers before anything is unpacked.

pyarrow does not tell them, and its own account of a column's part of a row group
(`RowGroupMetaData.column`) ends the whole process on some damaged files. Layout: Apache Parquet's
`parquet.thrift`, in Thrift's compact protocol.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, BinaryIO

_MAGIC = b"PAR1"
# Headers are some dozen bytes; those with the least and largest text of a page have more.
_LONGEST_HEADER = 1 << 14
_LONGEST_FOOTER = 1 << 26

# Numbers of the fields that are read, in the structures in which they stand.
_ROW_GROUPS, _COLUMNS, _META, _PATH = 4, 1, 3, 3
_PACKED_BYTES, _DATA_PLACE, _DICTIONARY_PLACE = 7, 9, 11
_PART: Mapping[int, Any] = {
    field: {} for field in (_PATH, _PACKED_BYTES, _DATA_PLACE, _DICTIONARY_PLACE)
}
_FOOTER: Mapping[int, Any] = {_ROW_GROUPS: {_COLUMNS: {_META: _PART}}}
_KIND, _UNPACKED, _PACKED = 1, 2, 3
_HEADER: Mapping[int, Any] = {_KIND: {}, _UNPACKED: {}, _PACKED: {}}
_DICTIONARY = 2  # kind of a page

# Types of the compact protocol.
_TRUE, _FALSE, _BYTE, _I64, _DOUBLE, _BINARY, _LIST, _SET, _MAP, _STRUCT = 1, 2, 3, *range(6, 13)


def page_bytes(path: Path, names: set[str]) -> int:
    """Memory that the pages of columns take at a time, unpacked: the largest of each, summed.

    A column's dictionary stays while its other pages come and go. Raises ValueError or IndexError
    where the headers are damaged.
    """
    largest: dict[tuple[str, bool], int] = {}
    with open(path, "rb") as file:
        size = file.seek(0, 2)
        for name, place, end in _parts(file, size):
            if name not in names:
                continue
            for kind, unpacked in _pages(file, place, end, size):
                key = name, kind == _DICTIONARY
                largest[key] = max(largest.get(key, 0), unpacked)
    return sum(largest.values())


def _parts(file: BinaryIO, size: int) -> Iterator[tuple[str, int, int]]:
    """Name, first and last byte of each column's part of each row group."""
    file.seek(max(0, size - 8))
    tail = file.read(8)
    length = int.from_bytes(tail[:4], "little")
    if tail[4:] != _MAGIC or length > min(_LONGEST_FOOTER, size - 12):
        raise ValueError("it does not end as it should; it was not finished or not copied whole")
    file.seek(size - 8 - length)
    footer = _Compact(file.read(length)).struct(_FOOTER)
    for group in footer.get(_ROW_GROUPS, ()):
        for column in group.get(_COLUMNS, ()):
            part = column[_META]
            name = ".".join(text.decode("utf-8", "replace") for text in part[_PATH])
            places = (part.get(_DICTIONARY_PLACE, 0), part[_DATA_PLACE])
            if any(places):  # of a part without rows neither page need be there
                place = min(place for place in places if place)
                yield name, place, place + part[_PACKED_BYTES]


def _pages(file: BinaryIO, place: int, end: int, size: int) -> Iterator[tuple[int, int]]:
    """Kind and unpacked bytes of each page between two places."""
    if not 0 <= place <= end <= size:
        raise ValueError(f"a column stands from byte {place} to {end}")
    while place < end:
        file.seek(place)
        reader = _Compact(file.read(_LONGEST_HEADER))
        header = reader.struct(_HEADER)
        if min(header[_UNPACKED], header[_PACKED]) < 0:
            raise ValueError(f"the page at byte {place} has a negative size")
        yield header[_KIND], header[_UNPACKED]
        place += reader.place + header[_PACKED]


class _Compact:
    """Structures in Thrift's compact protocol, of which some fields are wanted."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self.place = 0

    def struct(self, wanted: Mapping[int, Any]) -> dict[int, Any]:
        """Wanted fields by their numbers; the others are passed over."""
        found = {}
        number = 0
        while (head := self._byte()) & 15:
            number = number + (head >> 4) if head >> 4 else self._integer()
            kind = head & 15
            if kind in (_TRUE, _FALSE):
                continue
            value = self._value(kind, wanted.get(number))
            if number in wanted:
                found[number] = value
        return found

    def _value(self, kind: int, wanted: Mapping[int, Any] | None) -> Any:
        if kind in (_TRUE, _FALSE, _BYTE):
            return self._byte()
        if kind <= _I64:
            return self._integer()
        if kind == _DOUBLE:
            return self._bytes(8)
        if kind == _BINARY:
            return self._bytes(self._varint())
        if kind in (_LIST, _SET):
            return self._list(wanted)
        if kind == _MAP:
            self._map()
            return None
        if kind == _STRUCT:
            return self.struct(wanted or {})
        raise ValueError(f"a field of unknown type {kind}")

    def _list(self, wanted: Mapping[int, Any] | None) -> list[Any] | None:
        head = self._byte()
        n = head >> 4 if head >> 4 < 15 else self._varint()
        if n > len(self._data) - self.place:
            raise ValueError(f"a list of {n} entries")
        values: list[Any] | None = None if wanted is None else []
        for _ in range(n):
            value = self._value(head & 15, wanted)
            if values is not None:
                values.append(value)
        return values

    def _map(self) -> None:
        n = self._varint()
        kinds = self._byte() if n else 0
        for _ in range(min(n, len(self._data))):
            self._value(kinds >> 4, None)
            self._value(kinds & 15, None)

    def _integer(self) -> int:
        word = self._varint()
        return (word >> 1) ^ -(word & 1)

    def _varint(self) -> int:
        word = shift = 0
        while True:
            byte = self._byte()
            word |= (byte & 127) << shift
            if byte < 128:
                return word
            shift += 7
            if shift > 63:
                raise ValueError("a number does not end")

    def _byte(self) -> int:
        byte = self._data[self.place]
        self.place += 1
        return byte

    def _bytes(self, count: int) -> bytes:
        if count > len(self._data) - self.place:
            raise ValueError(f"a text of {count} bytes")
        self.place += count
        return self._data[self.place - count : self.place]
