"""A campaign as a zip archive, made while it is sent."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator, Sequence
from pathlib import Path

PIECE_BYTES = 2**20
# The same campaign gives the same bytes whenever it is asked for.
_DATE = (1980, 1, 1, 0, 0, 0)


class _Pieces(io.RawIOBase):
    """What was written since it was last asked."""

    def __init__(self) -> None:
        self._waiting = bytearray()

    def writable(self) -> bool:
        """Always."""
        return True

    def write(self, data: object) -> int:
        """Keep it."""
        view = memoryview(data)  # type: ignore[arg-type]
        self._waiting += view
        return len(view)

    def taken(self) -> bytes:
        """Hand it on."""
        data = bytes(self._waiting)
        self._waiting.clear()
        return data


def zipped(files: Sequence[tuple[str, Path]]) -> Iterator[bytes]:
    """Pieces of an archive of these files, stored as they are: recordings hardly compress."""
    pieces = _Pieces()
    with zipfile.ZipFile(pieces, "w", zipfile.ZIP_STORED) as archive:
        for name, path in files:
            entry = zipfile.ZipInfo(name, _DATE)
            entry.external_attr = 0o644 << 16
            entry.file_size = path.stat().st_size
            with path.open("rb") as source, archive.open(entry, "w") as target:
                while data := source.read(PIECE_BYTES):
                    target.write(data)
                    yield pieces.taken()
    yield pieces.taken()
