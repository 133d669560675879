"""The part of a recording that is used, cut out of one stream of tables, and its clock."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from ingest.readers.clock import ClockMeter, even_clock, seconds_since
from ingest.readers.tables import Stamps, Table
from ingest.recording import ClockOptions, ClockSummary, RawBlock

# Rows of one block: long against a segment's overlap, 17 MB with 32 channels; with more channels
# fewer rows, since several blocks are in the making at a time.
BLOCK_ROWS, BLOCK_VALUES = 65_536, 1 << 21
# Part of a sample interval by which a stamp may miss an edge of the stated part and belong to it.
_EDGE = 1e-3


def row_range(clock: ClockOptions, rate_hz: float) -> tuple[int, float]:
    """Rows that the stated part of an evenly sampled recording spans, [begin, end)."""
    begin = math.ceil((clock.from_s or 0.0) * rate_hz - _EDGE)
    end = math.inf if clock.to_s is None else math.ceil(clock.to_s * rate_hz - _EDGE)
    return begin, end


class Part:
    """The part of a recording between `from` and `to`, and its clock."""

    def __init__(self, clock: ClockOptions, rate_hz: float) -> None:
        self._clock = clock
        self.rate_hz = rate_hz
        self._begin, self._end = row_range(clock, rate_hz)
        self._meter = ClockMeter()
        self.first_stamp: np.int64 | np.float64 | None = None  # of the recording
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
        self.span_s = self.rows / self.rate_hz
        begin = min(max(self._begin - start, 0), n)
        end = int(min(max(self._end - start, 0), n))
        is_whole = (begin, end) == (0, n)
        samples = table.samples if is_whole else table.samples[:, begin:end]
        return RawBlock(samples, None), self.rows >= self._end

    def _seconds(self, stamps: Stamps) -> NDArray[np.float64]:
        if self.first_stamp is None:
            self.first_stamp = stamps[0]
        time_s = seconds_since(stamps, self.first_stamp, self._clock.time_unit_s)
        self.span_s = max(self.span_s, float(time_s.max()))
        return time_s

    def _cut_stamped(
        self, samples: NDArray[np.float64], time_s: NDArray[np.float64]
    ) -> tuple[RawBlock, bool]:
        edge_s = _EDGE / self.rate_hz
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
        if self.first_stamp is None:
            return even_clock(self._begin, self.kept, self.rate_hz)
        return self._meter.summary(self.rate_hz)

    def starts_s(self, origin: np.int64 | np.float64 | None) -> float:
        """Moment of the first sample kept, after a stamp that several streams count from."""
        if self.first_stamp is None or origin is None:
            return self._begin / self.rate_hz
        first = np.array([self.first_stamp])
        offset_s = float(seconds_since(first, origin, self._clock.time_unit_s)[0])
        return offset_s + self._meter.first_s


def regrouped(blocks: Iterable[RawBlock]) -> Iterator[RawBlock]:
    """Blocks of about BLOCK_ROWS rows, or BLOCK_VALUES samples, from smaller ones."""
    held: list[RawBlock] = []
    rows = 0
    for block in blocks:
        held.append(block)
        rows += block.samples.shape[1]
        if rows >= min(BLOCK_ROWS, BLOCK_VALUES // max(len(block.samples), 1)):
            yield _joined(held)
            held, rows = [], 0
    if held:
        yield _joined(held)


def _joined(blocks: list[RawBlock]) -> RawBlock:
    """One block, whose samples whoever asked for it may change."""
    flags = blocks[0].samples.flags
    if len(blocks) == 1 and flags.owndata and flags.c_contiguous and flags.writeable:
        return blocks[0]
    stamps = [block.time_s for block in blocks if block.time_s is not None]
    return RawBlock(
        np.concatenate([block.samples for block in blocks], axis=1),
        np.concatenate(stamps) if stamps else None,
    )
