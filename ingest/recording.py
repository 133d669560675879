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
    time_column: str | int | None = None
    time_unit_s: float = 1.0  # seconds per unit of a numeric time column
    time_format: str | None = None  # None: numbers, or ISO 8601 where they are text
    from_s: float | None = None  # after the recording's first sample; the part used is
    to_s: float | None = None  # from_s <= t < to_s


@dataclass(frozen=True)
class RawBlock:
    """Consecutive samples in the recording's own units."""

    samples: NDArray[np.float64]  # (n_wanted, n), finite, or NaN where missing
    time_s: NDArray[np.float64] | None  # (n,) since the first sample; None without time stamps


@dataclass(frozen=True)
class ClockSummary:
    """How even the sampling was over the part of the recording that was used."""

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
        """Sample rate as stated, or estimated from the first time stamps."""

    @property
    def expected_samples(self) -> int | None:
        """Samples to come, to a few per cent, judged from the file's size; None if unknown."""

    def blocks(self, wanted: Sequence[str | int]) -> Iterator[RawBlock]:
        """Samples of the wanted columns, in their order, in bounded memory."""

    @property
    def sha256(self) -> str:
        """Hex digest of the bytes on disk; known after the last block."""

    @property
    def clock(self) -> ClockSummary:
        """How even the sampling was; known after the last block."""
