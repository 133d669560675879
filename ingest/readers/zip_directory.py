"""What a zip archive holds, and where; its contents are not read here."""

from __future__ import annotations

import io
import struct
import zipfile
from pathlib import Path
from typing import IO

from ingest.errors import RecordingError

ZIP_MAGIC = b"PK\x03\x04"
# NotImplementedError: a feature that zipfile does not know, in most cases by damage; so are names
# that are no text.
DIRECTORY_DAMAGE = (zipfile.BadZipFile, NotImplementedError, UnicodeDecodeError)
# Some 40,000 entries, each of which takes twenty times as much once read (engineering judgement).
_MOST_DIRECTORY_BYTES = 4_000_000
# The end of the directory (APPNOTE.TXT, 4.3.16): signature, and the directory's size in it; it
# may be followed by a comment. A record for large archives, with a locator, may stand before it,
# and goes first whatever the other one says.
_END, _END_BYTES, _END_SIZE_AT = b"PK\x05\x06", 22, 12
_MOST_COMMENT = 0xFFFF
_END_64, _END_64_SIZE_AT, _BEFORE_END = b"PK\x06\x06", 40, 56 + 20


def open_zip(path: Path, file: IO[bytes]) -> zipfile.ZipFile:
    """An archive with its directory read; that of a huge number of entries is refused unread.

    Raises
    ------
    RecordingError
        The directory is too large.
    zipfile.BadZipFile, NotImplementedError, UnicodeDecodeError
        It is damaged.
    """
    size = _directory_bytes(file)
    if size > _MOST_DIRECTORY_BYTES:
        raise RecordingError(
            path, "", f"the archive's directory takes {size} bytes", "pack the recording alone"
        )
    return zipfile.ZipFile(file)


def files_in(archive: zipfile.ZipFile) -> list[zipfile.ZipInfo]:
    """The archive's members without its folders."""
    # `is_dir` fails where a name is empty, as in a damaged directory.
    return [member for member in archive.infolist() if not member.filename.endswith("/")]


def is_encrypted(member: zipfile.ZipInfo) -> bool:
    """Whether a password is needed."""
    return bool(member.flag_bits & 0x1)


def _directory_bytes(file: IO[bytes]) -> int:
    end = file.seek(0, io.SEEK_END)
    file.seek(max(0, end - _MOST_COMMENT - _END_BYTES - _BEFORE_END))
    tail = file.read()
    file.seek(0)
    at = tail.rfind(_END)
    if at < 0 or len(tail) < at + _END_BYTES:
        return 0  # no archive, as zipfile will say
    (size,) = struct.unpack_from("<I", tail, at + _END_SIZE_AT)
    at_64 = at - _BEFORE_END
    if at_64 >= 0 and tail.startswith(_END_64, at_64):
        (size,) = struct.unpack_from("<Q", tail, at_64 + _END_64_SIZE_AT)
    return int(size)
