"""What readers look at to tell whether a file is theirs."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path

from ingest.readers.text_head import first_bytes

_RAW_BYTES = 4096


class Beginning:
    """The first bytes of a file, as they stand on disk and unpacked."""

    def __init__(self, path: Path) -> None:
        self.path = path

    @cached_property
    def raw(self) -> bytes:
        """First bytes on disk; none where there is no file to read."""
        try:
            with open(self.path, "rb") as file:
                return file.read(_RAW_BYTES)
        except OSError:
            return b""  # what is wrong with it is told when its content is asked for

    @cached_property
    def content(self) -> bytes:
        """First bytes of the unpacked content of a gzip file or of a zip archive of one file.

        Raises RecordingError where the file is missing or its compression is damaged.
        """
        return first_bytes(self.path)
