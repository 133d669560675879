"""What a format gives and a recording makes of it: tables of samples with their raw stamps."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Stamps = NDArray[np.int64] | NDArray[np.float64]


@dataclass(frozen=True)
class Table:
    """Consecutive samples and, where there is a time column, their raw stamps."""

    samples: NDArray[np.float64]  # (n_wanted, n), NaN where missing
    stamps: Stamps | None  # (n,) nanoseconds, or numbers in the time column's own unit


@dataclass(frozen=True)
class TimeColumn:
    """Where the time stamps stand and how they are written."""

    index: int
    format: str | None  # None: numbers; else "iso" or a strftime pattern


class TableSource(Protocol):
    """One file of one format, of which no more than the beginning has been read."""

    @property
    def reader(self) -> str:
        """Name of the format, for the provenance."""

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of all columns; the index as text where there is no name."""

    @property
    def units(self) -> tuple[str, ...] | None:
        """Units as the file states them, one per column."""

    @property
    def groups(self) -> tuple[int, ...]:
        """Of each column, which group it belongs to: columns of one share their samples' times."""

    @property
    def rates_hz(self) -> tuple[float | None, ...]:
        """Sample rate of each column, where the file itself states it."""

    @property
    def clocks(self) -> tuple[int, ...]:
        """Columns that the file itself marks as its groups' time stamps."""

    def rows(self, column: int) -> int | None:
        """Samples of a column, to a few per cent; None where the file does not tell."""

    def stamps_are_numbers(self, column: int) -> bool:
        """Whether the first entry of the column is a number, not a written time."""

    def first_stamps(self, time: TimeColumn) -> Stamps:
        """Some thousand stamps from the beginning."""

    def opened(
        self, wanted: tuple[int, ...], time: TimeColumn | None
    ) -> AbstractContextManager[tuple[Iterator[Table], Callable[[], tuple[str, ...]]]]:
        """The tables from the first sample on, and the SHA-256 of each file.

        The wanted columns and the time column belong to one group.
        """
