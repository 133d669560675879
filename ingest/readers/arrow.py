"""Feather files (Arrow IPC files) and Arrow IPC streams, through pyarrow."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from ingest.errors import RecordingError
from ingest.readers.array_source import ArraySource, Columns, block_rows
from ingest.readers.arrow_batches import FILE_MAGIC, batches_in
from ingest.readers.arrow_columns import ArrowColumns, check_rows
from ingest.readers.outside_library import (
    library_call,
    load_library,
    refuse_absurd_length,
)
from ingest.readers.tables import TableSource
from ingest.recording import FileOptions

# A batch is unpacked whole: this much in any file, in a larger one as much as the file has.
_BATCH_BYTES = 1 << 26


def open_arrow(path: Path, file: FileOptions) -> TableSource:
    """Open a Feather file (version 2) or an Arrow stream; its columns are the channels.

    Raises
    ------
    RecordingError
        pyarrow is missing, or the file is damaged or of Feather's first version.
    """
    return ArraySource(path, _ArrowFile(path), file)


class _ArrowFile:
    """The columns of one file or stream."""

    def __init__(self, path: Path) -> None:
        self._path = path
        with library_call(path), open(path, "rb") as raw:
            magic = raw.read(len(FILE_MAGIC))
        if magic.startswith(b"FEA1"):
            raise RecordingError(
                path,
                "",
                "this is a Feather file of the first version, given up in 2020",
                "write it anew as Feather version 2 or as Parquet",
            )
        self._is_file = magic == FILE_MAGIC
        self.reader = "Feather" if self._is_file else "Arrow stream"
        what = "a Feather file" if self._is_file else "an Arrow stream"
        self._pa = load_library(path, what, "pyarrow")
        self._ipc = load_library(path, what, "pyarrow.ipc")
        with library_call(path):
            self._batch_rows = batches_in(path)
        self._n = sum(self._batch_rows)
        with library_call(path), self._opened(None) as opened:
            self._schema = ArrowColumns(self._pa, opened.schema, self._n)
        self.columns = self._schema.described

    @contextmanager
    def _opened(self, fields: list[int] | None) -> Iterator[Any]:
        options = self._ipc.IpcReadOptions(included_fields=fields)
        with self._pa.OSFile(str(self._path)) as file:
            opener = self._ipc.open_file if self._is_file else self._ipc.open_stream
            with opener(file, options=options) as reader:
                yield reader

    @contextmanager
    def blocks(self, wanted: tuple[int, ...]) -> Iterator[Iterator[Columns]]:
        """Consecutive samples of columns."""
        refuse_absurd_length(self._path, "", self._n)
        rows = max(self._batch_rows, default=0)
        unpacked = rows * self._schema.row_bytes(wanted)
        if unpacked > max(_BATCH_BYTES, self._path.stat().st_size):
            raise RecordingError(
                self._path,
                "",
                f"a batch of {rows} rows would unpack to {unpacked >> 20} MB",
                "write the file in batches of some 65,536 rows",
            )
        fields = sorted(set(wanted))
        with ExitStack() as stack:
            with library_call(self._path):
                reader = stack.enter_context(self._opened(fields))
            yield self._read(reader, [fields.index(index) for index in wanted])

    def _read(self, reader: Any, places: list[int]) -> Iterator[Columns]:
        read, most = 0, block_rows(8 * len(places))
        for number, rows in enumerate(self._batch_rows):
            with library_call(self._path, f"batch {number}"):
                batch = reader.get_batch(number) if self._is_file else reader.read_next_batch()
                check_rows(self._path, batch.num_rows, rows)
            for start in range(0, batch.num_rows, most):
                with library_call(self._path, f"row {read + start}"):
                    block = self._schema.block(batch.slice(start, most), places)
                yield block
            read += batch.num_rows
