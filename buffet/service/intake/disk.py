"""Bytes of unknown length to a new file on disk: counted, hashed, and gone where it goes wrong."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from buffet.service.intake.errors import NoSpaceError, TooLargeError, disk_error, size_text

# What stays free for the catalogue and for whoever shares the disk.
_RESERVE_BYTES = 256 * 2**20


@dataclass(frozen=True)
class Stored:
    """A file that was taken in, under a random name."""

    path: Path
    size: int
    sha256: str  # hex


class Sink:
    """A new file with a random name, to be finished or discarded.

    It may be discarded while another thread still writes, which then writes no more.
    """

    def __init__(self, folder: Path, limit: int, what: str) -> None:
        """`limit` in bytes; `what` names the content in messages.

        Raises NoSpaceError where the disk is full.
        """
        self._folder, self._limit, self._what = folder, limit, what
        self._sha256 = hashlib.sha256()
        self._lock = Lock()
        self.size = 0
        try:
            self._handle: int | None
            self._handle, name = tempfile.mkstemp(prefix="upload-", dir=folder)
        except OSError as error:
            raise disk_error(error, folder) or error from error
        self.path = Path(name)

    def write(self, data: bytes | memoryview) -> None:
        """Append.

        Raises TooLargeError beyond the limit and NoSpaceError where the disk is full; whoever
        catches them discards the file.
        """
        with self._lock:
            if self._handle is None:
                return
            self.size += len(data)
            if self.size > self._limit:
                raise too_large(self._what, self._limit)
            self._sha256.update(data)
            view = memoryview(data)
            try:
                while view:
                    view = view[os.write(self._handle, view) :]
            except OSError as error:
                raise disk_error(error, self._folder) or error from error

    def finish(self) -> Stored:
        """Close the file with its bytes on the disk itself.

        Raises NoSpaceError where there is no room for them.
        """
        with self._lock:
            if self._handle is None:
                raise ValueError(f"{self.path} was finished or discarded before")
            try:
                os.fsync(self._handle)
            except OSError as error:
                raise disk_error(error, self._folder) or error from error
            os.close(self._handle)
            self._handle = None
        return Stored(self.path, self.size, self._sha256.hexdigest())

    def discard(self) -> None:
        """Remove the file, finished or not."""
        with self._lock:
            if self._handle is not None:
                os.close(self._handle)
                self._handle = None
            self.path.unlink(missing_ok=True)


def too_large(what: str, limit: int, declared: int | None = None) -> TooLargeError:
    """What to say of content beyond a limit."""
    found = "is longer" if declared is None else f"is declared as {size_text(declared)}, longer"
    return TooLargeError(
        f"{what} {found} than the {size_text(limit)} that are taken here; send it in parts, or "
        "have the service's owner raise the limit or put it into the watched folder"
    )


def require_space(folder: Path, wanted: int) -> None:
    """Raises NoSpaceError where the disk has no room for so many bytes and a reserve."""
    free = shutil.disk_usage(folder).free - _RESERVE_BYTES
    if wanted > free:
        raise NoSpaceError(
            f"{size_text(wanted)} are to come and the disk of {folder} has "
            f"{size_text(max(free, 0))} to spare: make room there, or ask the owner of this "
            "service to, and send it again"
        )


def store_text(text: str, folder: Path, limit: int, what: str) -> Stored:
    """A text as a new file in UTF-8; raises as `Sink`."""
    sink = Sink(folder, limit, what)
    try:
        sink.write(text.encode())
        return sink.finish()
    except BaseException:
        sink.discard()
        raise
