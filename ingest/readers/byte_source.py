"""Bytes of a text recording, plain, in a gzip file or in a zip archive, hashed on the way."""

from __future__ import annotations

import gzip
import hashlib
import io
import zipfile
import zlib
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from threading import Event
from typing import IO, cast

from ingest.errors import RecordingError
from ingest.readers.raw_file import RawFile
from ingest.readers.zip_directory import (
    DIRECTORY_DAMAGE,
    ZIP_MAGIC,
    files_in,
    is_encrypted,
    open_zip,
)

GZIP_MAGIC = b"\x1f\x8b"
_READ_BYTES = 1 << 18
_HASH_BYTES = 1 << 20
_DAMAGE = (EOFError, gzip.BadGzipFile, zlib.error, *DIRECTORY_DAMAGE)


class HashedFile(RawFile):
    """A file on disk whose bytes are hashed in file order as they are read.

    An archive's directory stands at its end and is read first: bytes out of order are hashed when
    the reading comes past them, and whatever was never read is hashed by `hexdigest`.
    """

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self._sha256 = hashlib.sha256()
        self._hashed_to = 0

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        start = self._file.tell()
        count = self._file.readinto(buffer) or 0
        if start <= self._hashed_to < start + count:
            self._sha256.update(memoryview(buffer)[self._hashed_to - start : count])
            self._hashed_to = start + count
        return count

    def hexdigest(self) -> str:
        """Digest of the whole file; reads what has not been read yet."""
        self._file.seek(self._hashed_to)
        while data := self._file.read(_READ_BYTES):
            self._sha256.update(data)
            self._hashed_to += len(data)
        return self._sha256.hexdigest()


@contextmanager
def digest_beside(path: Path) -> Iterator[Callable[[], str]]:
    """SHA-256 of a file, found in a thread of its own while the file is read for its samples."""
    left_off = Event()
    with ThreadPoolExecutor(1) as pool:
        found = pool.submit(file_digest, path, left_off)
        try:
            yield found.result
        finally:
            left_off.set()


def file_digest(path: Path, left_off: Event | None = None) -> str:
    """SHA-256 of a file on disk, or of its beginning where it is told to leave off."""
    sha256 = hashlib.sha256()
    try:
        with open(path, "rb", buffering=0) as file:
            while data := file.read(_HASH_BYTES):
                if left_off is not None and left_off.is_set():
                    break
                sha256.update(data)
    except OSError as fault:
        raise unreadable(path, fault) from fault
    return sha256.hexdigest()


@contextmanager
def open_bytes(path: Path) -> Iterator[tuple[IO[bytes], HashedFile]]:
    """Open the decompressed bytes of a recording and the hashed file beneath them.

    Raises
    ------
    RecordingError
        The file is missing, its compression is damaged, or an archive does not hold one file.
    """
    try:
        with HashedFile(path) as on_disk:
            buffered = io.BufferedReader(on_disk, _READ_BYTES)
            with _decompressed(path, buffered) as stream:
                yield stream, on_disk
    except FileNotFoundError:
        raise RecordingError(path, "", "there is no such file", "check `recording`") from None
    except IsADirectoryError:
        raise RecordingError(path, "", "this is a folder", "name one file") from None
    except _DAMAGE as fault:
        raise RecordingError(
            path, "", f"the compressed data are damaged ({fault})", "copy the file again"
        ) from fault
    except OSError as fault:
        raise unreadable(path, fault) from fault


def unreadable(path: Path, fault: OSError) -> RecordingError:
    """What to say where the operating system refuses."""
    return RecordingError(
        path, "", f"the file cannot be read ({fault})", "check disk, permissions and the copy"
    )


@contextmanager
def _decompressed(path: Path, raw: io.BufferedReader[HashedFile]) -> Iterator[IO[bytes]]:
    magic = raw.peek(4)[:4]
    if magic.startswith(GZIP_MAGIC):
        with gzip.GzipFile(fileobj=raw) as stream:
            yield cast(IO[bytes], stream)
    elif magic == ZIP_MAGIC:
        with open_zip(path, raw) as archive, archive.open(_only_member(path, archive)) as member:
            yield member
    else:
        yield raw


def _only_member(path: Path, archive: zipfile.ZipFile) -> zipfile.ZipInfo:
    members = files_in(archive)
    if len(members) != 1:
        names = ", ".join(member.filename for member in members[:5]) or "none"
        raise RecordingError(
            path, "", f"the archive holds {len(members)} files ({names})", "pack exactly one file"
        )
    if is_encrypted(members[0]):
        raise RecordingError(path, "", "the archive is encrypted", "pack it without a password")
    return members[0]


def text_size(path: Path) -> int | None:
    """Bytes of the decompressed text as the container states them, None if it does not say."""
    size = path.stat().st_size
    with open(path, "rb") as file:
        magic = file.read(4)
        if magic == ZIP_MAGIC:
            with open_zip(path, file) as archive:
                return _only_member(path, archive).file_size
        if magic.startswith(GZIP_MAGIC):
            file.seek(-4, io.SEEK_END)
            # The trailer counts modulo 2**32 and for the last member only (RFC 1952, 2.3.1):
            # a count below the compressed size cannot be the whole.
            stated = int.from_bytes(file.read(4), "little")
            return stated if stated > size else None
    return size
