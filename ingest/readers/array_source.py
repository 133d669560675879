"""Tables from a file that holds its columns as numbers, whatever the format."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from ingest.errors import RecordingError
from ingest.readers.byte_source import HashedFile
from ingest.readers.tables import Stamps, Table, TimeColumn
from ingest.recording import FileOptions

# Stamps whose steps give the sample rate.
_RATE_ROWS = 10_000

Columns = Sequence[NDArray[Any]]


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
        if not file.columns:
            raise RecordingError(
                path, "", "the file holds no columns of numbers", "name another recording"
            )
        self._path = path
        self._file = file
        self._markers = [float(text) for text in options.missing if _is_number(text)]
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
        with self._file.blocks(asked) as blocks:
            yield self._tables(blocks, len(wanted), time), self._digest

    def _tables(
        self, blocks: Iterator[Columns], n: int, time: TimeColumn | None
    ) -> Iterator[Table]:
        for block in blocks:
            samples = np.empty((n, len(block[0]) if block else 0))
            for row, values in zip(samples, block, strict=False):
                row[:] = values
            if not np.isfinite(samples.sum()):
                samples[np.isinf(samples)] = np.nan
            for marker in self._markers:
                samples[samples == marker] = np.nan
            yield Table(samples, None if time is None else self._stamps(block[n], time))

    def _stamps(self, values: NDArray[Any], time: TimeColumn) -> Stamps:
        if values.dtype.kind == "M":
            moments = values.astype("datetime64[ns]")
            self._refuse_missing(np.isnat(moments), time)
            return moments.astype(np.int64)
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

    def _digest(self) -> tuple[str, ...]:
        with closing(HashedFile(self._path)) as file:
            return (file.hexdigest(),)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
