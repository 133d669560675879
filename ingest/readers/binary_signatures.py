"""How binary files begin, which tells whose they are."""

from __future__ import annotations

import io
from typing import BinaryIO

from ingest.readers.beginning import Beginning

_HDF5 = b"\x89HDF\r\n\x1a\n"
_SMALLEST_USER_BLOCK = 512


def is_hdf5(file: Beginning) -> bool:
    """An HDF5 file, such as MATLAB 7.3 writes."""
    if file.raw.startswith(_HDF5):
        return True
    if len(file.raw) < _SMALLEST_USER_BLOCK:
        return False
    with open(file.path, "rb") as stream:
        return hdf5_begins(stream) > 0


def hdf5_begins(stream: BinaryIO | io.FileIO) -> int:
    """Where an HDF5 file's signature stands, behind a block of the user's own; -1 if nowhere.

    At byte 0, 512, 1024, 2048 and so on (HDF5 File Format Specification 3.0, section II.A).
    """
    size = stream.seek(0, io.SEEK_END)
    place = 0
    while place < size:
        stream.seek(place)
        if stream.read(len(_HDF5)) == _HDF5:
            return place
        place = max(2 * place, _SMALLEST_USER_BLOCK)
    return -1


def is_parquet(file: Beginning) -> bool:
    """A Parquet file, one with an encrypted footer among them."""
    return file.raw.startswith((b"PAR1", b"PARE"))


def is_arrow(file: Beginning) -> bool:
    """An Arrow IPC file (Feather V2), an IPC stream, or a Feather V1 file."""
    return file.raw.startswith((b"ARROW1", b"FEA1")) or _is_arrow_stream(file.raw)


def _is_arrow_stream(raw: bytes) -> bool:
    """The continuation marker, then the length of a schema: a multiple of eight below 1 MB."""
    length = int.from_bytes(raw[4:8], "little")
    return raw.startswith(b"\xff\xff\xff\xff") and 0 < length < 1 << 20 and length % 8 == 0


def is_mdf(file: Beginning) -> bool:
    """An ASAM MDF file of any version, finished or not."""
    return file.raw.startswith((b"MDF     ", b"UnFinMF "))
