"""A file on disk as a raw stream, for classes that look at its bytes as they are read."""

from __future__ import annotations

import io
from pathlib import Path


class RawFile(io.RawIOBase):
    """Hands everything on to the file; a subclass reads through `_file`."""

    def __init__(self, path: Path) -> None:
        self._file = open(path, "rb", buffering=0)  # noqa: SIM115 - closed with this object

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()

    def close(self) -> None:
        self._file.close()
        super().close()
