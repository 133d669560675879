"""A recording made of tables: its clocks, the part that is used, blocks of even size."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ingest.errors import RecordingError, RecordUseError
from ingest.readers.columns import find_column
from ingest.readers.grids import Grid, Grids, same_rate
from ingest.readers.part import Part, regrouped, row_range
from ingest.readers.resampled import Stream, brought_to_one_rate
from ingest.readers.resampling import PASS_SHARE
from ingest.readers.tables import TableSource
from ingest.recording import ClockOptions, ClockSummary, RawBlock


class TableRecording:
    """One opened recording, whatever its format.

    `wanted` are the columns that the record will be made of; all of them where it is None.
    """

    def __init__(
        self,
        path: Path,
        source: TableSource,
        clock: ClockOptions,
        wanted: Sequence[str | int] | None = None,
    ) -> None:
        self._path = path
        self._source = source
        self._options = clock
        self.reader = source.reader
        self.columns = source.columns
        self.units = source.units
        self._grids = Grids(path, source, clock)
        if clock.rate_hz is None and clock.time_column is None and not clock.rate_in_file:
            raise RecordingError(
                path, "", "the sample rate is unknown", "state a rate or a time_column"
            )
        self._first = self._fastest(range(len(source.columns)) if wanted is None else wanted)
        self.rate_hz = clock.resample_to_hz or self._grids.of(self._first).rate_hz
        self._sha256: tuple[str, ...] | None = None
        self._clocks: tuple[tuple[float, ClockSummary], ...] | None = None

    @property
    def expected_samples(self) -> int | None:
        """Samples to come, to a few per cent; None if unknown."""
        rows = self._source.rows(self._first)
        if rows is None:
            return None
        rate_hz = self._grids.of(self._first).rate_hz
        begin, end = row_range(self._options, rate_hz)
        return max(0, int((min(end, rows) - begin) * self.rate_hz / rate_hz))

    @property
    def sha256(self) -> tuple[str, ...]:
        """Hex digest of each file's bytes on disk; known after the last block."""
        if self._sha256 is None:
            raise RecordUseError(f"{self._path}: the SHA-256 is known only after the last block")
        return self._sha256

    @property
    def clock(self) -> ClockSummary:
        """How even the sampling was, of the fastest columns; known after the last block."""
        return self._known_clocks()[0][1]

    @property
    def slower_clocks(self) -> tuple[tuple[float, ClockSummary], ...]:
        """Rate used and clock of the other columns, where they have clocks of their own."""
        return self._known_clocks()[1:]

    def _known_clocks(self) -> tuple[tuple[float, ClockSummary], ...]:
        if self._clocks is None:
            raise RecordUseError(f"{self._path}: the clock is known only after the last block")
        return self._clocks

    def logged_rate_hz(self, column: str | int) -> float:
        """Rate at which a column was logged."""
        return self._grids.of(self._find_channel(column)).rate_hz

    def rate_in_file_hz(self, column: str | int) -> float | None:
        """Rate of a column as the file itself states it; None where it does not."""
        return self._source.rates_hz[self._find_channel(column)]

    def reach_hz(self, column: str | int) -> float:
        """Highest frequency that a column's sampling, and resampling, lets through."""
        logged_hz = self.logged_rate_hz(column)
        if same_rate(logged_hz, self.rate_hz):
            return 0.5 * self.rate_hz
        return 0.5 * PASS_SHARE * min(logged_hz, self.rate_hz)

    def blocks(self, wanted: Sequence[str | int]) -> Iterator[RawBlock]:
        """Samples of the wanted columns, in their order, about 65k rows at a time.

        Raises
        ------
        RecordingError
            A column is missing, the file is damaged or holds text where numbers are wanted, every
            sample of a column is missing, nothing lies between `from` and `to`, or columns of
            different rates are wanted and none to resample them to is stated.
        """
        indices = tuple(self._find_channel(column) for column in wanted)
        grids: dict[Grid, list[int]] = {}
        for row, index in enumerate(indices):
            grids.setdefault(self._grids.of(index), []).append(row)
        seen = np.zeros(len(indices), dtype=bool)
        parts = [Part(self._options, grid.rate_hz) for grid in grids]
        with ExitStack() as stack:
            streams, digests = [], []
            for (grid, rows), part in zip(grids.items(), parts, strict=True):
                opened = self._source.opened(tuple(indices[row] for row in rows), grid.time)
                tables, digest = stack.enter_context(opened)
                streams.append(Stream(rows, part, part.cut(tables)))
                digests.append(digest)
            for block in self._joined(streams):
                if not seen.all():
                    seen |= np.isfinite(block.samples).any(axis=1)
                yield block
            self._sha256 = digests[0]()
        order = sorted(parts, key=lambda part: -part.rate_hz)
        self._clocks = tuple((part.rate_hz, part.summary()) for part in order)
        self._check_read(parts, indices, seen)

    def _joined(self, streams: list[Stream]) -> Iterator[RawBlock]:
        """The one stream as it is, or all of them at one rate."""
        if len(streams) == 1 and same_rate(streams[0].part.rate_hz, self.rate_hz):
            return regrouped(streams[0].blocks)
        if self._options.resample_to_hz is None:
            rates = ", ".join(f"{rate:g} Hz" for rate in sorted({s.part.rate_hz for s in streams}))
            raise RecordingError(
                self._path,
                "",
                f"the columns have clocks of their own ({rates})",
                "state resample_to under [sampling]: the rate all of them are brought to",
            )
        return brought_to_one_rate(self._path, streams, self.rate_hz)

    def _find_channel(self, column: str | int) -> int:
        index = find_column(self.columns, column, self._path)
        time = self._grids.of(index).time
        if time is not None and time.format is not None and time.index == index:
            raise RecordingError(
                self._path,
                f"column {self.columns[index]!r}",
                "this is the time column and holds no samples",
                "name another column for the channel",
            )
        return index

    def _fastest(self, wanted: Sequence[str | int]) -> int:
        """The wanted column that was sampled fastest, without a word on those that are not there.

        The blocks say so, and where nothing tells a column's rate.
        """
        best: tuple[float, int] | None = None
        fault: RecordingError | None = None
        for column in wanted:
            try:
                index = find_column(self.columns, column, self._path)
                rate_hz = self._grids.of(index).rate_hz
            except RecordingError as error:
                fault = fault or error
                continue
            if best is None or rate_hz > best[0]:
                best = rate_hz, index
        if best is None:
            raise fault or RecordingError(self._path, "", "no column is wanted", "name a channel")
        return best[1]

    def _check_read(
        self, parts: Sequence[Part], indices: Sequence[int], seen: NDArray[np.bool_]
    ) -> None:
        for part in parts:
            if part.rows == 0:
                raise RecordingError(
                    self._path,
                    "",
                    "the recording holds no samples",
                    "check that the logger has saved it",
                )
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
            kept = parts[0].kept
            raise RecordingError(
                self._path,
                f"column {name!r}",
                f"every sample is missing ({kept} of {kept})",
                "leave the channel out of the run sheet, or check `missing` and the sensor",
            )
