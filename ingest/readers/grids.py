"""When the samples of each column were taken: by a stated rate, by stamps, by the file's word."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ingest.errors import RecordingError
from ingest.readers.clock import estimate_rate_hz, seconds_since
from ingest.readers.columns import find_column
from ingest.readers.tables import TableSource, TimeColumn
from ingest.recording import ISO, ClockOptions

# Rates of a group's columns this close are one: a float's digits, not a clock's.
_SAME_RATE = 1e-9


@dataclass(frozen=True)
class Grid:
    """Moments of the samples that columns of one group share."""

    group: int
    time: TimeColumn | None
    rate_hz: float


class Grids:
    """The grid of any column of a source, looked up once."""

    def __init__(self, path: Path, source: TableSource, clock: ClockOptions) -> None:
        self._path = path
        self._source = source
        self._clock = clock
        self._own = {
            find_column(source.columns, column, path): rate_hz
            for column, rate_hz in clock.column_rates_hz
        }
        self._stamped: dict[int, Grid | None] = {}  # by group
        if clock.time_column is not None and not self._in_groups(clock.time_column):
            find_column(source.columns, clock.time_column, path)  # says what is wrong

    def of(self, index: int) -> Grid:
        """The grid of one column.

        Raises RecordingError where nothing tells it, or the stamps do not advance.
        """
        group = self._source.groups[index]
        if index in self._own:
            return Grid(group, None, self._own[index])
        if self._clock.rate_hz is not None:
            return Grid(group, None, self._clock.rate_hz)
        stated = self._source.rates_hz[index] if self._clock.rate_in_file else None
        if stated is not None:
            return Grid(group, None, stated)
        if group not in self._stamped:
            self._stamped[group] = self._stamped_grid(group)
        grid = self._stamped[group]
        if grid is None:
            raise self._untold(index)
        return grid

    def _time_index(self, group: int) -> int | None:
        """The time column of a group, where the clock goes by one."""
        wanted = self._clock.time_column
        if wanted is None and not self._clock.rate_in_file:
            return None
        named = [] if wanted is None else self._in_groups(wanted)
        own = [i for i in (*named, *self._source.clocks) if self._source.groups[i] == group]
        return own[0] if own else None

    def _in_groups(self, wanted: str | int) -> list[int]:
        """Columns that `time_column` can mean: one a group at most, where it is a name."""
        columns, groups = self._source.columns, self._source.groups
        if isinstance(wanted, int):
            return [wanted] if wanted < len(columns) else []
        found = [i for i, name in enumerate(columns) if name == wanted]
        return found if len({groups[i] for i in found}) == len(found) else []

    def _stamped_grid(self, group: int) -> Grid | None:
        index = self._time_index(group)
        if index is None:
            return None
        stated = self._clock.time_format
        if stated is None and not self._source.stamps_are_numbers(index):
            stated = ISO
        time = TimeColumn(index, stated)
        stamps = self._source.first_stamps(time)
        first = stamps[0] if stamps.size else np.float64(0.0)
        rate_hz = estimate_rate_hz(seconds_since(stamps, first, self._clock.time_unit_s))
        if rate_hz is None:
            raise RecordingError(
                self._path,
                f"column {self._source.columns[index]!r}",
                "the time stamps do not advance, so there is no sample rate",
                "state a rate instead of time_column, or another column",
            )
        return Grid(group, time, rate_hz)

    def _untold(self, index: int) -> RecordingError:
        name = self._source.columns[index]
        if self._clock.rate_in_file:
            return RecordingError(
                self._path,
                f"column {name!r}",
                "the file does not state its sample rate",
                "state rate or time_column under [sampling]",
            )
        return RecordingError(
            self._path,
            f"column {name!r}",
            "it does not stand beside the time column, so nothing tells its sample rate",
            "state rate in its [[channel]] table",
        )


def same_rate(first_hz: float, second_hz: float) -> bool:
    """Whether two rates are one."""
    return abs(first_hz / second_hz - 1.0) < _SAME_RATE
