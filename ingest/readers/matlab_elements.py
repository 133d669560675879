"""Data elements of MATLAB's MAT files of version 5: tags, headers of arrays, types.

As in MathWorks' "MAT-File Format", chapter 1.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import Any

import numpy as np

MATRIX, COMPRESSED = 14, 15
_INT32, _UINT32 = 5, 6
# Types that numbers are stored in, of whatever class the variable is.
_NUMBERS = {
    1: "i1",
    2: "u1",
    3: "i2",
    4: "u2",
    5: "i4",
    6: "u4",
    7: "f4",
    9: "f8",
    12: "i8",
    13: "u8",
}
_CLASSES = {
    1: "cell array",
    2: "struct",
    3: "object",
    4: "text",
    5: "sparse matrix",
    16: "function handle",
    17: "object (a table, string, datetime or the like)",
}
_STRUCT, _OPAQUE = 2, 17
_NUMERIC_CLASSES = range(6, 16)
_COMPLEX_FLAG = 0x0800
_MOST_DIMENSIONS, _MOST_NAME_BYTES = 32, 4096
# Enough for the header of any array and the names of some hundred fields.
HEAD_BYTES = 1 << 14


class ElementFault(ValueError):
    """An element that is not what the format wants; caught where the file is known."""


@dataclass(frozen=True)
class Tag:
    """Type and size of an element, and where its data begin."""

    type: int
    size: int
    data: int
    end: int  # where the next element begins: on a multiple of eight bytes


@dataclass(frozen=True)
class MatrixHead:
    """What stands before the numbers of an array."""

    name: str
    shape: tuple[int, ...]
    dtype: np.dtype[Any] | None  # of the numbers as stored; None where they are none
    start: int = 0  # of the numbers, from the element's own tag on
    kind: str = ""  # in words, where it is no array of numbers
    fields: tuple[str, ...] = ()  # of a struct


def read_tag(data: bytes, at: int, order: str) -> Tag:
    """The tag at a place; data of up to four bytes stand in the tag itself."""
    if len(data) < at + 8:
        raise ElementFault("it ends inside a tag")
    type_, size = struct.unpack_from(f"{order}II", data, at)
    if type_ >> 16:
        type_, size = type_ & 0xFFFF, type_ >> 16
        if size > 4:
            raise ElementFault(f"a tag of {size} bytes where at most 4 have room")
        return Tag(type_, size, at + 4, at + 8)
    return Tag(type_, size, at + 8, at + 8 + (size + 7) // 8 * 8)


def read_head(data: bytes, size: int, order: str) -> MatrixHead:
    """Header of an array from the first bytes of its element of `size` bytes, tag included.

    Raises ElementFault where it is none.
    """
    flags, class_, at = _flags(data, order)
    shape: tuple[int, ...] = ()
    if class_ != _OPAQUE:
        tag = read_tag(data, at, order)
        if tag.type != _INT32 or not 8 <= tag.size <= 4 * _MOST_DIMENSIONS or tag.size % 4:
            raise ElementFault("it has no dimensions")
        shape = struct.unpack(f"{order}{tag.size // 4}i", _content(data, tag))
        at = tag.end
    if min(shape, default=0) < 0:
        raise ElementFault(f"the dimensions {shape} cannot be")
    tag = read_tag(data, at, order)
    if tag.size > _MOST_NAME_BYTES:
        raise ElementFault(f"the name takes {tag.size} bytes")
    name = _content(data, tag).decode("utf-8", errors="replace")
    if class_ not in _NUMERIC_CLASSES:
        kind = _CLASSES.get(class_, f"array of class {class_}")
        fields = _fields(data, tag.end, order) if class_ == _STRUCT else ()
        return MatrixHead(name, shape, None, kind=kind, fields=fields)
    if flags & _COMPLEX_FLAG:
        return MatrixHead(name, shape, None, kind="complex array")
    return _numbers(data, name, shape, tag.end, size, order)


def _flags(data: bytes, order: str) -> tuple[int, int, int]:
    tag = read_tag(data, 8, order)  # behind the element's own
    if tag.type != _UINT32 or tag.size != 8:
        raise ElementFault("it does not begin as an array does")
    (flags,) = struct.unpack_from(f"{order}I", _content(data, tag))
    return flags, flags & 0xFF, tag.end


def _numbers(
    data: bytes, name: str, shape: tuple[int, ...], at: int, size: int, order: str
) -> MatrixHead:
    tag = read_tag(data, at, order)
    if tag.type not in _NUMBERS:
        raise ElementFault(f"the numbers are of type {tag.type}, which is none of numbers")
    dtype = np.dtype(order + _NUMBERS[tag.type])
    wanted = math.prod(shape) * dtype.itemsize
    if tag.size != wanted:
        raise ElementFault(
            f"an array {' x '.join(map(str, shape))} of {dtype} takes {wanted} bytes, "
            f"{tag.size} are stated"
        )
    if tag.data + tag.size > size:
        raise ElementFault(f"{tag.size} bytes of numbers do not fit into its {size} bytes")
    return MatrixHead(name, shape, dtype, tag.data)


def _content(data: bytes, tag: Tag) -> bytes:
    if len(data) < tag.data + tag.size:
        raise ElementFault("it is cut short")
    return data[tag.data : tag.data + tag.size]


def _fields(data: bytes, at: int, order: str) -> tuple[str, ...]:
    """Names of a struct's fields, each in as many bytes as the longest; none where unreadable."""
    try:
        tag = read_tag(data, at, order)
        length = int.from_bytes(_content(data, tag), "little" if order == "<" else "big")
        names = _content(data, read_tag(data, tag.end, order))
    except ElementFault:
        return ()
    pieces = [names[i : i + length] for i in range(0, len(names), length)] if length else []
    return tuple(piece.split(b"\0")[0].decode("utf-8", errors="replace") for piece in pieces)
