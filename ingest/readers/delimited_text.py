"""Delimited text with one channel a column, parsed chunk by chunk."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

from ingest.readers.byte_source import open_bytes, text_size
from ingest.readers.tables import Stamps, Table, TableSource, TimeColumn
from ingest.readers.text_chunks import Chunk, text_chunks
from ingest.readers.text_fields import sample, split_line
from ingest.readers.text_head import TextHead, read_head
from ingest.readers.text_layout import TextLayout, find_layout, find_wide_layout, is_wide
from ingest.readers.text_rows import RowText
from ingest.readers.text_table import TableParser
from ingest.recording import FileOptions

# Two threads keep up with pandas' own reader, which uses several on a large file.
_PARSE_THREADS = 2
# Rows whose stamps give the sample rate: enough that a stamp of 1 ms tells it to 1e-5 at 100 Hz.
_RATE_ROWS = 10_000


def open_text(path: Path, file: FileOptions) -> TableSource:
    """Open a delimited text of either orientation after a look at its first lines."""
    head = read_head(path, file.encoding)
    if is_wide(head, file):
        return RowText(path, find_wide_layout(head, file))
    return ColumnText(find_layout(head, file), head)


class ColumnText:
    """Source of tables from a text whose columns are channels."""

    reader = "delimited text"
    clocks: tuple[int, ...] = ()

    def __init__(self, layout: TextLayout, head: TextHead) -> None:
        self._path = head.path
        self._layout = layout
        self._head = head
        self.columns = layout.columns
        self.units = layout.units
        self.groups = (0,) * len(layout.columns)
        self.rates_hz = (None,) * len(layout.columns)

    def rows(self, column: int) -> int | None:
        """Rows to come, judged from the size of the text and the length of its first lines."""
        size = text_size(self._path)
        if size is None:
            return None
        lines = len(self._head.lines) * size / self._head.n_bytes
        return max(0, round(lines) - self._layout.first_row)

    def stamps_are_numbers(self, column: int) -> bool:
        """Whether the first row of samples holds a number in this column."""
        line = self._head.lines[self._layout.first_row]
        fields = split_line(line, self._layout.delimiter)
        text = fields[column] if column < len(fields) else ""
        return sample(text, self._layout.decimal, self._layout.missing) is not None

    def first_stamps(self, time: TimeColumn) -> Stamps:
        """Stamps of up to 10,000 rows at the beginning."""
        first = self._layout.first_row
        rows = [
            "" if line.lstrip().startswith(self._layout.comments) else line
            for line in self._head.lines[first : first + _RATE_ROWS]
        ]
        data = "\n".join(rows).encode(self._layout.chunk_encoding, errors="replace")
        is_last = self._head.complete and len(rows) < _RATE_ROWS
        parser = TableParser(self._path, self._layout, (), time)
        stamps = parser.parse(Chunk(first + 1, data, is_last)).stamps
        assert stamps is not None  # asked for
        return stamps

    @contextmanager
    def opened(
        self, wanted: tuple[int, ...], time: TimeColumn | None
    ) -> Iterator[tuple[Iterator[Table], Callable[[], tuple[str, ...]]]]:
        """The tables from the first sample on, and the SHA-256 of the bytes on disk."""
        parser = TableParser(self._path, self._layout, wanted, time)
        with open_bytes(self._path) as (stream, on_disk):
            chunks = text_chunks(
                stream, self._layout.encoding, self._layout.first_row, self._layout.comments
            )
            yield _parsed(parser, chunks), lambda: (on_disk.hexdigest(),)


def _parsed(parser: TableParser, chunks: Iterable[Chunk]) -> Iterator[Table]:
    """Tables in file order, parsed by a few threads; at most two chunks wait for each."""
    waiting: deque[Future[Table]] = deque()
    with ThreadPoolExecutor(_PARSE_THREADS) as pool:
        for chunk in chunks:
            waiting.append(pool.submit(parser.parse, chunk))
            if len(waiting) > 2 * _PARSE_THREADS:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
