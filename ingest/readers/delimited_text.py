"""Delimited text with one channel a column, read as a stream."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ingest.errors import RecordingError
from ingest.readers.byte_source import open_bytes, text_size
from ingest.readers.clock import ClockMeter, estimate_rate_hz, even_clock, seconds_since
from ingest.readers.columns import find_column
from ingest.readers.text_chunks import Chunk, text_chunks
from ingest.readers.text_fields import sample, split_line
from ingest.readers.text_layout import TextHead, TextLayout
from ingest.readers.text_table import Table, TableParser
from ingest.recording import ISO, ClockOptions, ClockSummary, RawBlock

# Rows of one block: long against a segment's overlap, 17 MB with 32 channels.
BLOCK_ROWS = 65_536
# Two threads keep up with pandas' own reader, which uses several on a large file.
_PARSE_THREADS = 2
_RATE_ROWS = 10_000
# Part of a sample interval by which a stamp may miss an edge of the stated part and belong to it.
_EDGE = 1e-3


class DelimitedText:
    """One opened text recording whose columns are channels."""

    reader = "delimited text"

    def __init__(self, path: Path, layout: TextLayout, clock: ClockOptions, head: TextHead) -> None:
        self._path = path
        self._layout = layout
        self._options = clock
        self._time_index = (
            None
            if clock.time_column is None
            else find_column(layout.columns, clock.time_column, path)
        )
        self._time_format = self._find_time_format(head.lines)
        self.columns = layout.columns
        self.units = layout.units
        self.rate_hz = self._find_rate_hz(head.lines)
        self.expected_samples = self._expect_samples(head)
        self._sha256: str | None = None
        self._clock: ClockSummary | None = None

    @property
    def sha256(self) -> str:
        """Hex digest of the bytes on disk; known after the last block."""
        assert self._sha256 is not None, "the recording has not been read to its end"
        return self._sha256

    @property
    def clock(self) -> ClockSummary:
        """How even the sampling was; known after the last block."""
        assert self._clock is not None, "the recording has not been read to its end"
        return self._clock

    def blocks(self, wanted: Sequence[str | int]) -> Iterator[RawBlock]:
        """Samples of the wanted columns, in their order, about 65k rows at a time.

        Raises
        ------
        RecordingError
            A column is missing, the file is damaged or holds text where numbers are wanted, every
            sample of a column is missing, or nothing lies between `from` and `to`.
        """
        indices = tuple(find_column(self.columns, column, self._path) for column in wanted)
        parser = TableParser(self._path, self._layout, indices, self._time_index, self._time_format)
        part = _Part(self._options, self.rate_hz)
        seen = np.zeros(len(indices), dtype=bool)
        with open_bytes(self._path) as (stream, on_disk):
            chunks = text_chunks(
                stream, self._layout.encoding, self._layout.first_row, self._layout.comments
            )
            for block in _regrouped(part.cut(_parsed(parser, chunks))):
                seen |= np.isfinite(block.samples).any(axis=1)
                yield block
            self._sha256 = on_disk.hexdigest()
        self._clock = part.summary()
        self._check_read(part, indices, seen)

    def _check_read(self, part: _Part, indices: Sequence[int], seen: NDArray[np.bool_]) -> None:
        if part.kept == 0:
            raise RecordingError(
                self._path,
                "",
                f"no samples from {self._options.from_s or 0.0:g} s to {part.to_text}",
                f"the recording holds {part.rows} samples over {part.span_s:g} s; "
                "state `from` and `to` inside it",
            )
        if not seen.all():
            name = self.columns[indices[int(np.argmin(seen))]]
            raise RecordingError(
                self._path,
                f"column {name!r}",
                "every sample is missing",
                "leave the channel out of the run sheet, or check `missing` and the sensor",
            )

    def _find_time_format(self, head: Sequence[str]) -> str | None:
        if self._time_index is None or self._options.time_format is not None:
            return self._options.time_format
        fields = split_line(head[self._layout.first_row], self._layout.delimiter)
        text = fields[self._time_index] if self._time_index < len(fields) else ""
        return ISO if sample(text, self._layout.decimal, self._layout.missing) is None else None

    def _find_rate_hz(self, head: Sequence[str]) -> float:
        if self._options.rate_hz is not None:
            return self._options.rate_hz
        if self._time_index is None:
            raise RecordingError(
                self._path, "", "the sample rate is unknown", "state a rate or a time_column"
            )
        rate_hz = estimate_rate_hz(self._first_stamps_s(head))
        if rate_hz is None:
            raise RecordingError(
                self._path,
                f"column {self.columns[self._time_index]!r}",
                "the time stamps do not advance, so there is no sample rate",
                "state a rate instead of time_column, or another column",
            )
        return rate_hz

    def _first_stamps_s(self, head: Sequence[str]) -> NDArray[np.float64]:
        first = self._layout.first_row
        rows = [
            "" if line.lstrip().startswith(self._layout.comments) else line
            for line in head[first : first + _RATE_ROWS]
        ]
        data = "\n".join(rows).encode(self._layout.chunk_encoding, errors="replace")
        parser = TableParser(self._path, self._layout, (), self._time_index, self._time_format)
        stamps = parser.parse(Chunk(first + 1, data, is_last=False)).stamps
        if stamps is None or stamps.size == 0:
            return np.empty(0)
        return seconds_since(stamps, stamps[0], self._options.time_unit_s)

    def _expect_samples(self, head: TextHead) -> int | None:
        size = text_size(self._path)
        if size is None:
            return None
        rows = round(len(head.lines) * size / head.n_bytes) - self._layout.first_row
        begin, end = _row_range(self._options, self.rate_hz)
        return max(0, int(min(end, rows)) - begin)


def _row_range(clock: ClockOptions, rate_hz: float) -> tuple[int, float]:
    """Rows that the stated part of an evenly sampled recording spans, [begin, end)."""
    begin = math.ceil((clock.from_s or 0.0) * rate_hz - _EDGE)
    end = math.inf if clock.to_s is None else math.ceil(clock.to_s * rate_hz - _EDGE)
    return begin, end


class _Part:
    """The part of a recording between `from` and `to`, and its clock."""

    def __init__(self, clock: ClockOptions, rate_hz: float) -> None:
        self._clock = clock
        self._rate_hz = rate_hz
        self._begin, self._end = _row_range(clock, rate_hz)
        self._meter = ClockMeter()
        self._first_stamp: np.int64 | np.float64 | None = None
        self.rows = 0
        self.kept = 0
        self.span_s = 0.0
        self.to_text = "the end" if clock.to_s is None else f"{clock.to_s:g} s"

    def cut(self, tables: Iterable[Table]) -> Iterator[RawBlock]:
        """The samples inside the part; stops where the rest lies behind it."""
        for table in tables:
            block, done = self._cut(table)
            if block.samples.shape[1]:
                self.kept += block.samples.shape[1]
                yield block
            if done:
                return

    def _cut(self, table: Table) -> tuple[RawBlock, bool]:
        start, n = self.rows, table.samples.shape[1]
        self.rows += n
        if table.stamps is None or n == 0:
            self.span_s = self.rows / self._rate_hz
            begin = min(max(self._begin - start, 0), n)
            end = int(min(max(self._end - start, 0), n))
            return RawBlock(table.samples[:, begin:end], None), self.rows >= self._end
        if self._first_stamp is None:
            self._first_stamp = table.stamps[0]
        time_s = seconds_since(table.stamps, self._first_stamp, self._clock.time_unit_s)
        self.span_s = max(self.span_s, float(time_s.max()))
        return self._cut_stamped(table.samples, time_s)

    def _cut_stamped(
        self, samples: NDArray[np.float64], time_s: NDArray[np.float64]
    ) -> tuple[RawBlock, bool]:
        edge_s = _EDGE / self._rate_hz
        from_s = -math.inf if self._clock.from_s is None else self._clock.from_s - edge_s
        to_s = math.inf if self._clock.to_s is None else self._clock.to_s - edge_s
        inside = (time_s >= from_s) & (time_s < to_s)
        if not inside.all():
            samples, time_s = samples[:, inside], time_s[inside]
        self._meter.feed(time_s)
        return RawBlock(samples, time_s), bool(not inside.any() and self.kept)

    def summary(self) -> ClockSummary:
        """The clock of the part, after its last block."""
        if self._first_stamp is None:
            return even_clock(self._begin, self.kept, self._rate_hz)
        return self._meter.summary(self._rate_hz)


def _parsed(parser: TableParser, chunks: Iterable[Chunk]) -> Iterator[Table]:
    """Tables in file order, parsed by a few threads; at most one chunk waits for each."""
    waiting: deque[Future[Table]] = deque()
    with ThreadPoolExecutor(_PARSE_THREADS) as pool:
        for chunk in chunks:
            waiting.append(pool.submit(parser.parse, chunk))
            if len(waiting) > _PARSE_THREADS:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _regrouped(blocks: Iterable[RawBlock]) -> Iterator[RawBlock]:
    """Blocks of about BLOCK_ROWS rows from smaller ones."""
    held: list[RawBlock] = []
    rows = 0
    for block in blocks:
        held.append(block)
        rows += block.samples.shape[1]
        if rows >= BLOCK_ROWS:
            yield _joined(held)
            held, rows = [], 0
    if held:
        yield _joined(held)


def _joined(blocks: list[RawBlock]) -> RawBlock:
    stamps = [block.time_s for block in blocks if block.time_s is not None]
    return RawBlock(
        np.concatenate([block.samples for block in blocks], axis=1),
        np.concatenate(stamps) if stamps else None,
    )
