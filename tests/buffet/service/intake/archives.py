"""Zip archives, good ones and such as nobody's packer writes."""

from __future__ import annotations

import struct
import zipfile
import zlib
from collections.abc import Mapping
from pathlib import Path

LINK, PIPE = 0o120777, 0o010644


def zipped(path: Path, files: Mapping[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> Path:
    """An ordinary archive."""
    with zipfile.ZipFile(path, "w", method) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return path


def with_mode(path: Path, name: str, content: bytes, mode: int) -> Path:
    """One entry of this Unix mode."""
    with zipfile.ZipFile(path, "w") as archive:
        info = zipfile.ZipInfo(name)
        info.external_attr = mode << 16
        archive.writestr(info, content)
    return path


class RawZip:
    """An archive written byte by byte, after APPNOTE.TXT 4.3.7, 4.3.12 and 4.3.16."""

    def __init__(self) -> None:
        self.body, self.directory, self.n = b"", b"", 0

    def add(
        self,
        name: bytes,
        content: bytes = b"",
        *,
        at: int | None = None,
        size: int | None = None,
        packed: bytes | None = None,
        crc: int | None = None,
        flags: int = 0,
        method: int = 8,
        local_name: bytes | None = None,
        packed_size: int | None = None,
    ) -> RawZip:
        """An entry; with `at` only in the directory, with its header there."""
        if packed is None:
            deflate = zlib.compressobj(9, zlib.DEFLATED, -15)
            packed = deflate.compress(content) + deflate.flush() if method == 8 else content
        size = len(content) if size is None else size
        crc = zlib.crc32(content) if crc is None else crc
        packed_size = len(packed) if packed_size is None else packed_size
        common = struct.pack("<HHHHIIIHH", flags, method, 0, 33, crc, packed_size, size, 0, 0)
        offset = len(self.body) if at is None else at
        if at is None:
            stated = name if local_name is None else local_name
            lengths = struct.pack("<HH", len(stated), 0)
            self.body += b"PK\3\4" + struct.pack("<H", 20) + common[:-4] + lengths + stated + packed
        self.directory += b"PK\1\2" + struct.pack("<HH", 20, 20) + common[:-4]
        self.directory += struct.pack("<HHHHHII", len(name), 0, 0, 0, 0, 0, offset) + name
        self.n += 1
        return self

    def write(self, path: Path, directory_size: int | None = None) -> Path:
        """The whole archive."""
        size = len(self.directory) if directory_size is None else directory_size
        end = struct.pack("<HHHHIIH", 0, 0, self.n, self.n, size, len(self.body), 0)
        path.write_bytes(self.body + self.directory + b"PK\5\6" + end)
        return path
