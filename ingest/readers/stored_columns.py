"""Columns of numbers in arrays that stand in a file, in either order, plain or deflated."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.errors import RecordingError
from ingest.readers.array_source import ArrayColumn, Columns, block_rows, longer_axis
from ingest.readers.stored_bytes import Bytes, Content, SharedFile, Stream
from ingest.recording import Orientation

# More are taken for damage or for a matrix that is no set of channels; each place inside
# compressed data that is read at the same time holds some 50 kB (engineering judgement).
MOST_COLUMNS = 4096
# Unpacked bytes kept from the pass that finds the columns' places: what is kept is not unpacked a
# second time (engineering judgement; 30 s of 32 channels at 5 kHz in double precision).
_KEPT_BYTES = 40_000_000
# Unpacking, the slowest part, goes on while blocks are worked on.
_READ_THREADS = 2
# Bytes of a row of a structured array (engineering judgement).
_MOST_ROW_BYTES = 1 << 20
SAVE_PLAIN_ARRAYS = "save the channels as plain real arrays of one or two dimensions"


@dataclass(frozen=True)
class StoredArray:
    """An array of numbers, or of rows of numbers, of which no more than the header was read."""

    name: str  # empty for the only array of a file without names
    content: Content
    start: int  # of its first number in the content
    shape: tuple[int, ...]  # one or two dimensions, none of them zero
    dtype: np.dtype[Any]
    first_axis_fastest: bool = False  # Fortran's order
    time_axis: int | None = None  # where the format says it


@dataclass(frozen=True)
class _Stretch:
    """Rows one behind the other; columns side by side in each."""

    content: Content
    start: int
    n: int
    dtype: np.dtype[Any]
    width: int

    @property
    def row_bytes(self) -> int:
        return self.dtype.itemsize * self.width


@dataclass(frozen=True)
class _Place:
    name: str
    stretch: _Stretch
    field: int | str  # column or field of a row


class StoredFile:
    """What a file of stored arrays gives to a source of tables."""

    def __init__(
        self,
        path: Path,
        reader: str,
        arrays: Sequence[StoredArray],
        orientation: Orientation | None,
        rate_hz: float | None = None,
        refused: Mapping[str, tuple[str, str]] | None = None,
    ) -> None:
        """`refused`: names of what holds no columns, each with problem and advice.

        `rate_hz` is used where all columns are equally long. Raises RecordingError where an
        array has too many columns.
        """
        self._path = path
        self.reader = reader
        self._places: list[_Place] = []
        for array in arrays:
            self._places += _places(path, array, orientation, len(self._places))
        lengths = list(dict.fromkeys(place.stretch.n for place in self._places))
        rate = rate_hz if len(lengths) == 1 else None
        columns = [
            ArrayColumn(
                place.name,
                place.stretch.n,
                group=lengths.index(place.stretch.n),
                rate_hz=rate,
                is_time=_dtype(place).kind == "M",
            )
            for place in self._places
        ]
        columns += [
            ArrayColumn(name, 0, rate_hz=rate, refusal=why) for name, why in (refused or {}).items()
        ]
        self.columns = tuple(columns)

    @contextmanager
    def blocks(self, wanted: tuple[int, ...]) -> Iterator[Iterator[Columns]]:
        """Consecutive samples of columns of one length, as stored."""
        places = [self._places[index] for index in wanted]
        with SharedFile(self._path) as file, ThreadPoolExecutor(_READ_THREADS) as pool:
            yield _blocks(pool, file, places)


def _places(
    path: Path, array: StoredArray, orientation: Orientation | None, others: int
) -> list[_Place]:
    time_axis = array.time_axis
    if time_axis is None:
        time_axis = longer_axis(array.shape, orientation)
    n = array.shape[time_axis]
    width = math.prod(array.shape) // n
    fields = array.dtype.names
    _check_width(path, array, others + (width if fields is None else len(fields)))
    if fields is not None:
        rows = _Stretch(array.content, array.start, n, array.dtype, 1)
        return [
            _Place(f"{array.name}.{field}" if array.name else field, rows, field)
            for field in fields
            if is_number(array.dtype[field])
        ]
    names = [_name(array, column) for column in range(width)]
    if array.first_axis_fastest != (time_axis == 0):
        rows = _Stretch(array.content, array.start, n, array.dtype, width)
        return [_Place(name, rows, column) for column, name in enumerate(names)]
    column_bytes = n * array.dtype.itemsize
    return [
        _Place(
            name,
            _Stretch(array.content, array.start + column * column_bytes, n, array.dtype, 1),
            0,
        )
        for column, name in enumerate(names)
    ]


def _name(array: StoredArray, column: int) -> str:
    if not array.name:
        return str(column)
    return array.name if max(array.shape) == math.prod(array.shape) else f"{array.name}[{column}]"


def _check_width(path: Path, array: StoredArray, columns: int) -> None:
    place = f"array {array.name!r}" if array.name else ""
    shape = " x ".join(map(str, array.shape))
    if columns > MOST_COLUMNS:
        raise RecordingError(
            path,
            place,
            f"the shape {shape} gives more than {MOST_COLUMNS} columns",
            'state [file] orientation = "columns" or "rows", or save the channels alone',
        )
    if array.dtype.itemsize > _MOST_ROW_BYTES:
        raise RecordingError(
            path,
            place,
            f"a row takes {array.dtype.itemsize} bytes, at most {_MOST_ROW_BYTES} are read",
            SAVE_PLAIN_ARRAYS,
        )


def number_at(file: SharedFile, content: Content, start: int, dtype: np.dtype[Any]) -> float:
    """One number of a content, such as a setting that stands beside the channels."""
    (stream,) = content.streams(file, [(start, dtype.itemsize)])
    number = np.frombuffer(stream.read(dtype.itemsize), dtype)
    stream.finish()
    with np.errstate(over="ignore"):
        return float(number[0])


def is_number(dtype: np.dtype[Any]) -> bool:
    """Whether samples or moments can be of this type."""
    return dtype.kind in "biuf" or (dtype.kind == "M" and np.datetime_data(dtype)[0] != "generic")


def _blocks(
    pool: ThreadPoolExecutor, file: SharedFile, places: Sequence[_Place]
) -> Iterator[Columns]:
    """The next block is read while one is worked on."""
    streams = _opened(file, list(dict.fromkeys(place.stretch for place in places)))
    n = next(iter(streams)).n
    most = block_rows(sum(stretch.row_bytes for stretch in streams))

    def read(rows: int) -> dict[_Stretch, Future[Bytes]]:
        return {
            stretch: pool.submit(stream.read, rows * stretch.row_bytes)
            for stretch, stream in streams.items()
        }

    waiting = read(min(most, n))
    for start in range(0, n, most):
        rows = {
            stretch: np.frombuffer(data.result(), stretch.dtype).reshape(-1, stretch.width)
            for stretch, data in waiting.items()
        }
        left = n - start - most
        waiting = read(min(most, left)) if left > 0 else {}
        yield [_column(rows[place.stretch], place.field) for place in places]
    for stream in streams.values():
        stream.finish()


def _opened(file: SharedFile, stretches: Sequence[_Stretch]) -> dict[_Stretch, Stream]:
    streams: dict[_Stretch, Stream] = {}
    for content in dict.fromkeys(stretch.content for stretch in stretches):
        inside = sorted(
            (stretch for stretch in stretches if stretch.content == content),
            key=lambda stretch: stretch.start,
        )
        spans = [(stretch.start, stretch.n * stretch.row_bytes) for stretch in inside]
        opened = content.streams(file, spans, _KEPT_BYTES // len(stretches))
        streams.update(zip(inside, opened, strict=True))
    return streams


def _column(rows: NDArray[Any], field: int | str) -> NDArray[Any]:
    column: NDArray[Any] = rows[:, field] if isinstance(field, int) else rows[field][:, 0]
    return column


def _dtype(place: _Place) -> np.dtype[Any]:
    dtype = place.stretch.dtype
    return dtype[place.field] if isinstance(place.field, str) else dtype
