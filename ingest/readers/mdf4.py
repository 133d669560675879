"""ASAM MDF 4 files."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from ingest.errors import RecordingError
from ingest.readers.array_source import ArrayColumn, ArraySource, Columns, block_rows
from ingest.readers.mdf4_blocks import BlockFile, Channel, ChannelGroup, DataGroup, data_groups
from ingest.readers.mdf4_records import records
from ingest.readers.mdf4_values import LINEAR, MASTER, VIRTUAL_MASTER, physical, why_refused
from ingest.readers.outside_library import library_call, refuse_absurd_length
from ingest.readers.tables import TableSource
from ingest.recording import FileOptions

_TIME = 1  # cn_sync_type: seconds


def open_mdf4(path: Path, file: FileOptions) -> TableSource:
    """Open an ASAM MDF file of version 4; its channel groups are the groups of columns.

    Raises
    ------
    RecordingError
        The file is of an earlier version, was not finished, or is damaged.
    """
    return ArraySource(path, _Mdf4File(path), file)


class _Placed(NamedTuple):
    data: DataGroup
    group: ChannelGroup
    channel: Channel


class _Mdf4File:
    """The channels of one file."""

    reader = "ASAM MDF 4"

    def __init__(self, path: Path) -> None:
        self._path = path
        with library_call(path), open(path, "rb") as raw:
            self._check_version(raw.read(64))
            groups = data_groups(BlockFile(path, raw))
        self._placed = [
            _Placed(data, group, channel)
            for data in groups
            for group in data.groups
            if not group.holds_one_channel
            for channel in group.channels
        ]
        self.columns = tuple(_columns(groups, self._placed))

    def _check_version(self, identification: bytes) -> None:
        if len(identification) < 64:
            raise RecordingError(
                self._path, "", "the file ends within its first block", "copy the file again"
            )
        version = int.from_bytes(identification[28:30], "little")
        unfinished = int.from_bytes(identification[60:64], "little")
        if not 400 <= version < 500:
            raise RecordingError(
                self._path,
                "",
                f"this is MDF version {version / 100:.2f}, and version 4 is read",
                "convert it to version 4.10",
            )
        if identification.startswith(b"UnFinMF") or unfinished:
            raise RecordingError(
                self._path,
                "",
                "the logger did not finish the file",
                "open it with the logger's software, which finishes it, and save it",
            )

    @contextmanager
    def blocks(self, wanted: tuple[int, ...]) -> Iterator[Iterator[Columns]]:
        """Consecutive samples of channels that share a master."""
        for index in wanted:
            refuse_absurd_length(self._path, self.columns[index].name, self.columns[index].n)
        with library_call(self._path):
            raw = open(self._path, "rb", buffering=0)  # noqa: SIM115 - closed below
        try:
            yield self._read(BlockFile(self._path, raw), [self._placed[i] for i in wanted])
        finally:
            raw.close()

    def _read(self, file: BlockFile, placed: Sequence[_Placed]) -> Iterator[Columns]:
        # Groups whose master stands in another group are read beside it, record by record.
        widths = {p.group.place: p.group.record_bytes for p in placed}
        rows = block_rows(max(sum(widths.values()), 8 * len(placed)))
        streams = {p.group.place: records(file, p.data, p.group, rows) for p in placed}
        first = 0
        while True:
            with library_call(self._path, f"record {first}"):
                found = {place: next(stream, None) for place, stream in streams.items()}
                pieces = {place: piece for place, piece in found.items() if piece is not None}
                if not pieces:
                    return
                n = len(next(iter(pieces.values())))
                if len(pieces) < len(found) or any(len(p) != n for p in pieces.values()):
                    raise ValueError("groups with a common master are not equally long")
                block = [physical(p.channel, p.group, pieces[p.group.place], first) for p in placed]
            yield block
            first += n


def _columns(groups: Sequence[DataGroup], placed: Sequence[_Placed]) -> Iterator[ArrayColumn]:
    numbers = {g.place: i for i, g in enumerate(g for data in groups for g in data.groups)}
    rates = {g.place: _exact_rate_hz(g) for data in groups for g in data.groups}
    for _, group, channel in placed:
        owner = group.master_place if group.master_place in numbers else group.place
        is_time = channel.kind in (MASTER, VIRTUAL_MASTER) and channel.sync == _TIME
        rate_hz = None if is_time else rates[owner]
        unit = channel.unit or ("s" if is_time else None)
        yield ArrayColumn(
            channel.name,
            group.cycles,
            unit,
            numbers[owner],
            rate_hz,
            is_time,
            why_refused(channel, group),
        )


def _exact_rate_hz(group: ChannelGroup) -> float | None:
    """Of a group whose times are not stored but follow from the records' numbers."""
    for channel in group.channels:
        rule = channel.conversion
        if channel.kind == VIRTUAL_MASTER and channel.sync == _TIME and rule is not None:
            step_s = rule.values[1] if rule.kind == LINEAR and len(rule.values) > 1 else 0.0
            return 1.0 / step_s if step_s > 1e-12 else None
    return None
