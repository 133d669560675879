"""A recording made of tables: its clock, the part that is used, blocks of even size."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ingest.errors import RecordingError, RecordUseError
from ingest.readers.clock import ClockMeter, estimate_rate_hz, even_clock, seconds_since
from ingest.readers.columns import find_column
from ingest.readers.tables import Table, TableSource, TimeColumn
from ingest.recording import ISO, ClockOptions, ClockSummary, RawBlock

# Rows of one block: long against a segment's overlap, 17 MB with 32 channels.
BLOCK_ROWS = 65_536
# Part of a sample interval by which a stamp may miss an edge of the stated part and belong to it.
_EDGE = 1e-3


class TableRecording:
    """One opened recording, whatever its format."""

    def __init__(self, path: Path, source: TableSource, clock: ClockOptions) -> None:
        self._path = path
        self._source = source
        self._options = clock
        self.reader = source.reader
        self.columns = source.columns
        self.units = source.units
        self._time = self._find_time()
        self.rate_hz = self._find_rate_hz()
        self._sha256: str | None = None
        self._clock: ClockSummary | None = None

    @property
    def expected_samples(self) -> int | None:
        """Samples to come, to a few per cent; None if unknown."""
        rows = self._source.rows(0 if self._time is None else self._time.index)
        if rows is None:
            return None
        begin, end = _row_range(self._options, self.rate_hz)
        return max(0, int(min(end, rows)) - begin)

    @property
    def sha256(self) -> str:
        """Hex digest of the bytes on disk; known after the last block."""
        if self._sha256 is None:
            raise RecordUseError(f"{self._path}: the SHA-256 is known only after the last block")
        return self._sha256

    @property
    def clock(self) -> ClockSummary:
        """How even the sampling was; known after the last block."""
        if self._clock is None:
            raise RecordUseError(f"{self._path}: the clock is known only after the last block")
        return self._clock

    def blocks(self, wanted: Sequence[str | int]) -> Iterator[RawBlock]:
        """Samples of the wanted columns, in their order, about 65k rows at a time.

        Raises
        ------
        RecordingError
            A column is missing, the file is damaged or holds text where numbers are wanted, every
            sample of a column is missing, or nothing lies between `from` and `to`.
        """
        indices = tuple(self._find_channel(column) for column in wanted)
        part = _Part(self._options, self.rate_hz)
        seen = np.zeros(len(indices), dtype=bool)
        with self._source.opened(indices, self._time) as (tables, digest):
            for block in _regrouped(part.cut(tables)):
                if not seen.all():
                    seen |= np.isfinite(block.samples).any(axis=1)
                yield block
            self._sha256 = digest()
        self._clock = part.summary()
        self._check_read(part, indices, seen)

    def _find_channel(self, column: str | int) -> int:
        index = find_column(self.columns, column, self._path)
        if self._time is not None and self._time.format is not None and self._time.index == index:
            raise RecordingError(
                self._path,
                f"column {self.columns[index]!r}",
                "this is the time column and holds no samples",
                "name another column for the channel",
            )
        return index

    def _check_read(self, part: _Part, indices: Sequence[int], seen: NDArray[np.bool_]) -> None:
        if part.kept == 0:
            to = "the end" if self._options.to_s is None else f"{self._options.to_s:g} s"
            raise RecordingError(
                self._path,
                "",
                f"no samples from {self._options.from_s or 0.0:g} s to {to}",
                f"the recording holds {part.rows} samples over {part.span_s:g} s; "
                "state `from` and `to` inside it",
            )
        if not seen.all():
            name = self.columns[indices[int(np.argmin(seen))]]
            raise RecordingError(
                self._path,
                f"column {name!r}",
                f"every sample is missing ({part.kept} of {part.kept})",
                "leave the channel out of the run sheet, or check `missing` and the sensor",
            )

    def _find_time(self) -> TimeColumn | None:
        if self._options.time_column is None:
            return None
        index = find_column(self.columns, self._options.time_column, self._path)
        stated = self._options.time_format
        if stated is None and not self._source.stamps_are_numbers(index):
            return TimeColumn(index, ISO)
        return TimeColumn(index, stated)

    def _find_rate_hz(self) -> float:
        if self._options.rate_hz is not None:
            return float(self._options.rate_hz)
        if self._time is None:
            raise RecordingError(
                self._path, "", "the sample rate is unknown", "state a rate or a time_column"
            )
        stamps = self._source.first_stamps(self._time)
        first = stamps[0] if stamps.size else np.float64(0.0)
        rate_hz = estimate_rate_hz(seconds_since(stamps, first, self._options.time_unit_s))
        if rate_hz is None:
            raise RecordingError(
                self._path,
                f"column {self.columns[self._time.index]!r}",
                "the time stamps do not advance, so there is no sample rate",
                "state a rate instead of time_column, or another column",
            )
        return rate_hz


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

    def cut(self, tables: Iterable[Table]) -> Iterator[RawBlock]:
        """The samples inside the part; stops where the rest lies behind it."""
        for table in tables:
            if table.samples.shape[1] == 0:
                continue
            block, is_behind = self._cut(table)
            if block.samples.shape[1]:
                self.kept += block.samples.shape[1]
                yield block
            if is_behind:
                return

    def _cut(self, table: Table) -> tuple[RawBlock, bool]:
        start, n = self.rows, table.samples.shape[1]
        self.rows += n
        if table.stamps is not None:
            return self._cut_stamped(table.samples, self._seconds(table.stamps))
        self.span_s = self.rows / self._rate_hz
        begin = min(max(self._begin - start, 0), n)
        end = int(min(max(self._end - start, 0), n))
        return RawBlock(table.samples[:, begin:end], None), self.rows >= self._end

    def _seconds(self, stamps: NDArray[np.int64] | NDArray[np.float64]) -> NDArray[np.float64]:
        if self._first_stamp is None:
            self._first_stamp = stamps[0]
        time_s = seconds_since(stamps, self._first_stamp, self._clock.time_unit_s)
        self.span_s = max(self.span_s, float(time_s.max()))
        return time_s

    def _cut_stamped(
        self, samples: NDArray[np.float64], time_s: NDArray[np.float64]
    ) -> tuple[RawBlock, bool]:
        edge_s = _EDGE / self._rate_hz
        from_s = -math.inf if self._clock.from_s is None else self._clock.from_s - edge_s
        to_s = math.inf if self._clock.to_s is None else self._clock.to_s - edge_s
        inside = (time_s >= from_s) & (time_s < to_s)
        is_behind = bool(time_s.min() >= to_s)
        if not inside.all():
            samples, time_s = samples[:, inside], time_s[inside]
        self._meter.feed(time_s)
        return RawBlock(samples, time_s), is_behind

    def summary(self) -> ClockSummary:
        """The clock of the part, after its last block."""
        if self._first_stamp is None:
            return even_clock(self._begin, self.kept, self._rate_hz)
        return self._meter.summary(self._rate_hz)


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
