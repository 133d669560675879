"""Tables from a file that holds its columns as numbers, whatever the format."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from ingest.errors import RecordingError
from ingest.readers.byte_source import digest_beside, file_digest
from ingest.readers.tables import Stamps, Table, TimeColumn
from ingest.readers.text_fields import stands_for_number
from ingest.recording import FileOptions, Orientation

# Stamps whose steps give the sample rate.
_RATE_ROWS = 10_000
# Rows copied at a time: columns that are stored side by side then come from the processor's cache
# (measured: a third of the time for 32 of them).
_COPIED_ROWS = 1024

# Rows of a block, fewer where a row is long (engineering judgement: 16 MB are 65,536 rows of 32
# channels in double precision).
BLOCK_ROWS, BLOCK_BYTES = 65_536, 1 << 24

Columns = Sequence[NDArray[Any]]


def block_rows(row_bytes: int) -> int:
    """Rows to read at once, where a row of all wanted columns takes these bytes."""
    return max(1, min(BLOCK_ROWS, BLOCK_BYTES // max(row_bytes, 1)))


def longer_axis(
    shape: tuple[int, ...], orientation: Orientation | None, of_columns: int = 0
) -> int:
    """The axis of an array along which time runs: the longer one, where it is not stated.

    `of_columns` is the axis along which a channel's samples stand where each is a column.
    """
    if len(shape) == 1 or 1 in shape:
        return int(np.argmax(shape))
    if orientation is not None:
        return of_columns if orientation == "columns" else 1 - of_columns
    if shape[0] == shape[1]:
        return of_columns
    return int(shape[1] > shape[0])


@dataclass(frozen=True)
class ArrayColumn:
    """One column of a file of numbers."""

    name: str
    n: int  # samples
    unit: str | None = None
    # Columns of one group have the same samples' times: the same length and the same clock.
    group: int = 0
    rate_hz: float | None = None  # where the file itself states it
    is_time: bool = False  # the group's own clock, in seconds, or as moments
    # Problem and advice, where the file has something of this name that is no column of numbers:
    # it is listed last and refused when it is asked for.
    refusal: tuple[str, str] | None = None


class ArrayFile(Protocol):
    """What a format has to give, of which no more than the beginning has been read."""

    @property
    def reader(self) -> str:
        """Name of the format, for the provenance."""

    @property
    def columns(self) -> tuple[ArrayColumn, ...]:
        """All columns in file order."""

    def blocks(self, wanted: tuple[int, ...]) -> AbstractContextManager[Iterator[Columns]]:
        """Consecutive samples of columns of one group, each one-dimensional and as stored.

        Integers, floats, booleans or datetime64; all pieces of one block are equally long, of
        at most some 65,536 rows. Raises RecordingError where the file turns out damaged.
        """


class ArraySource:
    """Source of tables from an array file."""

    def __init__(self, path: Path, file: ArrayFile, options: FileOptions) -> None:
        if not any(column.refusal is None for column in file.columns):
            raise _no_columns(path, file.columns)
        self._path = path
        self._file = file
        self._markers = [float(text) for text in options.missing if stands_for_number(text, ".")]
        self._is_hashing = False
        self.reader = file.reader
        self.columns = tuple(column.name for column in file.columns)
        self.groups = tuple(column.group for column in file.columns)
        self.rates_hz = tuple(column.rate_hz for column in file.columns)
        self.clocks = tuple(i for i, column in enumerate(file.columns) if column.is_time)
        units = [column.unit for column in file.columns]
        self.units = tuple(unit or "" for unit in units) if any(units) else None

    def rows(self, column: int) -> int | None:
        """Samples of a column."""
        return self._file.columns[column].n

    def stamps_are_numbers(self, column: int) -> bool:
        """Numbers and moments alike come as such, never as text."""
        return True

    def first_stamps(self, time: TimeColumn) -> Stamps:
        """Stamps of up to 10,000 rows at the beginning."""
        self._check_asked((time.index,))
        held: list[NDArray[Any]] = []
        with self._file.blocks((time.index,)) as blocks:
            for block in blocks:
                held.append(self._stamps(block[0], time))
                if sum(map(len, held)) >= _RATE_ROWS:
                    break
        return np.concatenate(held)[:_RATE_ROWS] if held else np.empty(0)

    @contextmanager
    def opened(
        self, wanted: tuple[int, ...], time: TimeColumn | None
    ) -> Iterator[tuple[Iterator[Table], Callable[[], tuple[str, ...]]]]:
        """The tables from the first sample on, and the SHA-256 of the bytes on disk."""
        asked = wanted if time is None else (*wanted, time.index)
        self._check_asked(asked)
        with self._digest() as digest, self._file.blocks(asked) as blocks:
            yield self._tables(blocks, wanted, time), lambda: (digest(),)

    @contextmanager
    def _digest(self) -> Iterator[Callable[[], str]]:
        """Found beside the reading; by the first alone where several groups are read at once."""
        if self._is_hashing:
            yield partial(file_digest, self._path)
            return
        self._is_hashing = True
        try:
            with digest_beside(self._path) as digest:
                yield digest
        finally:
            self._is_hashing = False

    def _check_asked(self, asked: Sequence[int]) -> None:
        for index in asked:
            column = self._file.columns[index]
            if column.refusal is not None:
                raise RecordingError(self._path, f"column {column.name!r}", *column.refusal)

    def _tables(
        self, blocks: Iterator[Columns], wanted: tuple[int, ...], time: TimeColumn | None
    ) -> Iterator[Table]:
        for block in blocks:
            samples = np.empty((len(wanted), len(block[0]) if block else 0))
            # Numbers too large for a double become infinite, and sums of them NaN, in silence.
            with np.errstate(over="ignore", invalid="ignore"):
                for column, values in zip(wanted, block, strict=False):
                    self._refuse_moments(column, values)
                for begin in range(0, samples.shape[1], _COPIED_ROWS):
                    piece = slice(begin, begin + _COPIED_ROWS)
                    for row, values in zip(samples, block, strict=False):
                        row[piece] = values[piece]
                may_be_infinite = not np.isfinite(samples.sum())
            if may_be_infinite:
                samples[np.isinf(samples)] = np.nan
            self._blank_markers(samples, block)
            yield Table(samples, None if time is None else self._stamps(block[-1], time))

    def _blank_markers(self, samples: NDArray[np.float64], block: Columns) -> None:
        """A marker is meant as stored: 999.999 in single precision is another double."""
        with np.errstate(over="ignore"):
            for marker in self._markers:
                for row, values in zip(samples, block, strict=False):
                    row[values == marker] = np.nan

    def _refuse_moments(self, column: int, values: NDArray[Any]) -> None:
        if values.dtype.kind == "M":
            raise RecordingError(
                self._path,
                f"column {self.columns[column]!r}",
                "it holds moments, not samples",
                "name it as time_column, and another column for the channel",
            )

    def _stamps(self, values: NDArray[Any], time: TimeColumn) -> Stamps:
        if values.dtype.kind == "M":
            moments = values.astype("datetime64[ns]")
            self._refuse_missing(np.isnat(moments), time)
            return moments.astype(np.int64)
        with np.errstate(over="ignore", invalid="ignore"):
            numbers = values.astype(np.float64)
        self._refuse_missing(~np.isfinite(numbers), time)
        return numbers

    def _refuse_missing(self, missing: NDArray[np.bool_], time: TimeColumn) -> None:
        if missing.any():
            raise RecordingError(
                self._path,
                f"column {self.columns[time.index]!r}",
                f"a time stamp is missing, {int(np.argmax(missing))} rows into a block",
                "state a rate instead of time_column, or repair the recording",
            )


def _no_columns(path: Path, columns: Sequence[ArrayColumn]) -> RecordingError:
    if not columns or columns[0].refusal is None:
        problem, advice = "the file holds no columns of numbers", "name another recording"
    else:
        problem, advice = columns[0].refusal
        problem = f"no column of numbers: {columns[0].name!r}: {problem}"
    return RecordingError(path, "", problem, advice)
