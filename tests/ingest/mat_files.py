"""MAT files of version 5 piece by piece, as MATLAB writes them and scipy cannot."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

# Type numbers of MathWorks' "MAT-File Format", table 1-1.
MI = {
    "i1": 1,
    "u1": 2,
    "i2": 3,
    "u2": 4,
    "i4": 5,
    "u4": 6,
    "f4": 7,
    "f8": 9,
    "i8": 12,
    "u8": 13,
}
DOUBLE, UINT8, OPAQUE, FUNCTION = 6, 9, 17, 16
LOGICAL_FLAG, COMPLEX_FLAG = 0x200, 0x800


def header(order: str = "<", version: int = 0x0100, text: bytes = b"logger 3") -> bytes:
    """Text, no subsystem, version and the mark of the byte order."""
    number = struct.unpack("<H", b"IM")[0] if order == "<" else struct.unpack(">H", b"MI")[0]
    return text.ljust(116) + bytes(8) + struct.pack(f"{order}HH", version, number)


def element(type_: int, data: bytes, order: str = "<", size: int | None = None) -> bytes:
    """Tag and data, padded to a multiple of eight bytes; up to four of them inside the tag."""
    if size is None and 0 < len(data) <= 4:
        return struct.pack(f"{order}I", len(data) << 16 | type_) + data.ljust(4, b"\0")
    stated = len(data) if size is None else size
    return struct.pack(f"{order}II", type_, stated) + data + bytes(-len(data) % 8)


def matrix(
    name: str,
    values: NDArray[Any],
    stored: str,
    order: str = "<",
    class_: int = DOUBLE,
    flags: int = 0,
    shape: tuple[int, ...] | None = None,
    stated: int | None = None,
) -> bytes:
    """An array whose numbers are stored in some type, whatever its class."""
    numbers = values.astype(order + stored).tobytes(order="F")
    dimensions = values.shape if shape is None else shape
    inside = (
        element(6, struct.pack(f"{order}II", class_ | flags, 0), order)
        + element(5, struct.pack(f"{order}{len(dimensions)}i", *dimensions), order)
        + element(1, name.encode(), order)
        + element(MI[stored], numbers, order, stated)
    )
    return element(14, inside, order)


def opaque(name: str) -> bytes:
    """An object of a class: a table, a string."""
    flags = element(6, struct.pack("<II", OPAQUE, 0))
    inside = flags + element(1, name.encode()) + element(1, b"MCOS") + element(1, b"timetable")
    return element(14, inside)


def compressed(content: bytes, order: str = "<", size: int | None = None) -> bytes:
    """An element inside zlib's frame, not padded."""
    packed = zlib.compress(content)
    return struct.pack(f"{order}II", 15, len(packed) if size is None else size) + packed


def mat(path: Path, *elements: bytes, order: str = "<") -> Path:
    """A file of these elements."""
    path.write_bytes(header(order) + b"".join(elements))
    return path


RAMP = np.arange(12.0).reshape(6, 2)
