"""A zip archive on disk to files on disk, each byte of it counted as it comes."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from buffet.service.intake.disk import Sink, Stored, require_space
from buffet.service.intake.errors import BadArchiveError
from buffet.service.intake.limits import UploadLimits
from buffet.service.intake.zip_listing import (
    DEFLATED,
    Entry,
    beyond_total,
    largest_total,
    listed,
)

_READ_BYTES = 1 << 18
_UNPACKED_BYTES = 1 << 20  # at a time, whatever the packed bytes promise


@dataclass(frozen=True)
class Unpacked:
    """A file of an archive under a random name."""

    name: str  # checked, relative to the campaign folder
    stored: Stored


def unpack(archive: Path, folder: Path, limits: UploadLimits | None = None) -> tuple[Unpacked, ...]:
    """Unpack every file of an archive to `folder`, in the archive's order.

    One folder that all lie in is taken off where it is the campaign's own
    (`names.without_top_folder`); what desktops leave behind is ignored. Archives within are files
    like any other. Nothing stays behind on any error.

    Raises
    ------
    BadArchiveError, BadNameError, TooLargeError
        As `zip_listing.listed`, and where an entry is not as long, or not what, it states.
    NoSpaceError
        The disk is full, or would be.
    """
    limits = limits or UploadLimits()
    sinks: list[Sink] = []
    try:
        with archive.open("rb") as file:
            entries = listed(file, limits)
            require_space(folder, sum(entry.size for entry in entries))
            return tuple(_files(file, entries, folder, limits, sinks))
    except BaseException:
        for sink in sinks:
            sink.discard()
        raise


def _files(
    file: IO[bytes],
    entries: tuple[Entry, ...],
    folder: Path,
    limits: UploadLimits,
    sinks: list[Sink],
) -> Iterator[Unpacked]:
    left = most = largest_total(file.seek(0, 2), limits)
    for entry in entries:
        limit = limits.of_file(entry.name)
        sink = Sink(folder, limit, f"the archive's entry {entry.name!r}")
        sinks.append(sink)
        crc = 0
        for data in _unpacked(file, entry):
            left -= len(data)
            if left < 0:
                raise beyond_total(most, limits)
            crc = zlib.crc32(data, crc)
            sink.write(data)
            if sink.size > entry.size:
                raise _lies(entry)
        if sink.size != entry.size:
            raise _lies(entry)
        if crc != entry.crc:
            raise _damaged(entry, "its check sum is wrong")
        yield Unpacked(entry.name, sink.finish())


def _unpacked(file: IO[bytes], entry: Entry) -> Iterator[bytes]:
    """An entry's bytes, in bounded pieces."""
    if entry.method != DEFLATED:
        yield from _packed(file, entry)
        return
    inflate = zlib.decompressobj(-zlib.MAX_WBITS)
    try:
        for packed in _packed(file, entry):
            while packed:
                data = inflate.decompress(packed, _UNPACKED_BYTES)
                if data:
                    yield data
                if inflate.eof:
                    break
                packed = inflate.unconsumed_tail
            if inflate.unused_data:
                raise _damaged(entry, "more follows after its end")
        while not inflate.eof:
            data = inflate.decompress(inflate.unconsumed_tail, _UNPACKED_BYTES)
            if not data:
                raise _damaged(entry, "it ends early")
            yield data
    except zlib.error as error:
        raise _damaged(entry, str(error)) from error


def _packed(file: IO[bytes], entry: Entry) -> Iterator[bytes]:
    file.seek(entry.start)
    left = entry.packed
    while left:
        data = file.read(min(_READ_BYTES, left))
        if not data:
            raise _damaged(entry, "the archive ends in it")
        left -= len(data)
        yield data


def _lies(entry: Entry) -> BadArchiveError:
    return BadArchiveError(
        f"is not the {entry.size} bytes that it states",
        "pack the files anew and send the archive again",
        entry.name,
    )


def _damaged(entry: Entry, why: str) -> BadArchiveError:
    return BadArchiveError(
        f"is damaged ({why})", "pack the files anew and send the archive again", entry.name
    )
