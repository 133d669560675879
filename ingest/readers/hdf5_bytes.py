"""The bytes of an HDF5 file as its library reads them, less what would keep it for ever.

The library (as of HDF5 2.0) never returns from a global heap, where texts of any length stand,
that holds a piece of no length. Such a heap is shown to it without its signature, and refused.
"""

from __future__ import annotations

from pathlib import Path

from ingest.readers.binary_signatures import hdf5_begins
from ingest.readers.raw_file import RawFile

_HEAP = b"GCOL\1\0\0\0"  # signature, version, three bytes of nothing
_HEADER_BYTES = 16  # of the heap and of each piece, lengths of four or eight bytes alike
# A heap is read whole; this is room for a text of any sense.
_LONGEST_HEAP = 1 << 24
# Longer reads are of samples; metadata comes in small pieces.
_LONGEST_METADATA = 1 << 16


class HeapChecked(RawFile):
    """A file on disk, for the library to read through."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self._length_bytes = self._find_length_bytes()

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        start = self._file.tell()
        count = self._file.readinto(buffer) or 0
        if count <= _LONGEST_METADATA:
            data = bytes(buffer[:count])
            place = data.find(_HEAP)
            while place >= 0:
                if not self._is_sound(start + place):
                    buffer[place] = 0
                place = data.find(_HEAP, place + 1)
            self._file.seek(start + count)
        return count

    def _find_length_bytes(self) -> int:
        """As the superblock says: at another place since its version 2."""
        self._file.seek(max(hdf5_begins(self._file), 0))
        block = self._file.read(_HEADER_BYTES).ljust(_HEADER_BYTES, b"\0")
        return block[14] if block[8] < 2 else block[10]

    def _is_sound(self, place: int) -> bool:
        """Whether the pieces of a heap lead from its beginning to its end.

        HDF5 File Format Specification 3.0, section III.E; the piece of number 0 is what is free,
        and its length counts its header.
        """
        self._file.seek(place)
        header = self._file.read(_HEADER_BYTES)
        size = int.from_bytes(header[8 : 8 + self._length_bytes], "little")
        heap = header + self._file.read(max(0, min(size, _LONGEST_HEAP) - _HEADER_BYTES))
        if len(heap) != size:
            return False
        place = _HEADER_BYTES
        while place + _HEADER_BYTES <= size:
            number = int.from_bytes(heap[place : place + 2], "little")
            length = int.from_bytes(heap[place + 8 : place + 8 + self._length_bytes], "little")
            needed = _HEADER_BYTES + -(-length // 8) * 8 if number else length
            if needed < _HEADER_BYTES or place + needed > size:
                return False
            place += needed
        return True
