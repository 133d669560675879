"""NumPy's own files: one array (.npy), or a zip archive of several (.npz).

Samples are given as stored. A lone array of two dimensions gives columns "0", "1", ..., a
structured one its fields; in an archive the array `fz` gives the column "fz", `taps` of two
dimensions "taps[0]", "taps[1]", ..., and a structured `log` "log.fz". Time runs along the longer
axis unless `orientation` says otherwise. Objects are never unpickled.
"""

from __future__ import annotations

import ast
import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.lib import format as npy_format

from ingest.errors import RecordingError
from ingest.readers.array_source import ArraySource
from ingest.readers.npz_members import NPY_SUFFIX, member_content, npy_members
from ingest.readers.stated_rates import may_state_rate, stated_rate_hz
from ingest.readers.stored_bytes import COPY_AGAIN, Content, PlainBytes, SharedFile
from ingest.readers.stored_columns import (
    SAVE_PLAIN_ARRAYS,
    StoredArray,
    StoredFile,
    is_number,
    number_at,
)
from ingest.readers.tables import TableSource
from ingest.recording import FileOptions

# NumPy itself reads no header of more than 10,000 characters unless told; one that names 4096
# fields takes less than this.
_MOST_HEADER_BYTES = 1 << 18
_MOST_DIMENSIONS = 64  # NumPy's own limit
_FIXED_BYTES = 12
_ENCODINGS = {1: "latin-1", 2: "latin-1", 3: "utf-8"}
# A type in a header: byte order, kind, size, and a moment's unit.
_TYPE = re.compile(
    r"[<>|=]?([biufcSUV]\d{1,9}|O8?|\?|[mM]8(\[\d{0,9}[a-z]{1,7}\])?)", re.IGNORECASE
)
# Under Python 2 sizes were written as 100L.
_PYTHON_2_LONG = re.compile(r"(?<=\d)L(?=[,)])")
# What Python's and NumPy's parsers say of texts that are no header.
_NO_HEADER = (ValueError, TypeError, SyntaxError, KeyError, RecursionError, MemoryError)


@dataclass(frozen=True)
class _Header:
    n_bytes: int  # before the first number
    shape: tuple[int, ...]
    dtype: np.dtype[Any]
    first_axis_fastest: bool

    def refusal(self) -> tuple[str, str] | None:
        """Problem and advice where the array gives no columns."""
        dtype, shape = self.dtype, self.shape
        if dtype.hasobject:
            return "it holds Python objects, which are never loaded", SAVE_PLAIN_ARRAYS
        if 0 in shape:
            return "the array is empty", "check that the logger has saved it"
        if len(shape) not in (1, 2):
            return f"the array has {len(shape)} dimensions, wanted 1 or 2", SAVE_PLAIN_ARRAYS
        if dtype.names is not None:
            if len(shape) > 1:
                return "a structured array of two dimensions", SAVE_PLAIN_ARRAYS
            if not any(is_number(dtype[name]) for name in dtype.names):
                return "no field of the structured array is a number", SAVE_PLAIN_ARRAYS
        elif dtype.kind == "c":
            return "the numbers are complex", SAVE_PLAIN_ARRAYS
        elif not is_number(dtype):
            return f"the type {dtype} is no number", SAVE_PLAIN_ARRAYS
        return None


def open_npy(path: Path, file: FileOptions) -> TableSource:
    """Open one array.

    Raises
    ------
    RecordingError
        The file is damaged or cut short, or the array is none of numbers in one or two dimensions.
    """
    with SharedFile(path) as shared:
        content = PlainBytes("", 0, shared.size())
        header = _header(shared, content)
    if (refusal := header.refusal()) is not None:
        raise RecordingError(path, "", *refusal)
    array = _array("", content, header)
    return ArraySource(path, StoredFile(path, "NumPy .npy", [array], file.orientation), file)


def open_npz(path: Path, file: FileOptions) -> TableSource:
    """Open an archive of arrays.

    A single number named as in `stated_rates` states the sample rate, where all arrays are equally
    long.

    Raises
    ------
    RecordingError
        The archive is damaged or encrypted, or holds no array of numbers.
    """
    arrays: list[StoredArray] = []
    numbers: dict[str, float] = {}
    refused: dict[str, tuple[str, str]] = {}
    with SharedFile(path) as shared:
        for member in npy_members(path):
            name = member.filename.removesuffix(NPY_SUFFIX)
            content = member_content(shared, member)
            header = _header(shared, content)
            if math.prod(header.shape) == 1 and header.dtype.kind in "biuf":
                if may_state_rate(name):
                    numbers[name] = number_at(shared, content, header.n_bytes, header.dtype)
            elif (refusal := header.refusal()) is not None:
                refused[name] = refusal
            else:
                arrays.append(_array(name, content, header))
    stored = StoredFile(
        path, "NumPy .npz", arrays, file.orientation, stated_rate_hz(numbers), refused
    )
    return ArraySource(path, stored, file)


def _array(name: str, content: Content, header: _Header) -> StoredArray:
    return StoredArray(
        name, content, header.n_bytes, header.shape, header.dtype, header.first_axis_fastest
    )


def _header(file: SharedFile, content: Content) -> _Header:
    """The header, which the format puts behind its magic, two bytes of version and its length."""
    start = content.beginning(file, _FIXED_BYTES)
    if not start.startswith(npy_format.MAGIC_PREFIX) or len(start) < _FIXED_BYTES:
        raise RecordingError(
            file.path, content.place, "it does not begin as a NumPy array does", COPY_AGAIN
        )
    major = start[len(npy_format.MAGIC_PREFIX)]
    if major not in _ENCODINGS:
        raise RecordingError(
            file.path, content.place, f"version {major} of .npy is unknown", "write it with numpy"
        )
    # Version 1 has two bytes for the length, later ones four.
    begins = _FIXED_BYTES if major > 1 else _FIXED_BYTES - 2
    n_bytes = begins + int.from_bytes(start[len(npy_format.MAGIC_PREFIX) + 2 : begins], "little")
    if n_bytes > _MOST_HEADER_BYTES:
        raise RecordingError(
            file.path, content.place, f"the header says it takes {n_bytes} bytes", COPY_AGAIN
        )
    raw = content.beginning(file, n_bytes)
    try:
        if len(raw) < n_bytes:
            raise ValueError("it is cut short")
        header = _parsed(n_bytes, raw[begins:].decode(_ENCODINGS[major]))
    except _NO_HEADER as fault:
        raise RecordingError(
            file.path, content.place, f"the header is damaged ({fault})", COPY_AGAIN
        ) from fault
    _check_size(file, content, header)
    return header


def _parsed(n_bytes: int, text: str) -> _Header:
    """The header's dictionary; one of `_NO_HEADER` where it is none."""
    fields = ast.literal_eval(_PYTHON_2_LONG.sub("", text))
    if not isinstance(fields, dict) or fields.keys() != {"descr", "fortran_order", "shape"}:
        raise ValueError("wanted descr, fortran_order and shape")
    shape = fields["shape"]
    if not isinstance(shape, tuple) or len(shape) > _MOST_DIMENSIONS:
        raise ValueError("the shape is no tuple of a few sizes")
    if not all(type(size) is int and size >= 0 for size in shape):
        raise ValueError(f"the shape {shape} has a size that is none")
    if not isinstance(fields["fortran_order"], bool):
        raise ValueError("fortran_order is neither True nor False")
    _check_types(fields["descr"])
    dtype = npy_format.descr_to_dtype(fields["descr"])
    if dtype.itemsize == 0 or dtype.subdtype is not None:
        raise ValueError(f"the type {dtype} is none of an array")
    return _Header(n_bytes, shape, dtype, fields["fortran_order"])


def _check_types(descr: object) -> None:
    """Refuse what NumPy would take for a type with a warning, or in an older meaning."""
    if isinstance(descr, list):
        for field in descr:
            if not isinstance(field, tuple) or len(field) not in (2, 3):
                raise ValueError(f"{field!r} is no field")
            _check_types(field[1])
    elif not isinstance(descr, str) or not _TYPE.fullmatch(descr):
        raise ValueError(f"{descr!r} is no type")


def _check_size(file: SharedFile, content: Content, header: _Header) -> None:
    wanted = header.n_bytes + math.prod(header.shape) * header.dtype.itemsize
    if wanted != content.size and not header.dtype.hasobject:
        shape = " x ".join(map(str, header.shape)) or "of one number"
        raise RecordingError(
            file.path,
            content.place,
            f"an array {shape} of type {header.dtype} takes {wanted} bytes, "
            f"there are {content.size}",
            COPY_AGAIN,
        )
