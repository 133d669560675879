"""Parquet files, through pyarrow."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ingest.errors import RecordingError
from ingest.readers.array_source import ArraySource, Columns, block_rows
from ingest.readers.arrow_columns import ArrowColumns, check_rows
from ingest.readers.outside_library import (
    library_call,
    load_library,
    refuse_absurd_length,
)
from ingest.readers.parquet_pages import page_bytes
from ingest.readers.tables import TableSource
from ingest.recording import FileOptions

# Read ahead, per column.
_BUFFER_BYTES = 1 << 18
# A page is unpacked whole, one of each column at a time: this much, and as much as the file has.
# Usual pages have 1 MB.
_PAGES_BYTES = 1 << 27


def open_parquet(path: Path, file: FileOptions) -> TableSource:
    """Open a Parquet file; its columns are the channels.

    Raises
    ------
    RecordingError
        pyarrow is missing, or the file is damaged or encrypted.
    """
    return ArraySource(path, _ParquetFile(path), file)


class _ParquetFile:
    """The columns of one file."""

    reader = "Parquet"

    def __init__(self, path: Path) -> None:
        self._path = path
        self._pa = load_library(path, "a Parquet file", "pyarrow")
        self._parquet = load_library(path, "a Parquet file", "pyarrow.parquet")
        with library_call(path), open(path, "rb") as raw:
            if raw.read(4) == b"PARE":
                raise RecordingError(path, "", "the file is encrypted", "save it without a key")
        with library_call(path), self._opened() as file:
            self._n = int(file.metadata.num_rows)
            self._schema = ArrowColumns(self._pa, file.schema_arrow, self._n)
        self.columns = self._schema.described

    def _opened(self) -> Any:
        return self._parquet.ParquetFile(
            self._pa.OSFile(str(self._path)),
            buffer_size=_BUFFER_BYTES,
            pre_buffer=False,
            page_checksum_verification=True,
        )

    @contextmanager
    def blocks(self, wanted: tuple[int, ...]) -> Iterator[Iterator[Columns]]:
        """Consecutive samples of columns."""
        refuse_absurd_length(self._path, "", self._n)
        with library_call(self._path):
            file = self._opened()
        try:
            names = {self.columns[index].name for index in wanted}
            with library_call(self._path):
                self._check_pages(names)
            yield self._read(file, sorted(names), wanted)
        finally:
            file.close(force=True)

    def _check_pages(self, names: set[str]) -> None:
        needed = page_bytes(self._path, names)
        if needed > _PAGES_BYTES + self._path.stat().st_size:
            raise RecordingError(
                self._path,
                "",
                f"the pages of {len(names)} columns would unpack to {needed >> 20} MB at a time",
                "write the file with pages of 1 MB",
            )

    def _read(self, file: Any, names: list[str], wanted: tuple[int, ...]) -> Iterator[Columns]:
        read = 0
        with library_call(self._path):
            batches = file.iter_batches(block_rows(8 * len(wanted)), columns=names)
        while True:
            with library_call(self._path, f"row {read}"):
                batch = next(batches, None)
                if batch is None:
                    break
                block = self._schema.block(batch, self._places(batch.schema.names, wanted))
            read += batch.num_rows
            yield block
        check_rows(self._path, read, self._n)

    def _places(self, names: list[str], wanted: tuple[int, ...]) -> list[int]:
        """Where the wanted columns stand in a batch, which holds all of one name in their order."""
        own = [column.name for column in self.columns]
        places: dict[str, list[int]] = {}
        for place, name in enumerate(names):
            places.setdefault(name, []).append(place)
        return [places[own[index]][own[:index].count(own[index])] for index in wanted]
