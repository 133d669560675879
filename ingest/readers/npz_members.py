"""Arrays in a zip archive: which files are such archives, and where each array stands."""

from __future__ import annotations

import struct
import zipfile
import zlib
from pathlib import Path

from ingest.errors import RecordingError
from ingest.readers.beginning import Beginning
from ingest.readers.stored_bytes import (
    COPY_AGAIN,
    DEFLATE_RATIO,
    DeflatedBytes,
    PlainBytes,
    SharedFile,
)
from ingest.readers.zip_directory import (
    DIRECTORY_DAMAGE,
    ZIP_MAGIC,
    files_in,
    is_encrypted,
    open_zip,
)

NPY_SUFFIX = ".npy"
# Before a member's bytes (APPNOTE.TXT, 4.3.7): signature, ..., lengths of name and extra field.
_LOCAL_HEADER = struct.Struct("<4s22xHH")


def is_npz(beginning: Beginning) -> bool:
    """A zip archive all of whose files are arrays; any other, or a damaged one, is none."""
    if not beginning.raw.startswith(ZIP_MAGIC):
        return False
    try:
        return bool(_members(beginning.path))
    except (*DIRECTORY_DAMAGE, OSError):
        return False  # what is wrong with it is told by who reads any archive


def npy_members(path: Path) -> list[zipfile.ZipInfo]:
    """The arrays in an archive; RecordingError where it cannot be read."""
    try:
        return _members(path)
    except (*DIRECTORY_DAMAGE, OSError) as fault:
        raise RecordingError(
            path, "", f"the archive's directory is damaged ({fault})", COPY_AGAIN
        ) from fault


def _members(path: Path) -> list[zipfile.ZipInfo]:
    with open(path, "rb") as file, open_zip(path, file) as archive:
        members = files_in(archive)
    return members if all(one.filename.endswith(NPY_SUFFIX) for one in members) else []


def member_content(file: SharedFile, member: zipfile.ZipInfo) -> PlainBytes | DeflatedBytes:
    """Where a member's bytes stand.

    Raises
    ------
    RecordingError
        It is encrypted, compressed in an unusual way, or its sizes cannot be true.
    """
    place = f"array {member.filename.removesuffix(NPY_SUFFIX)!r}"
    if is_encrypted(member):
        raise RecordingError(file.path, place, "it is encrypted", "pack it without a password")
    header = file.read_at(member.header_offset, _LOCAL_HEADER.size)
    if len(header) < _LOCAL_HEADER.size or not header.startswith(ZIP_MAGIC):
        raise RecordingError(
            file.path, place, "it does not stand where the archive's directory says", COPY_AGAIN
        )
    _, name_bytes, extra_bytes = _LOCAL_HEADER.unpack(header)
    start = member.header_offset + len(header) + name_bytes + extra_bytes
    packed, size = member.compress_size, member.file_size
    most = {zipfile.ZIP_STORED: packed, zipfile.ZIP_DEFLATED: packed * DEFLATE_RATIO}
    if member.compress_type not in most:
        raise RecordingError(
            file.path,
            place,
            f"it is compressed with method {member.compress_type}, neither stored nor deflated",
            "write the archive with numpy.savez_compressed",
        )
    if start + packed > file.size() or size > most[member.compress_type]:
        raise RecordingError(
            file.path,
            place,
            f"the archive promises {size} bytes in {packed} at byte {start}, which cannot be",
            COPY_AGAIN,
        )
    if member.compress_type == zipfile.ZIP_STORED:
        return PlainBytes(place, start, size, member.CRC)
    return DeflatedBytes(place, start, packed, size, -zlib.MAX_WBITS, member.CRC)
