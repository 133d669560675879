"""Delimited text with one channel a row.

The last sample of the first channel comes before the first sample of the second, so the wanted
rows are held whole: 8 bytes a sample and channel, and the text of one row. Memory is bounded by
the recording, unlike that of a text with one channel a column.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ingest.errors import RecordingError
from ingest.readers.byte_source import open_bytes
from ingest.readers.clock import first_bad_stamp, stamps_from_text
from ingest.readers.tables import Stamps, Table, TimeColumn
from ingest.readers.text_chunks import lines_of
from ingest.readers.text_fields import sample, split_line
from ingest.readers.text_layout import TextLayout

_TABLE_ROWS = 65_536


@dataclass(frozen=True)
class _Row:
    """One channel: its line, its name where it has one, and its entries."""

    line: int
    name: str | None
    entries: list[str]


class RowText:
    """Source of tables from a text whose rows are channels."""

    reader = "delimited text, one channel a row"
    units = None
    clocks: tuple[int, ...] = ()

    def __init__(self, path: Path, layout: TextLayout) -> None:
        self._path = path
        self._layout = layout
        self._lengths: list[int] = []
        names: list[str] = []
        with open_bytes(path) as (stream, _):
            for index, row in enumerate(self._rows(lines_of(stream, layout.encoding))):
                names.append(row.name or str(index))
                self._check_length(row)
        self.columns = tuple(names)
        self.groups = (0,) * len(names)
        self.rates_hz = (None,) * len(names)

    def rows(self, column: int) -> int | None:
        """Samples of each channel."""
        return self._lengths[0]

    def stamps_are_numbers(self, column: int) -> bool:
        """Whether the first entry of the channel is a number, not a written time."""
        return self._number(self._row(column).entries[0]) is not None

    def first_stamps(self, time: TimeColumn) -> Stamps:
        """All stamps of the time row."""
        return self._stamps(self._row(time.index), time)

    @contextmanager
    def opened(
        self, wanted: tuple[int, ...], time: TimeColumn | None
    ) -> Iterator[tuple[Iterator[Table], Callable[[], tuple[str, ...]]]]:
        """The tables from the first sample on, and the SHA-256 of the bytes on disk."""
        held: dict[int, NDArray[np.float64]] = {}
        stamps: Stamps | None = None
        with open_bytes(self._path) as (stream, on_disk):
            for index, row in enumerate(self._rows(lines_of(stream, self._layout.encoding))):
                if time is not None and index == time.index:
                    stamps = self._stamps(row, time)
                if index in wanted:
                    held[index] = self._samples(row)
            samples = np.array([held[index] for index in wanted])
            yield _tables(samples, stamps), lambda: (on_disk.hexdigest(),)

    def _row(self, column: int) -> _Row:
        with open_bytes(self._path) as (stream, _):
            rows = self._rows(lines_of(stream, self._layout.encoding))
            return next(row for index, row in enumerate(rows) if index == column)

    def _rows(self, lines: Iterator[str]) -> Iterator[_Row]:
        for number, line in enumerate(lines):
            if number < self._layout.first_row or not line.strip():
                continue
            if line.lstrip().startswith(self._layout.comments):
                continue
            fields = split_line(line, self._layout.delimiter)
            if len(fields) > 1 and not fields[-1]:
                fields.pop()  # a trailing delimiter
            named = self._number(fields[0]) is None
            yield _Row(number + 1, fields[0] if named else None, fields[1:] if named else fields)

    def _check_length(self, row: _Row) -> None:
        self._lengths.append(len(row.entries))
        if self._lengths[-1] != self._lengths[0]:
            raise RecordingError(
                self._path,
                f"line {row.line}",
                f"{self._lengths[-1]} samples, expected {self._lengths[0]} as in the first row",
                "mend the line, or state the orientation and the delimiter",
            )

    def _number(self, text: str) -> float | None:
        return sample(text, self._layout.decimal, self._layout.missing)

    def _samples(self, row: _Row) -> NDArray[np.float64]:
        if self._layout.decimal == "." and not self._layout.missing:
            try:
                quick = np.array(row.entries, dtype=np.float64)
            except ValueError:
                pass
            else:
                return np.where(np.isfinite(quick), quick, np.nan)
        return np.array([self._refuse_text(row, place) for place in range(len(row.entries))])

    def _refuse_text(self, row: _Row, place: int) -> float:
        text = row.entries[place]
        value = self._number(text)
        if value is None:
            raise RecordingError(
                self._path,
                f"line {row.line}, sample {place + 1}",
                f"{text!r} is no number",
                f"where this marks a missing sample, state missing = [{text!r}]",
            )
        return value

    def _stamps(self, row: _Row, time: TimeColumn) -> Stamps:
        if time.format is None:
            return self._samples(row)
        try:
            return stamps_from_text(row.entries, time.format)
        except ValueError:
            place = first_bad_stamp(row.entries, time.format)
            raise RecordingError(
                self._path,
                f"line {row.line}, sample {place + 1}",
                f"the time stamp is {row.entries[place]!r}, wanted a time in the format "
                f"{time.format!r}",
                "state time_format, or a rate instead of time_column",
            ) from None


def _tables(samples: NDArray[np.float64], stamps: Stamps | None) -> Iterator[Table]:
    for start in range(0, samples.shape[1], _TABLE_ROWS):
        part = slice(start, start + _TABLE_ROWS)
        yield Table(samples[:, part], None if stamps is None else stamps[part])
