"""Bytes that stand in a file plainly or deflated, read side by side from several places."""

from __future__ import annotations

import threading
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from ingest.errors import RecordingError
from ingest.readers.byte_source import unreadable

# Compressed bytes handed over at a time: each place read holds as much.
_FEED_BYTES = 1 << 14
_SKIP_BYTES = 1 << 18
# No deflated byte gives more (a distance and a length of one bit each give 258 bytes).
DEFLATE_RATIO = 1032
COPY_AGAIN = "copy the file again from the logger"


class SharedFile:
    """A file on disk that several threads read at places of their own."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()
        try:
            self._file = open(path, "rb", buffering=0)  # noqa: SIM115 - closed by `__exit__`
        except OSError as fault:
            raise unreadable(path, fault) from fault

    def __enter__(self) -> SharedFile:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def read_at(self, place: int, count: int) -> bytes:
        """Up to `count` bytes; fewer only where the file ends."""
        try:
            with self._lock:
                self._file.seek(place)
                data = self._file.read(count)
                while len(data) < count and (more := self._file.read(count - len(data))):
                    data += more
        except OSError as fault:
            raise unreadable(self.path, fault) from fault
        return data

    def size(self) -> int:
        """Bytes on disk."""
        with self._lock:
            return self._file.seek(0, 2)


Span = tuple[int, int]  # place in a content, and bytes wanted from there
Bytes = bytes | memoryview


class Stream(Protocol):
    """Bytes from some place on."""

    def read(self, count: int) -> Bytes:
        """The next bytes, exactly so many; RecordingError where they are not there or damaged."""

    def finish(self) -> None:
        """After the last byte wanted: refuse what is found damaged only at its end."""


class Content(Protocol):
    """A piece of a file, of known size where it is unpacked."""

    @property
    def place(self) -> str:
        """Where it stands, for messages; empty for the whole file."""

    @property
    def size(self) -> int:
        """Bytes, unpacked."""

    def streams(self, file: SharedFile, spans: Sequence[Span], kept: int = 0) -> list[Stream]:
        """One stream for each span, all to be read side by side; the spans ascend.

        So many of a span's first bytes may be kept in memory.
        """

    def beginning(self, file: SharedFile, count: int) -> bytes:
        """Up to `count` bytes; fewer only where there are no more."""


@dataclass(frozen=True)
class PlainBytes:
    """Bytes as they stand in the file."""

    place: str  # for messages
    start: int  # in the file
    size: int
    crc: int | None = None

    def streams(self, file: SharedFile, spans: Sequence[Span], kept: int = 0) -> list[Stream]:
        """One stream for each span; the last verifies the check sum, if there is one."""
        return [_PlainStream(self, file, span[0], span == spans[-1]) for span in spans]

    def beginning(self, file: SharedFile, count: int) -> bytes:
        """Up to `count` bytes; fewer only where there are no more."""
        return file.read_at(self.start, min(count, self.size))


class _PlainStream:
    def __init__(self, content: PlainBytes, file: SharedFile, start: int, is_last: bool) -> None:
        self._content = content
        self._file = file
        self._at = start
        self._verifies = is_last and content.crc is not None

    def read(self, count: int) -> Bytes:
        count = min(count, self._content.size - self._at)
        data = self._file.read_at(self._content.start + self._at, count)
        if len(data) < count:
            raise RecordingError(
                self._file.path, self._content.place, "the file ends inside it", COPY_AGAIN
            )
        self._at += count
        return data

    def finish(self) -> None:
        if not self._verifies:
            return
        crc, end = 0, self._content.start + self._content.size
        for place in range(self._content.start, end, _SKIP_BYTES):
            crc = zlib.crc32(self._file.read_at(place, min(_SKIP_BYTES, end - place)), crc)
        _check_crc(self._file, self._content.place, crc, self._content.crc)


@dataclass(frozen=True)
class DeflatedBytes:
    """Bytes behind deflate compression.

    Deflated data are read from their beginning alone. A stream for a span inside them is the
    span's first bytes and a copy of the decompressor's state behind them, some 40 kB, both taken
    in one pass over what stands before the last span.
    """

    place: str  # for messages
    start: int  # in the file
    packed_size: int
    size: int
    window_bits: int  # zlib's `wbits`: -15 for bare deflate data, 15 inside zlib's frame
    crc: int | None = None

    def streams(self, file: SharedFile, spans: Sequence[Span], kept: int = 0) -> list[Stream]:
        """One stream for each span; the last goes on to the end and verifies the check sum."""
        passing = _Inflating(self, file)
        streams: list[Stream] = []
        for start, size in spans[:-1]:
            passing.skip_to(start)
            streams.append(passing.copy(passing.read(min(size, kept))))
        passing.skip_to(spans[-1][0])
        return [*streams, passing]

    def beginning(self, file: SharedFile, count: int) -> bytes:
        """Up to `count` bytes; fewer only where there are no more."""
        inflating = _Inflating(self, file)
        data = b""
        while len(data) < count and (more := inflating.some(count - len(data))):
            data += more
        return data


class _Inflating:
    def __init__(self, content: DeflatedBytes, file: SharedFile) -> None:
        self._content = content
        self._file = file
        self._inflater = zlib.decompressobj(content.window_bits)
        self._fed = 0
        self._waiting = b""  # read from the file and not yet taken by the decompressor
        self._at = 0
        self._crc: int | None = None if content.crc is None else 0
        self._kept = memoryview(b"")
        self._is_last = True

    def copy(self, kept: Bytes) -> _Inflating:
        """A stream of what was kept and what follows, which does not go on to the end."""
        other = _Inflating.__new__(_Inflating)
        other.__dict__.update(self.__dict__)
        other._inflater = self._inflater.copy()
        other._kept = memoryview(kept)
        other._crc = None
        other._is_last = False
        return other

    def skip_to(self, place: int) -> None:
        while self._at < place:
            self.read(min(_SKIP_BYTES, place - self._at))

    def read(self, count: int) -> Bytes:
        pieces: list[Bytes] = [self._kept[:count]] if self._kept else []
        self._kept = self._kept[count:]
        count -= sum(map(len, pieces))
        while count:
            piece = self.some(count)
            if not piece:
                raise self._fault(
                    f"the compressed data end after {self._at} of {self._content.size} bytes"
                )
            pieces.append(piece)
            count -= len(piece)
        return pieces[0] if len(pieces) == 1 else b"".join(pieces)

    def some(self, most: int) -> bytes:
        """Some bytes, at most so many; none at the end of the compressed data."""
        while not self._inflater.eof:
            if not self._waiting:
                left = self._content.packed_size - self._fed
                self._waiting = self._file.read_at(
                    self._content.start + self._fed, min(_FEED_BYTES, left)
                )
                self._fed += len(self._waiting)
            is_end = not self._waiting
            try:
                data = self._inflater.decompress(self._waiting, most)
            except zlib.error as fault:
                raise self._fault(f"the compressed data are damaged ({fault})") from fault
            self._waiting = self._inflater.unconsumed_tail
            if data:
                self._at += len(data)
                if self._crc is not None:
                    self._crc = zlib.crc32(data, self._crc)
                return data
            if is_end:
                break
        return b""

    def finish(self) -> None:
        if not self._is_last:
            return
        self.skip_to(self._content.size)
        if self.some(1):
            raise self._fault(
                f"the compressed data hold more than the {self._content.size} "
                "bytes that are promised"
            )
        if not self._inflater.eof:
            raise self._fault("the compressed data have no end")
        if self._crc is not None:
            _check_crc(self._file, self._content.place, self._crc, self._content.crc)

    def _fault(self, problem: str) -> RecordingError:
        return RecordingError(self._file.path, self._content.place, problem, COPY_AGAIN)


def _check_crc(file: SharedFile, place: str, found: int, stated: int | None) -> None:
    if found != stated:
        raise RecordingError(
            file.path,
            place,
            "the data do not have the check sum (CRC) stored with them",
            COPY_AGAIN,
        )
