"""Readers of recordings: each says whether a file is its own, by content, and opens it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from ingest.errors import RecordingError
from ingest.readers.delimited_text import open_text
from ingest.readers.table_recording import TableRecording
from ingest.readers.tables import TableSource
from ingest.readers.text_head import first_bytes, is_text
from ingest.recording import ClockOptions, FileOptions, Recording

_Recognise = Callable[[bytes], bool]
_Open = Callable[[Path, FileOptions], TableSource]

# Asked in this order with the first bytes of the decompressed content; text comes last because
# it is recognised by what it does not contain.
_READERS: tuple[tuple[_Recognise, _Open], ...] = ((is_text, open_text),)


def open_recording(path: Path, file: FileOptions, clock: ClockOptions) -> Recording:
    """Open a recording with the reader whose content it is; reads its first lines only.

    Raises
    ------
    RecordingError
        No reader takes the file, or the one that does finds it damaged or not as stated.
    """
    first = first_bytes(path)
    for recognise, open_ in _READERS:
        if recognise(first):
            return TableRecording(path, open_(path, file), clock)
    raise RecordingError(
        path,
        "",
        f"the content is binary (it begins with {first[:8].hex(' ')}), not text",
        "export the recording as delimited text (plain, .gz or .zip)",
    )
