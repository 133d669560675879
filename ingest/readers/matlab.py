"""MATLAB's MAT files of version 5, in use up to 7.2: compressed or not, of either endianness.

Files of version 7.3 are HDF5.
"""

from __future__ import annotations

import zlib
from pathlib import Path

from ingest.readers.matlab_elements import (
    COMPRESSED,
    HEAD_BYTES,
    MATRIX,
    ElementFault,
    Tag,
    read_head,
    read_tag,
)
from ingest.readers.matlab_variables import Variables, damaged
from ingest.readers.stored_bytes import DEFLATE_RATIO, DeflatedBytes, PlainBytes, SharedFile
from ingest.readers.tables import TableSource
from ingest.recording import FileOptions

_HEADER_BYTES = 128
_VERSION_AT, _ORDER_AT = 124, 126
_VERSION = {"<": b"\x00\x01", ">": b"\x01\x00"}
_ORDERS = {b"IM": "<", b"MI": ">"}
_TAG_BYTES = 8


def is_mat5(first: bytes) -> bool:
    """The mark of the byte order behind a version 1, whatever text begins the file."""
    version = first[_VERSION_AT:_ORDER_AT]
    return first[_ORDER_AT:_HEADER_BYTES] in _ORDERS and sorted(version) == [0, 1]


def open_mat5(path: Path, options: FileOptions) -> TableSource:
    """Open a MAT file of version 5.

    A single number named as in `stated_rates` states the sample rate, where all arrays are equally
    long.

    Raises
    ------
    RecordingError
        The file is damaged or cut short, or holds no array of numbers.
    """
    with SharedFile(path) as file:
        header = file.read_at(0, _HEADER_BYTES)
        order = _ORDERS[header[_ORDER_AT:]]
        version = header[_VERSION_AT:_ORDER_AT]
        if version != _VERSION[order]:
            raise damaged(file, "header", "the marks of byte order and version contradict")
        found = Variables(file)
        at, size = _HEADER_BYTES, file.size()
        while at < size:
            place = found.next_place(at)
            tag = _tag(file, place, file.read_at(at, _TAG_BYTES), order)
            if at + _TAG_BYTES + tag.size > size:
                left = size - at - _TAG_BYTES
                raise damaged(
                    file, place, f"it promises {tag.size} bytes, the file holds {left} more"
                )
            _add(file, found, _content(file, place, at, tag, order), order)
            at += _TAG_BYTES + tag.size if tag.type == COMPRESSED else tag.end
        return found.source("MATLAB 5", options)


def _tag(file: SharedFile, place: str, raw: bytes, order: str) -> Tag:
    """The tag of a whole variable."""
    try:
        tag = read_tag(raw, 0, order)
    except ElementFault as fault:
        raise damaged(file, place, str(fault)) from fault
    if tag.type not in (MATRIX, COMPRESSED) or tag.data != _TAG_BYTES:
        raise damaged(file, place, f"an element of type {tag.type} is no variable")
    return tag


def _content(
    file: SharedFile, place: str, at: int, tag: Tag, order: str
) -> PlainBytes | DeflatedBytes:
    """The bytes of an array's element, its tag included."""
    if tag.type == MATRIX:
        return PlainBytes(place, at, _TAG_BYTES + tag.size)
    packed = DeflatedBytes(place, at + _TAG_BYTES, tag.size, _TAG_BYTES, zlib.MAX_WBITS)
    inside = _tag(file, place, packed.beginning(file, _TAG_BYTES), order)
    size = _TAG_BYTES + inside.size
    if inside.type != MATRIX or size > tag.size * DEFLATE_RATIO:
        raise damaged(file, place, f"{tag.size} bytes hold no array of {inside.size} bytes")
    return DeflatedBytes(place, packed.start, tag.size, size, zlib.MAX_WBITS)


def _add(
    file: SharedFile, found: Variables, content: PlainBytes | DeflatedBytes, order: str
) -> None:
    if content.size == _TAG_BYTES:
        return  # an element that stands for nothing
    try:
        head = read_head(content.beginning(file, HEAD_BYTES), content.size, order)
    except ElementFault as fault:
        raise damaged(file, content.place, str(fault)) from fault
    if not head.name:
        return  # where MATLAB keeps what functions and objects hold
    if head.dtype is None:
        found.refuse(head.name, head.kind, head.fields)
    else:
        found.add(head.name, content, head.start, head.shape, head.dtype)
