"""WAV (RIFF, its big-endian form RIFX, and RF64 or BW64 beyond 4 GB).

Samples are given as stored: integers as counts of their whole container (20 valid bits in three
bytes stand in its upper ones), unsigned 8-bit ones less 128, floats as they are. Columns are
named by their index.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.errors import RecordingError
from ingest.readers.array_source import ArraySource, Columns
from ingest.readers.stored_bytes import COPY_AGAIN, PlainBytes, SharedFile
from ingest.readers.stored_columns import StoredArray, StoredFile
from ingest.readers.tables import TableSource
from ingest.recording import FileOptions

_BIG_ENDIAN, _LONG = b"RIFX", (b"RF64", b"BW64")
_KINDS = (b"RIFF", _BIG_ENDIAN, *_LONG)
_WAVE = b"WAVE"
# A file of more chunks before its samples is taken for damaged (engineering judgement).
_MOST_CHUNKS = 1000
# Sizes that were not known when they were written.
_UNKNOWN = 0xFFFFFFFF
# Format tags of RFC 2361 and of the Microsoft multimedia headers (mmreg.h).
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_OTHERS = {
    2: "Microsoft ADPCM",
    6: "A-law",
    7: "mu-law",
    0x11: "IMA ADPCM",
    0x50: "MPEG",
    0x55: "MP3",
}
# What follows the format tag in the subformat of an extensible header (ksmedia.h).
_SUBFORMAT_END = bytes.fromhex("800000aa00389b71")
_ADVICE = "save it as PCM or floating point without compression"


def is_wav(first: bytes) -> bool:
    """A RIFF file whose form is WAVE."""
    return first[:4] in _KINDS and first[8:12] == _WAVE


def open_wav(path: Path, file: FileOptions) -> TableSource:
    """Open a WAV file.

    Raises
    ------
    RecordingError
        It is damaged or was never closed, or its samples are compressed.
    """
    with SharedFile(path) as shared:
        kind = shared.read_at(0, 4)
        order = ">" if kind == _BIG_ENDIAN else "<"
        layout, data = _find_samples(shared, order)
    return ArraySource(path, _WavFile(path, layout, data), file)


@dataclass(frozen=True)
class _Layout:
    """The format chunk."""

    tag: int
    channels: int
    rate_hz: int
    frame_bytes: int
    order: str

    @property
    def sample_bytes(self) -> int:
        return self.frame_bytes // self.channels


class _WavFile:
    reader = "WAV"

    def __init__(self, path: Path, layout: _Layout, data: PlainBytes) -> None:
        dtype, self._decoded = _sample_type(layout)
        shape = (data.size // layout.frame_bytes, layout.channels)
        array = StoredArray("", data, 0, shape, dtype, time_axis=0)
        self._stored = StoredFile(path, self.reader, [array], None, float(layout.rate_hz) or None)
        unit = "1" if layout.tag == _FLOAT else "count"
        self.columns = tuple(replace(column, unit=unit) for column in self._stored.columns)

    @contextmanager
    def blocks(self, wanted: tuple[int, ...]) -> Iterator[Iterator[Columns]]:
        """Consecutive samples, as stored."""
        with self._stored.blocks(wanted) as blocks:
            yield ([self._decoded(column) for column in block] for block in blocks)


def _sample_type(layout: _Layout) -> tuple[np.dtype[Any], Callable[[NDArray[Any]], NDArray[Any]]]:
    """Type in the file, and what makes numbers of it."""
    if layout.tag == _FLOAT:
        return np.dtype(f"{layout.order}f{layout.sample_bytes}"), np.asarray
    if layout.sample_bytes == 1:
        return np.dtype("u1"), lambda column: column.astype(np.int16) - 128
    if layout.sample_bytes == 3:
        return np.dtype("V3"), lambda column: _from_three_bytes(column, layout.order)
    return np.dtype(f"{layout.order}i{layout.sample_bytes}"), np.asarray


def _from_three_bytes(column: NDArray[Any], order: str) -> NDArray[Any]:
    """The three bytes as the upper ones of four, brought down with their sign."""
    wide = np.zeros((len(column), 4), np.uint8)
    three = np.ascontiguousarray(column).view(np.uint8).reshape(-1, 3)
    wide[:, slice(1, 4) if order == "<" else slice(0, 3)] = three
    numbers: NDArray[Any] = wide.view(f"{order}i4")[:, 0] >> 8
    return numbers


def _find_samples(file: SharedFile, order: str) -> tuple[_Layout, PlainBytes]:
    layout: _Layout | None = None
    long_size: int | None = None
    place = 12
    for _ in range(_MOST_CHUNKS):
        head = file.read_at(place, 8)
        if len(head) < 8:
            raise _fault(file, "", "the file ends before its samples", COPY_AGAIN)
        name, size = struct.unpack(f"{order}4sI", head)
        inside = place + 8
        if name == b"data":
            if layout is None:
                raise _fault(
                    file, "", "the samples begin before any chunk says their format", COPY_AGAIN
                )
            if size == _UNKNOWN and long_size is not None:
                size = long_size
            return layout, _samples(file, layout, inside, size)
        if name == b"ds64":
            # Sizes of the file and of the samples (EBU Tech 3306).
            sizes = file.read_at(inside, 16)
            long_size = int.from_bytes(sizes[8:], "little") if len(sizes) == 16 else None
        elif name == b"fmt ":
            layout = _layout(file, order, file.read_at(inside, min(size, 40)))
        place = inside + size + size % 2
    raise _fault(file, "", f"no samples within {_MOST_CHUNKS} chunks", COPY_AGAIN)


def _layout(file: SharedFile, order: str, chunk: bytes) -> _Layout:
    where = "format chunk"
    if len(chunk) < 16:
        raise _fault(file, where, f"it has {len(chunk)} bytes, wanted 16 or more", COPY_AGAIN)
    tag, channels, rate_hz, _, frame_bytes, bits = struct.unpack(f"{order}HHIIHH", chunk[:16])
    if tag == _EXTENSIBLE:
        if len(chunk) < 40 or chunk[32:] != _SUBFORMAT_END:
            raise _fault(file, where, "the samples' format is none of the known ones", _ADVICE)
        (tag,) = struct.unpack(f"{order}I", chunk[24:28])
    if tag not in (_PCM, _FLOAT):
        known = f" ({_OTHERS[tag]})" if tag in _OTHERS else ""
        raise _fault(file, where, f"the samples are in format {tag}{known}", _ADVICE)
    layout = _Layout(tag, channels, rate_hz, frame_bytes, order)
    sizes = (1, 2, 3, 4, 8) if tag == _PCM else (4, 8)
    if channels == 0 or frame_bytes % channels or layout.sample_bytes not in sizes:
        raise _fault(
            file, where, f"{channels} channels in {frame_bytes} bytes cannot be", COPY_AGAIN
        )
    if not 0 < bits <= 8 * layout.sample_bytes:
        raise _fault(
            file, where, f"{bits} bits in {layout.sample_bytes} bytes cannot be", COPY_AGAIN
        )
    return layout


def _samples(file: SharedFile, layout: _Layout, start: int, size: int) -> PlainBytes:
    where = f"data chunk at byte {start - 8}"
    there = file.size() - start
    if size in (0, _UNKNOWN):
        raise _fault(
            file,
            where,
            f"its size was never written, {there} bytes follow",
            "the logger was cut off: repair the header with the logger's own software",
        )
    if size > there:
        raise _fault(file, where, f"it promises {size} bytes, the file holds {there}", COPY_AGAIN)
    if size % layout.frame_bytes:
        raise _fault(
            file,
            where,
            f"its {size} bytes end inside a sample of {layout.channels} channels",
            COPY_AGAIN,
        )
    return PlainBytes(where, start, size)


def _fault(file: SharedFile, place: str, problem: str, advice: str) -> RecordingError:
    return RecordingError(file.path, place, problem, advice)
