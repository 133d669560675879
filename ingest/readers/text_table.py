"""One chunk of text lines turned into numbers: fast where all is well, line by line where not.

The fast way hands the chunk to the parser of pandas, which pads short rows and says little about
a bad one. So whatever looks wrong to it is read again by the slow way, which either finds that all
is well after all (a delimiter inside quotes) or says which line and column is at fault.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from ingest.errors import RecordingError
from ingest.readers.clock import stamps_from_text
from ingest.readers.text_chunks import Chunk
from ingest.readers.text_fields import BLANKS, MISSING, sample, split_line
from ingest.readers.text_layout import TextLayout

Stamps = NDArray[np.int64] | NDArray[np.float64]


@dataclass(frozen=True)
class Table:
    """Samples of one chunk and, where there is a time column, their raw stamps."""

    samples: NDArray[np.float64]  # (n_wanted, n), NaN where missing
    stamps: Stamps | None  # (n,) nanoseconds, or numbers in the time column's own unit


class _ChunkFile:
    """The least a parser asks of a file; spares pandas decoding what it encodes again."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    def read(self, size: int = -1) -> bytes:
        end = len(self._data) if size < 0 else self._at + size
        piece = self._data[self._at : end]
        self._at += len(piece)
        return piece

    def __iter__(self) -> Iterator[bytes]:
        return iter(self._data.splitlines(keepends=True))


@dataclass(frozen=True)
class TableParser:
    """Turns chunks into tables; safe to use from several threads."""

    path: Path
    layout: TextLayout
    wanted: tuple[int, ...]  # columns, in the order asked for; may repeat
    time_index: int | None
    time_format: str | None  # None: the time column holds numbers

    def parse(self, chunk: Chunk) -> Table:
        """Numbers of one chunk.

        Raises
        ------
        RecordingError
            A row has too few or too many fields, a field is no number or no time, or a NUL byte.
        """
        import pandas as pd

        if b"\0" in chunk.data:
            self._refuse_nul(chunk)
        try:
            table = self._parse_fast(chunk.data)
        except (ValueError, pd.errors.ParserError):
            table = None
        return self._parse_slowly(chunk) if table is None else table

    def _parse_fast(self, data: bytes) -> Table | None:
        """Numbers of a chunk, None where its rows may be ragged."""
        import pandas as pd

        if not data.strip():
            return Table(np.empty((len(self.wanted), 0)), self._no_stamps())
        used = self._used_columns()
        blanks = self.layout.delimiter == BLANKS
        types: dict[int, Any] = dict.fromkeys(used, np.float64)
        if self.time_index is not None and self.time_format is not None:
            types[self.time_index] = str
        frame = pd.read_csv(
            cast(Any, _ChunkFile(data)),
            sep=r"\s+" if blanks else self.layout.delimiter,
            header=None,
            usecols=used,
            dtype=types,
            decimal=self.layout.decimal,
            na_values=[*MISSING, *self.layout.missing],
            skipinitialspace=True,
            low_memory=False,
            encoding_errors="replace",
            engine="c",
        )
        table = self._table(frame)
        return None if self._may_be_ragged(data, frame) else table

    def _used_columns(self) -> list[int]:
        used = set(self.wanted)
        if self.time_index is not None:
            used.add(self.time_index)
        if self.layout.delimiter == BLANKS:
            used.add(self.layout.n_fields - 1)  # empty in every short row
        return sorted(used)

    def _no_stamps(self) -> Stamps | None:
        return None if self.time_index is None else np.empty(0)

    def _table(self, frame: Any) -> Table:
        numeric = frame
        stamps: Stamps | None = None
        if self.time_index is not None:
            column = frame[self.time_index]
            if self.time_format is None:
                stamps = column.to_numpy()
            else:
                stamps = stamps_from_text(column.to_numpy(dtype=object), self.time_format)
                numeric = frame.drop(columns=self.time_index)
        if np.isnan(stamps).any() if stamps is not None else False:
            raise ValueError("a time stamp is missing")
        place = {column: row for row, column in enumerate(numeric.columns)}
        samples = numeric.to_numpy(dtype=np.float64).T[[place[column] for column in self.wanted]]
        samples[np.isinf(samples)] = np.nan
        return Table(samples, stamps)

    def _may_be_ragged(self, data: bytes, frame: Any) -> bool:
        if self.layout.delimiter == BLANKS:
            return bool(frame[self.layout.n_fields - 1].isna().any())
        delimiter = ord(self.layout.delimiter)
        count = int(np.count_nonzero(np.frombuffer(data, np.uint8) == delimiter))
        return count != len(frame) * (self.layout.n_fields - 1)

    def _parse_slowly(self, chunk: Chunk) -> Table:
        rows: list[list[float]] = []
        stamps: list[float] = []
        texts: list[str] = []
        numbers: list[int] = []
        lines = chunk.data.decode(self.layout.chunk_encoding, errors="replace").split("\n")
        for number, line in enumerate(lines, chunk.first_line):
            if not line.strip():
                continue
            fields = split_line(line.rstrip("\r"), self.layout.delimiter)
            if len(fields) != self.layout.n_fields:
                cut = chunk.is_last and number == chunk.first_line + len(lines) - 1
                self._refuse_ragged(number, len(fields), cut)
            rows.append([self._number(fields, column, number) for column in self.wanted])
            numbers.append(number)
            if self.time_index is not None and self.time_format is None:
                stamps.append(self._time_number(fields, self.time_index, number))
            elif self.time_index is not None:
                texts.append(fields[self.time_index])
        samples = np.array(rows, dtype=np.float64).reshape(-1, len(self.wanted)).T
        if self.time_index is None:
            return Table(samples, None)
        if self.time_format is None:
            return Table(samples, np.array(stamps))
        return Table(samples, self._text_stamps(texts, numbers))

    def _number(self, fields: Sequence[str], column: int, line: int) -> float:
        value = sample(fields[column], self.layout.decimal, self.layout.missing)
        if value is None:
            raise RecordingError(
                self.path,
                self._place(line, column),
                f"{fields[column]!r} is no number",
                f"where this marks a missing sample, state missing = [{fields[column]!r}]",
            )
        return value

    def _time_number(self, fields: Sequence[str], column: int, line: int) -> float:
        value = sample(fields[column], self.layout.decimal, self.layout.missing)
        if value is None or np.isnan(value):
            self._refuse_time(fields[column], line, "a number, as in the first rows")
        return cast(float, value)

    def _text_stamps(self, texts: list[str], lines: list[int]) -> Stamps:
        assert self.time_format is not None
        if not texts:
            return np.empty(0, np.int64)
        try:
            return stamps_from_text(texts, self.time_format)
        except ValueError:
            for text, line in zip(texts, lines, strict=True):
                self._try_stamp(text, line, self.time_format)
            raise

    def _try_stamp(self, text: str, line: int, time_format: str) -> None:
        try:
            stamps_from_text([text], time_format)
        except ValueError:
            self._refuse_time(text, line, f"a time in the format {time_format!r}")

    def _refuse_time(self, text: str, line: int, wanted: str) -> None:
        assert self.time_index is not None
        raise RecordingError(
            self.path,
            self._place(line, self.time_index),
            f"the time stamp is {text!r}, wanted {wanted}",
            "state time_format, or a rate instead of time_column",
        )

    def _refuse_ragged(self, line: int, found: int, cut: bool) -> None:
        advice = (
            "the file ends inside a row: the logger was cut off; delete the last line"
            if cut
            else "mend or delete the line, or state the delimiter and comment marks"
        )
        raise RecordingError(
            self.path, f"line {line}", f"{found} fields, expected {self.layout.n_fields}", advice
        )

    def _refuse_nul(self, chunk: Chunk) -> None:
        line = chunk.first_line + chunk.data[: chunk.data.index(b"\0")].count(b"\n")
        raise RecordingError(
            self.path,
            f"line {line}",
            "a NUL byte, which no text holds",
            "the logger was cut off or the disk is damaged; cut the file before this line",
        )

    def _place(self, line: int, column: int) -> str:
        return f"line {line}, column {self.layout.columns[column]!r}"
