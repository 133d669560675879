"""An entry of the cache of recordings: what a recording is, and its blocks as doubles.

Two files: `.json`, behind a check sum of its own, says where in `.f64` the blocks stand, each
with its check sum, as little-endian doubles, which NumPy reads as they are. An entry is there once
its `.json` is.
"""

from __future__ import annotations

import json
import os
import platform
import zlib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from hashlib import sha256
from io import RawIOBase
from pathlib import Path
from typing import IO, Any
from urllib.parse import quote
from uuid import uuid4

import numpy as np
from numpy.typing import NDArray

from ingest.recording import RawBlock

Array = NDArray[np.float64]

_DOUBLE = np.dtype("<f8")
ABOUT, SAMPLES, IN_MAKING = ".json", ".f64", ".part"


class DamagedEntryError(Exception):
    """A block of an entry is not what was written."""


class EntryInMaking:
    """The samples of an entry in the making; gone unless it is kept."""

    def __init__(self, folder: Path) -> None:
        self._path = _in_making(folder)
        self._file: IO[bytes] = open(self._path, "xb")  # noqa: SIM115 - closed by `__exit__`
        self.size = 0
        self.blocks: list[list[Any]] = []

    def __enter__(self) -> EntryInMaking:
        return self

    def __exit__(self, *_: object) -> None:
        self.drop()

    def drop(self) -> None:
        """Give it up, and its room on the disk."""
        with suppress(OSError):
            self._file.close()
        self._path.unlink(missing_ok=True)

    def add(self, block: RawBlock) -> None:
        """Samples, stamps and what was logged, one behind the other."""
        logged = None if block.logged is None else [len(one) for one in block.logged]
        crc = 0
        for part in _parts(block):
            data = np.ascontiguousarray(part, _DOUBLE).reshape(-1).view(np.uint8).data
            crc = zlib.crc32(data, crc)
            self._file.write(data)
            self.size += data.nbytes
        shape = list(block.samples.shape)
        self.blocks.append([shape, block.time_s is not None, logged, crc])

    def keep_as(self, entry: Path, about: Mapping[str, Any]) -> None:
        """The samples first: an entry is there once its description is."""
        self._file.close()
        os.replace(self._path, entry.with_suffix(SAMPLES))
        text = json.dumps(about)
        try:
            write_whole(entry.with_suffix(ABOUT), f"{_check_sum(text)}\n{text}")
        except OSError:
            remove(entry)
            raise


def _in_making(folder: Path) -> Path:
    """A name that says who makes the file."""
    return folder / f"{host()}-{os.getpid()}-{uuid4().hex}{IN_MAKING}"


def maker(made: Path) -> tuple[str, int]:
    """Host and process that make a file, or made it until they were killed."""
    of_host, pid, _ = ("", "", *made.stem.rsplit("-", 2))[-3:]
    return of_host, int(pid) if pid.isdecimal() else 0


def host() -> str:
    """This one's name, as part of a file's."""
    return quote(platform.node(), safe="")


def _check_sum(text: str) -> str:
    return sha256(text.encode()).hexdigest()


def description(entry: Path) -> dict[str, Any]:
    """What an entry says of itself.

    Raises DamagedEntryError where that, or the size of its samples, is not what was written, and
    FileNotFoundError where there is no such entry.
    """
    written, _, text = entry.with_suffix(ABOUT).read_bytes().partition(b"\n")
    try:
        size = entry.with_suffix(SAMPLES).stat().st_size
        if written.decode() == _check_sum(text.decode()):
            about: dict[str, Any] = json.loads(text)
            if about["size"] == size:
                return about
    except (FileNotFoundError, ValueError):
        pass
    raise DamagedEntryError


def _parts(block: RawBlock) -> Iterator[Array]:
    yield block.samples
    if block.time_s is not None:
        yield block.time_s
    yield from block.logged or ()


def kept_blocks(entry: Path, blocks: list[list[Any]]) -> Iterator[RawBlock]:
    """Those of an entry, as its description lists them.

    Raises DamagedEntryError at the first that is not what was written.
    """
    with open(entry.with_suffix(SAMPLES), "rb", buffering=0) as file:
        for shape, stamped, logged, crc in blocks:
            sizes = [shape[0] * shape[1], shape[1] if stamped else 0, *(logged or ())]
            numbers = np.empty(sum(sizes), _DOUBLE)
            if (
                not _filled(file, numbers.view(np.uint8).data)
                or zlib.crc32(numbers.view(np.uint8).data) != crc
            ):
                raise DamagedEntryError
            parts = np.split(numbers.astype(np.float64, copy=False), np.cumsum(sizes)[:-1])
            yield RawBlock(
                parts[0].reshape(shape),
                parts[1] if stamped else None,
                None if logged is None else tuple(parts[2:]),
            )


def _filled(file: RawIOBase, room: memoryview) -> bool:
    """Whether so many bytes were there; a network's file system may give fewer at a time."""
    while room:
        count = file.readinto(room)
        if not count:
            return False
        room = room[count:]
    return True


def write_whole(path: Path, text: str) -> None:
    """A file whole or not at all."""
    made = _in_making(path.parent)
    try:
        made.write_text(text, encoding="utf-8")
        os.replace(made, path)
    except OSError:
        with suppress(OSError):
            made.unlink(missing_ok=True)
        raise


def remove(entry: Path) -> None:
    """An entry that is of no use any more."""
    for suffix in (ABOUT, SAMPLES):
        with suppress(OSError):
            entry.with_suffix(suffix).unlink(missing_ok=True)
