"""One chunk of text lines turned into numbers: fast where all is well, line by line where not.

The fast way hands the chunk to the parser of pandas, which pads short rows and says little about
a bad one. So whatever looks wrong to it is read again by the slow way, which either finds that all
is well after all (a delimiter inside quotes) or says which line and column is at fault.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, NoReturn, cast, get_args

import numpy as np

from ingest.errors import RecordingError
from ingest.readers.clock import first_bad_stamp, stamps_from_text
from ingest.readers.tables import Stamps, Table, TimeColumn
from ingest.readers.text_chunks import Chunk, count_byte
from ingest.readers.text_fields import BLANKS, MISSING, sample, split_line, stands_for_number
from ingest.readers.text_layout import TextLayout

# How pandas is asked for a chunk's numbers: to find that all are floats, which is faster by a
# tenth than to be told so; told; or with an eye to whatever stands for a missing sample, which
# only a word may be in the first two.
Manner = Literal["guessed", "strict", "tolerant"]
_MANNERS: tuple[Manner, ...] = get_args(Manner)


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
    time: TimeColumn | None
    # Ways to try in turn. Several threads may shorten it: to the same end.
    _manners: list[Manner] = field(default_factory=lambda: ["guessed", "strict", "tolerant"])

    def __post_init__(self) -> None:
        if any(stands_for_number(marker, self.layout.decimal) for marker in self.layout.missing):
            self._manners[:] = ["tolerant"]
        elif self.time is not None and self.time.format is not None:
            self._manners.remove("guessed")  # texts are wanted: slower than numbers told so

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
        for manner in tuple(self._manners):
            try:
                table = self._parse_fast(chunk.data, manner)
            except (ValueError, pd.errors.ParserError):
                continue
            if table is not None:
                self._keep_to(manner)
                return table
        return self._parse_slowly(chunk)

    def _keep_to(self, manner: Manner) -> None:
        """What one chunk needs, the next will need too."""
        if manner in self._manners and self._manners[0] != manner:
            self._manners[:] = _MANNERS[_MANNERS.index(manner) :]

    def _parse_fast(self, data: bytes, manner: Manner) -> Table | None:
        """Numbers of a chunk, None where its rows may be ragged or its columns are no floats."""
        import pandas as pd

        if not data.strip():
            return Table(np.empty((len(self.wanted), 0)), None)
        used, tolerant = self._used_columns(), manner == "tolerant"
        frame = pd.read_csv(
            cast(Any, _ChunkFile(data)),
            sep=r"\s+" if self.layout.delimiter == BLANKS else self.layout.delimiter,
            header=None,
            usecols=None if len(used) == self.layout.n_fields else used,
            dtype=None if manner == "guessed" else self._types(used),
            decimal=self.layout.decimal,
            na_filter=tolerant,
            na_values=[*MISSING, *self._markers()],
            keep_default_na=False,
            skipinitialspace=tolerant,
            low_memory=False,
            encoding_errors="replace",
            engine="c",
        )
        if manner == "guessed" and any(dtype.kind != "f" for dtype in frame.dtypes):
            return None
        return None if self._may_be_ragged(data, frame) else self._table(frame)

    def _markers(self) -> list[str]:
        """Stated missing markers; with a decimal point as well, to be compared as numbers."""
        stated = self.layout.missing
        return [*stated, *(text.replace(self.layout.decimal, ".") for text in stated)]

    def _used_columns(self) -> list[int]:
        used = set(self.wanted)
        if self.time is not None:
            used.add(self.time.index)
        if self.layout.delimiter == BLANKS:
            used.add(self.layout.n_fields - 1)  # empty in every short row
        return sorted(used)

    def _types(self, used: list[int]) -> Any:
        if self.time is None or self.time.format is None:
            return np.float64
        return {index: str if index == self.time.index else np.float64 for index in used}

    def _table(self, frame: Any) -> Table:
        stamps = None if self.time is None else self._stamps(frame[self.time.index])
        if self.time is not None and self.time.format is not None:
            frame = frame.drop(columns=self.time.index)
        samples = frame.to_numpy(dtype=np.float64).T
        if self.wanted != tuple(frame.columns):
            place = {column: row for row, column in enumerate(frame.columns)}
            samples = samples[[place[column] for column in self.wanted]]
        if not np.isfinite(samples.sum()):
            samples = np.where(np.isinf(samples), np.nan, samples)
        return Table(samples, stamps)

    def _stamps(self, column: Any) -> Stamps:
        if self.time is not None and self.time.format is not None:
            return stamps_from_text(column.to_numpy(dtype=object), self.time.format)
        numbers = np.asarray(column, dtype=np.float64)
        if not np.isfinite(numbers).all():
            raise ValueError("a time stamp is missing")
        return numbers

    def _may_be_ragged(self, data: bytes, frame: Any) -> bool:
        if self.layout.delimiter == BLANKS:
            last = self.layout.n_fields - 1
            return last not in frame or bool(frame[last].isna().any())
        found = count_byte(data, self.layout.delimiter.encode(self.layout.chunk_encoding))
        return found != len(frame) * (self.layout.n_fields - 1)

    def _parse_slowly(self, chunk: Chunk) -> Table:
        rows: list[list[float]] = []
        times: dict[int, str] = {}  # by line
        for line, fields in self._split_lines(chunk):
            rows.append([self._number(fields, column, line) for column in self.wanted])
            if self.time is not None:
                times[line] = fields[self.time.index]
        samples = np.array(rows, dtype=np.float64).reshape(len(rows), len(self.wanted)).T
        if self.time is None:
            return Table(samples, None)
        if self.time.format is None:
            numbers = [self._time_number(text, line) for line, text in times.items()]
            return Table(samples, np.array(numbers, dtype=np.float64))
        return Table(samples, self._text_stamps(times, self.time.format))

    def _split_lines(self, chunk: Chunk) -> Iterator[tuple[int, list[str]]]:
        lines = chunk.data.decode(self.layout.chunk_encoding, errors="replace").split("\n")
        for number, line in enumerate(lines, chunk.first_line):
            if not line.strip():
                continue
            fields = split_line(line.rstrip("\r"), self.layout.delimiter)
            if len(fields) != self.layout.n_fields:
                cut = chunk.is_last and number == chunk.first_line + len(lines) - 1
                self._refuse_ragged(number, len(fields), cut)
            yield number, fields

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

    def _time_number(self, text: str, line: int) -> float:
        value = sample(text, self.layout.decimal, self.layout.missing)
        if value is None or np.isnan(value):
            self._refuse_time(text, line, "a number, as in the first rows")
        return value

    def _text_stamps(self, times: dict[int, str], time_format: str) -> Stamps:
        texts = list(times.values())
        try:
            return stamps_from_text(texts, time_format)
        except ValueError:
            place = first_bad_stamp(texts, time_format)
            self._refuse_time(
                texts[place], list(times)[place], f"a time in the format {time_format!r}"
            )

    def _refuse_time(self, text: str, line: int, wanted: str) -> NoReturn:
        assert self.time is not None
        raise RecordingError(
            self.path,
            self._place(line, self.time.index),
            f"the time stamp is {text!r}, wanted {wanted}",
            "state time_format, or a rate instead of time_column",
        )

    def _refuse_ragged(self, line: int, found: int, cut: bool) -> NoReturn:
        advice = (
            "the file ends inside a row: the logger was cut off; delete the last line"
            if cut
            else "mend or delete the line, or state the delimiter and comment marks"
        )
        raise RecordingError(
            self.path, f"line {line}", f"{found} fields, expected {self.layout.n_fields}", advice
        )

    def _refuse_nul(self, chunk: Chunk) -> NoReturn:
        line = chunk.first_line + chunk.data[: chunk.data.index(b"\0")].count(b"\n")
        raise RecordingError(
            self.path,
            f"line {line}",
            "a NUL byte, which no text holds",
            "the logger was cut off or the disk is damaged; cut the file before this line",
        )

    def _place(self, line: int, column: int) -> str:
        return f"line {line}, column {self.layout.columns[column]!r}"
