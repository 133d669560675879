"""MATLAB's MAT files of version 4: a header of five integers before each plain array."""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ingest.readers.matlab_variables import Variables, damaged
from ingest.readers.stored_bytes import PlainBytes, SharedFile
from ingest.readers.tables import TableSource
from ingest.recording import FileOptions

# The header's first integer has the decimal digits M O P T (MathWorks, MAT-File Format, chapter
# 2): M the byte order, of which IEEE's two are in use still; O zero; P the numbers' type; T the
# kind.
_ORDERS = {0: "<", 1: ">"}
_TYPES = ("f8", "f4", "i4", "i2", "u2", "u1")
_KINDS = ("", "text", "sparse matrix")
_HEADER_BYTES = 20
_NAME = re.compile(rb"[A-Za-z]\w{0,62}\0")
_MOST_NAME_BYTES = 64


@dataclass(frozen=True)
class _Header:
    order: str
    type: str
    kind: str
    rows: int
    columns: int
    is_complex: bool
    name: str
    n_bytes: int

    @property
    def data_bytes(self) -> int:
        return self.rows * self.columns * np.dtype(self.type).itemsize * (1 + self.is_complex)


def is_mat4(first: bytes) -> bool:
    """There is no magic: five integers and a name that make sense."""
    return _header(first) is not None


def open_mat4(path: Path, options: FileOptions) -> TableSource:
    """Open a MAT file of version 4.

    Raises
    ------
    RecordingError
        The file is damaged or cut short, or holds no array of numbers.
    """
    with SharedFile(path) as file:
        found = Variables(file)
        at, size = 0, file.size()
        while at < size:
            place = found.next_place(at)
            header = _header(file.read_at(at, _HEADER_BYTES + _MOST_NAME_BYTES))
            if header is None:
                raise damaged(file, place, "it does not begin as a variable does")
            at += header.n_bytes
            if header.data_bytes > size - at:
                raise damaged(
                    file,
                    place,
                    f"{header.name!r}, {header.rows} x {header.columns}, takes "
                    f"{header.data_bytes} bytes, the file holds {size - at} more",
                )
            if header.kind or header.is_complex:
                found.refuse(header.name, header.kind or "complex array")
            else:
                content = PlainBytes(place, at, header.data_bytes)
                shape = header.rows, header.columns
                found.add(header.name, content, 0, shape, np.dtype(header.order + header.type))
            at += header.data_bytes
        return found.source("MATLAB 4", options)


def _header(data: bytes) -> _Header | None:
    if len(data) < _HEADER_BYTES:
        return None
    for digit, order in _ORDERS.items():
        mopt, rows, columns, imaginary, length = struct.unpack_from(f"{order}5i", data)
        thousands, rest = divmod(mopt, 1000)
        hundreds, rest = divmod(rest, 100)
        type_, kind = divmod(rest, 10)
        name = data[_HEADER_BYTES : _HEADER_BYTES + max(length, 0)]
        if (
            (thousands, hundreds) == (digit, 0)
            and type_ < len(_TYPES)
            and kind < len(_KINDS)
            and min(rows, columns) >= 0
            and imaginary in (0, 1)
            and len(name) == length
            and _NAME.fullmatch(name)
        ):
            return _Header(
                order,
                _TYPES[type_],
                _KINDS[kind],
                rows,
                columns,
                bool(imaginary),
                name[:-1].decode("ascii"),
                _HEADER_BYTES + length,
            )
    return None
