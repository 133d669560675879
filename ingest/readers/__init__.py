"""Readers of recordings: each says whether a file is its own, by content, and opens it."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import NamedTuple

from ingest.errors import RecordingError
from ingest.readers.beginning import Beginning
from ingest.readers.table_recording import TableRecording
from ingest.readers.tables import TableSource
from ingest.readers.text_head import is_text
from ingest.recording import ClockOptions, FileOptions, Recording


class _Reader(NamedTuple):
    """A format: how its files begin, and where the function stands that opens them.

    Opened by name, so that no format's library loads before a file of that format is met.
    """

    takes: Callable[[Beginning], bool]
    opened_by: str  # "module:function", of (Path, FileOptions) to a TableSource


# Asked in this order; text comes last because it is recognised by what it does not contain.
_READERS: tuple[_Reader, ...] = (
    _Reader(lambda file: is_text(file.content), "delimited_text:open_text"),
)


def open_recording(path: Path, file: FileOptions, clock: ClockOptions) -> Recording:
    """Open a recording with the reader whose content it is; reads its beginning only.

    Raises
    ------
    RecordingError
        No reader takes the file, or the one that does finds it damaged or not as stated.
    """
    return TableRecording(path, _open_source(path, file), clock)


def _open_source(path: Path, file: FileOptions) -> TableSource:
    beginning = Beginning(path)
    for reader in _READERS:
        if reader.takes(beginning):
            module, function = reader.opened_by.split(":")
            opened: TableSource = getattr(import_module(f"{__name__}.{module}"), function)(
                path, file
            )
            return opened
    raise RecordingError(
        path,
        "",
        f"the content is binary (it begins with {beginning.content[:8].hex(' ')}), not text",
        "export the recording as delimited text (plain, .gz or .zip)",
    )
