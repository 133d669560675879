"""What every reader of recordings takes and gives: options, blocks, clock, the protocol."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

Orientation = Literal["columns", "rows"]
ISO = "iso"  # the one time format that has a name instead of a pattern


@dataclass(frozen=True)
class FileOptions:
    """How a delimited text is laid out, as stated; None or empty means: find out.

    Row numbers count the lines of the file from zero, so a header may lie inside the skipped rows.
    """

    delimiter: str | None = None  # one character; " " stands for any run of blanks
    decimal: str | None = None
    encoding: str | None = None
    skip_rows: int | None = None  # lines at the top that hold neither header nor samples
    header_row: int | None = None
    units_row: int | None = None
    comment: str | None = None
    missing: tuple[str, ...] = ()  # markers besides the usual ones
    orientation: Orientation | None = None  # "rows": one channel a row


@dataclass(frozen=True)
class ClockOptions:
    """When the samples were taken: a stated rate, or a column of time stamps."""

    rate_hz: float | None = None
    rate_in_file: bool = False  # the rate is the one that the file itself states
    time_column: str | int | None = None
    time_unit_s: float = 1.0  # seconds per unit of a numeric time column
    time_format: str | None = None  # None: numbers, or ISO 8601 where they are text
    from_s: float | None = None  # after the recording's first sample; the part used is
    to_s: float | None = None  # from_s <= t < to_s
    # Columns that were sampled at a rate of their own, and the rate all are brought to.
    column_rates_hz: tuple[tuple[str | int, float], ...] = ()
    resample_to_hz: float | None = None


@dataclass(frozen=True)
class RawBlock:
    """Consecutive samples in the recording's own units."""

    samples: NDArray[np.float64]  # (n_wanted, n), finite, or NaN where missing
    time_s: NDArray[np.float64] | None  # (n,) since the first sample; None without time stamps
    # Of each wanted column what was logged meanwhile, where the samples are resampled.
    logged: tuple[NDArray[np.float64], ...] | None = None


@dataclass(frozen=True)
class ClockSummary:
    """How even the sampling was over the part of the recording that was used.

    Times and rates are the logger's, also where the samples are resampled.
    """

    n: int
    stamped: bool  # False: no time column, all below follows from the stated rate
    first_s: float  # seconds after the recording's first sample
    last_s: float
    measured_rate_hz: float  # from the span, gaps taken out
    median_step_s: float
    smallest_step_s: float
    largest_step_s: float
    jitter_s: float  # r.m.s. deviation of the steps from their median, gaps left out
    gaps: int  # steps longer than 1.5 usual steps
    lost_samples: int  # that would fit into the gaps
    repeated: int  # stamps equal to the one before
    backward: int  # stamps earlier than the one before
    rate_change: float = 0.0  # of the rate from the first sample to the last, as a share
    rate_change_error: float = 0.0  # its standard error


class Recording(Protocol):
    """One opened recording; its samples can be read once."""

    @property
    def reader(self) -> str:
        """Name of the reader that took the file, for the provenance."""

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of all columns in file order; the index as text where there is no name."""

    @property
    def units(self) -> tuple[str, ...] | None:
        """Units as the file states them, one per column, or None."""

    @property
    def rate_hz(self) -> float:
        """Of the samples it gives: stated, or estimated from the first time stamps."""

    def logged_rate_hz(self, column: str | int) -> float:
        """Rate at which a column was logged."""

    def rate_in_file_hz(self, column: str | int) -> float | None:
        """Rate of a column as the file itself states it; None where it does not."""

    def reach_hz(self, column: str | int) -> float:
        """Highest frequency that a column's sampling, and resampling, lets through."""

    @property
    def expected_samples(self) -> int | None:
        """Samples to come, to a few per cent, judged from the file's size; None if unknown."""

    def blocks(self, wanted: Sequence[str | int]) -> Iterator[RawBlock]:
        """Samples of the wanted columns, in their order, in bounded memory."""

    @property
    def sha256(self) -> tuple[str, ...]:
        """Hex digest of each file's bytes on disk; known after the last block."""

    @property
    def clock(self) -> ClockSummary:
        """How even the sampling was, of the fastest columns; known after the last block."""

    @property
    def slower_clocks(self) -> tuple[tuple[float, ClockSummary], ...]:
        """Rate used and clock of the other columns, where they have clocks of their own."""
