"""Several files of one run, one after the other as if they were one."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from ingest.errors import RecordingError
from ingest.readers.tables import Stamps, Table, TableSource, TimeColumn


class JoinedSource:
    """Source of tables from files with the same columns, in the order stated."""

    def __init__(self, paths: Sequence[Path], sources: Sequence[TableSource]) -> None:
        self._parts = tuple(zip(paths, sources, strict=True))
        first = sources[0]
        for path, source in self._parts[1:]:
            _require_alike(paths[0], first, path, source)
        names = dict.fromkeys(source.reader for source in sources)
        self.reader = f"{' and '.join(names)}, {len(sources)} files joined"
        self.columns, self.units = first.columns, first.units
        self.groups, self.rates_hz, self.clocks = first.groups, first.rates_hz, first.clocks

    def rows(self, column: int) -> int | None:
        """Samples of a column in all files; None where one does not tell."""
        rows = [source.rows(column) for _, source in self._parts]
        known = [n for n in rows if n is not None]
        return sum(known) if len(known) == len(rows) else None

    def stamps_are_numbers(self, column: int) -> bool:
        """As in the first file."""
        return self._parts[0][1].stamps_are_numbers(column)

    def first_stamps(self, time: TimeColumn) -> Stamps:
        """From the beginning of the first file."""
        return self._parts[0][1].first_stamps(time)

    @contextmanager
    def opened(
        self, wanted: tuple[int, ...], time: TimeColumn | None
    ) -> Iterator[tuple[Iterator[Table], Callable[[], tuple[str, ...]]]]:
        """The tables of all files, and the SHA-256 of each."""
        digests: list[str] = []
        yield self._tables(wanted, time, digests), lambda: self._all_digests(digests, wanted)

    def _tables(
        self, wanted: tuple[int, ...], time: TimeColumn | None, digests: list[str]
    ) -> Iterator[Table]:
        last: np.int64 | np.float64 | None = None
        asked = wanted if time is None else (*wanted, time.index)
        for place, (path, source) in enumerate(self._parts):
            with source.opened(wanted, time) as (tables, digest):
                if len({source.groups[index] for index in asked}) > 1:
                    raise self._apart(path, asked)
                is_first = True
                for table in tables:
                    stamps = table.stamps
                    if stamps is not None and len(stamps):
                        if is_first and last is not None and stamps[0] <= last:
                            raise self._begins_again(place, self.columns[time.index if time else 0])
                        last, is_first = stamps[-1], False
                    yield table
                digests.extend(digest())

    def _begins_again(self, place: int, column: str) -> RecordingError:
        path, before = self._parts[place][0], self._parts[place - 1][0]
        return RecordingError(
            path,
            f"column {column!r}",
            f"the time stamps do not go on where those of {before.name} end",
            "list the files in the order they were recorded; where each begins at zero, state a "
            "rate instead of time_column",
        )

    def _apart(self, path: Path, asked: Sequence[int]) -> RecordingError:
        names = ", ".join(repr(self.columns[index]) for index in asked[:5])
        return RecordingError(
            path,
            f"columns {names}",
            f"they do not share their samples' times, as they do in {self._parts[0][0].name}",
            "check that all of them were written to the end, or leave out the one that was not",
        )

    def _all_digests(self, digests: list[str], wanted: tuple[int, ...]) -> tuple[str, ...]:
        """Those of files the reading did not come to, too: `to` may lie before them."""
        for _, source in self._parts[len(digests) :]:
            with source.opened(wanted, None) as (_, digest):
                digests.extend(digest())
        return tuple(digests)


def _require_alike(first_path: Path, first: TableSource, path: Path, source: TableSource) -> None:
    if source.columns != first.columns:
        own, other = set(source.columns), set(first.columns)
        lost, more = sorted(other - own), sorted(own - other)
        differs = [f"it lacks {', '.join(lost[:5])}"] if lost else []
        differs += [f"it has {', '.join(more[:5])} besides"] if more else []
        raise RecordingError(
            path,
            "",
            f"its columns are not those of {first_path.name}: "
            + (" and ".join(differs) or "they stand in another order"),
            "join only files that one logger wrote for one run",
        )
    if (source.units, source.rates_hz) != (first.units, first.rates_hz):
        raise RecordingError(
            path,
            "",
            f"its units or sample rates are not those of {first_path.name}",
            "join only files that one logger wrote for one run",
        )
